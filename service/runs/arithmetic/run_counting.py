"""What a test bench's log says of a run: times, hours, starts, limits, meter and steady windows.

Composes log_times, load_hours and steady_windows over batches of a log.
"""

from dataclasses import dataclass, field

import numpy as np

from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.load_hours import (
    LimitCounter,
    LimitHours,
    LoadCounter,
    LoadHours,
    LoadRule,
    LogLimit,
    Side,
)
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import Mapping, Signal
from service.runs.arithmetic.log_times import FloatArray, LogClock, LogTimes, Steps
from service.runs.arithmetic.steady_windows import SteadyRule, SteadyWindow, WindowFinder

FORMULA = "run 2 (log times 1, load hours 1, limit hours 1, steady windows 1)"
LOWEST_CELL = "lowest cell"
METER_BACK_H = 0.02
"""A meter read over a wire may flicker by its last digit."""
_CURRENT, _DENSITY, _TEMPERATURE = "current", "current density", "temperature"
_STACK, _METER = "stack voltage", "hour meter"


@dataclass(frozen=True, slots=True)
class SteadyVoltages:
    """One steady window: s from the log's zero; V by channel, in the order of the mapping's cells.

    Not a number where a channel has no value. ``is_open_circuit``: no load, but gas.
    """

    begins_s: float
    ends_s: float
    rows: int
    current_a: float | None
    density_a_cm2: float | None
    temperature_c: float | None
    stack_voltage_v: float | None
    meter_hours: float | None
    means_v: tuple[float, ...]
    spreads_v: tuple[float, ...]
    is_open_circuit: bool


@dataclass(frozen=True, slots=True)
class RunFound:
    """What one reading of a log found. Times in s from the log's zero, hours in h.

    ``load`` None: no current was logged. ``doubts`` are sentences.
    """

    times: LogTimes
    load: LoadHours | None
    limits: tuple[LimitHours, ...]
    meter_from_hours: float | None
    meter_to_hours: float | None
    windows: tuple[SteadyVoltages, ...]
    doubts: tuple[str, ...]


@dataclass(slots=True)
class RunCounter:
    """Takes the batches of a log in order; memory does not grow with the rows."""

    mapping: Mapping
    area_cm2: float
    _clock: LogClock = field(init=False)
    _load: LoadCounter = field(init=False)
    _limits: LimitCounter = field(init=False)
    _finder: WindowFinder = field(init=False)
    _windows: list[SteadyVoltages] = field(default_factory=list)
    _has_current: bool = True
    _meter_from: float | None = None
    _meter_to: float | None = None

    def __post_init__(self) -> None:
        """Set the counters up by the mapping's rules."""
        rule, limits = self.mapping.counting, []
        if rule.temperature_above_c is not None and self.mapping.column_of(Signal.TEMPERATURE):
            limits.append(LogLimit(_TEMPERATURE, Side.ABOVE, rule.temperature_above_c, "°C"))
        if rule.cell_below_v is not None and self.mapping.cells:
            limits.append(LogLimit(LOWEST_CELL, Side.BELOW, rule.cell_below_v, "V"))
        self._clock = LogClock(rule.longest_gap_s)
        self._load = LoadCounter(
            LoadRule(
                rule.idle_a_cm2 * self.area_cm2,
                gas_above_l_min=rule.hydrogen_above_l_min,
                shortest_stop_s=rule.shortest_stop_s,
            )
        )
        self._limits = LimitCounter(tuple(limits))
        has = {signal.signal for signal in self.mapping.signals}
        cells = tuple(cell.column for cell in self.mapping.cells)
        beside = [_CURRENT]
        beside += [_DENSITY] if Signal.CURRENT_DENSITY in has else []
        beside += [_TEMPERATURE] if Signal.TEMPERATURE in has else []
        beside += [_STACK] if Signal.STACK_VOLTAGE in has else []
        beside += [_METER] if Signal.METER in has or self.mapping.time.is_meter else []
        self._finder = WindowFinder(
            (*beside, *cells),
            _CURRENT,
            _TEMPERATURE if Signal.TEMPERATURE in has else None,
            SteadyRule(
                least_s=rule.steady_least_min * 60,
                longest_s=rule.steady_longest_min * 60,
                settling_s=rule.settling_min * 60,
                current_band_a=rule.idle_a_cm2 * self.area_cm2 / 2,
                current_band_percent=rule.current_band_percent,
                temperature_band_k=rule.temperature_band_k,
                longest_gap_s=rule.longest_gap_s,
            ),
        )

    def feed(self, batch: LogBatch) -> None:
        """Take the next rows.

        Raises Inconsistent where time or the hour meter goes back, or the log has no time.
        """
        if batch.time_s is None:
            raise Inconsistent("The log has no time, so no hours can be counted in it.")
        steps = self._clock.feed(batch.time_s)
        current = batch.current_a(self.area_cm2)
        meter = self._meter(batch, steps)
        volts = list(batch.cell_v.values())
        if current is not None:
            flow = batch.signals.get(Signal.HYDROGEN_FLOW)
            mean_cell_v = _mean(volts) if volts and flow is None else None
            self._load.feed(steps, current, hydrogen_l_min=flow, mean_cell_v=mean_cell_v)
            values = {cell.column: batch.cell_v[cell.channel] for cell in self.mapping.cells} | {
                _CURRENT: current
            }
            for name, signal in (
                (_DENSITY, Signal.CURRENT_DENSITY),
                (_TEMPERATURE, Signal.TEMPERATURE),
                (_STACK, Signal.STACK_VOLTAGE),
            ):
                if signal in batch.signals:
                    values[name] = batch.signals[signal]
            if meter is not None:
                values[_METER] = meter
            self._keep(self._finder.feed(steps.time_s, values))
        else:
            self._has_current = False
        self._feed_limits(batch, steps, volts)

    def _feed_limits(self, batch: LogBatch, steps: Steps, volts: list[FloatArray]) -> None:
        if not self._limits.limits:
            return
        channels = {}
        if Signal.TEMPERATURE in batch.signals:
            channels[_TEMPERATURE] = batch.signals[Signal.TEMPERATURE]
        if volts and self.mapping.counting.cell_below_v is not None:
            lowest = volts[0]
            for more in volts[1:]:
                lowest = np.fmin(lowest, more)
            channels[LOWEST_CELL] = lowest
        self._limits.feed(steps, channels)

    def _meter(self, batch: LogBatch, steps: Steps) -> FloatArray | None:
        if self.mapping.time.is_meter:
            meter_h: FloatArray | None = steps.time_s / 3600
        else:
            meter_h = batch.signals.get(Signal.METER)
        if meter_h is None:
            return None
        readings = meter_h[~np.isnan(meter_h)]
        if not len(readings):
            return meter_h
        before = readings[0] if self._meter_to is None else self._meter_to
        highest = np.maximum.accumulate(np.concatenate(([before], readings)))
        back = highest[1:] - readings
        if back.max() > METER_BACK_H:
            index = int(np.argmax(back > METER_BACK_H))
            row = batch.first_row + int(np.flatnonzero(~np.isnan(meter_h))[index])
            raise Inconsistent(
                f"The hour meter runs backwards in row {row}: it shows {readings[index]:.2f} h"
                f" after {highest[index]:.2f} h."
                " A meter that was replaced or set back needs two logs."
            )
        if self._meter_from is None:
            self._meter_from = float(readings[0])
        self._meter_to = float(highest[-1])
        return meter_h

    def _keep(self, windows: list[SteadyWindow]) -> None:
        names = self._finder.channels
        for window in windows:
            mean = dict(zip(names, window.mean.tolist(), strict=True))
            cells = len(self.mapping.cells)
            current = mean[_CURRENT]
            is_idle = current <= self.mapping.counting.idle_a_cm2 * self.area_cm2
            volts = window.mean[len(names) - cells :] if cells else np.empty(0)
            finite_volts = volts[~np.isnan(volts)]
            if is_idle and not (
                len(finite_volts) and finite_volts.mean() > self._load.rule.gas_above_cell_v
            ):
                continue  # a stack that stands without gas has no voltages to keep
            density = _finite_or_none(mean.get(_DENSITY))
            self._windows.append(
                SteadyVoltages(
                    window.begins_s,
                    window.ends_s,
                    int(window.rows[0]),
                    _finite_or_none(current),
                    current / self.area_cm2 if density is None else density,
                    _finite_or_none(mean.get(_TEMPERATURE)),
                    _finite_or_none(mean.get(_STACK)),
                    _finite_or_none(mean.get(_METER)),
                    tuple(volts.tolist()),
                    tuple(window.sd[len(names) - cells :].tolist()) if cells else (),
                    is_idle,
                )
            )

    def result(self) -> RunFound:
        """Return what was found. Raises Inconsistent where there was no row."""
        times = self._clock.result()
        self._keep(self._finder.finish())
        load = self._load.result() if self._has_current else None
        return RunFound(
            times,
            load,
            self._limits.result(),
            self._meter_from,
            self._meter_to,
            tuple(self._windows),
            tuple(self._doubts(times, load)),
        )

    def _doubts(self, times: LogTimes, load: LoadHours | None) -> list[str]:
        sentences = []
        if times.gap_count:
            word = "gap" if times.gap_count == 1 else "gaps"
            longest = max(gap.ends_s - gap.begins_s for gap in times.gaps) / 60
            sentences.append(
                f"{times.gap_count} {word} without rows, {times.gap_h:.2f} h together, the longest"
                f" {longest:.0f} min: not counted as running."
            )
        if times.steps_back:
            sentences.append(f"In {times.steps_back} rows the bench's clock stood a little behind.")
        if load is None:
            sentences.append(
                "No current was logged: hours at load are not known and count as none."
            )
            return sentences
        if load.unknown_h > 0:
            sentences.append(f"For {load.unknown_h:.2f} h no current was logged: not at load.")
        if load.gaps_at_load:
            sentences.append(
                f"The stack was at load before and after {load.gaps_at_load} of the gaps: whether"
                " it stopped in between is not known."
            )
        meter = (
            None
            if self._meter_from is None or self._meter_to is None
            else self._meter_to - self._meter_from
        )
        # A meter that shows tenths of an hour is off by 0.1 h; 2 % is room for its clock (chosen).
        if meter is not None and load.load_h > meter + max(0.1, 0.02 * meter):
            sentences.append(
                f"The log has {load.load_h:.2f} h at load, its hour meter counted {meter:.2f} h."
            )
        sentences += self._sum_doubt()
        if not self._windows:
            sentences.append("No steady time was found in it: it gives no voltages for comparison.")
        return sentences

    def _sum_doubt(self) -> list[str]:
        """Cell voltages and the stack's, where they differ by more than rounding."""
        off = [
            sum(window.means_v) - window.stack_voltage_v
            for window in self._windows
            if window.stack_voltage_v is not None and not np.isnan(sum(window.means_v))
        ]
        if not off or max(off, key=abs) == 0:
            return []
        worst = max(off, key=abs)
        cells = len(self.mapping.cells)
        if abs(worst) <= 0.001 * max(1, cells):
            return []
        word = "more" if worst > 0 else "less"
        sentence = (
            f"The cells add up to as much as {abs(worst) * 1e3:.0f} mV {word} than the stack's"
        )
        return [sentence + " voltage; both are kept as recorded."]


def _mean(volts: list[FloatArray]) -> FloatArray:
    """Mean of the channels that have a value, not a number where none has."""
    total = volts[0].copy()
    for more in volts[1:]:
        total += more
    if not np.isnan(total.sum()):
        return total / len(volts)
    channel_counts = np.zeros(len(total))
    total = np.zeros(len(total))
    for volt in volts:
        is_known = ~np.isnan(volt)
        channel_counts += is_known
        total += np.where(is_known, volt, 0.0)
    return np.where(channel_counts > 0, total / np.maximum(channel_counts, 1), np.nan)


def _finite_or_none(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)
