"""What a sweep's rows give: a curve a leg, and the open-circuit voltages where the current rests.

Times in s, current density in A/cm², voltages in V. A sweep counts no hours: those come from the
meter or from logs. Common practice, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.condition.arithmetic.measured_curves import MeasuredPoint, points_of_leg
from service.condition.arithmetic.open_circuit import AT_MOST_A_CM2, FEWEST_ROWS
from service.condition.arithmetic.sweep_points import Leg, Sweep, SweepDirection, sweep_points
from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import Mapping, Signal
from service.taps.arithmetic import channel_numbers

FORMULA = "sweep points 1"
FEWEST_POINTS = 4
STILL_MOVING_V = 0.003
MOST_ROWS = 2_000_000
MOST_VOLTAGES = 30_000_000

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SweepRows:
    """All rows of a sweep; ``times_s`` None where the file has no time."""

    times_s: Array | None
    densities_a_cm2: Array
    voltages_v: Array
    channels: tuple[str, ...]
    temperature_c: float | None
    stack_voltages_v: Array | None


@dataclass(frozen=True, slots=True)
class FoundCurve:
    """The curve of one leg; ``begins_s`` None where the file has no time."""

    leg: int
    way: SweepDirection
    begins_s: float | None
    points: tuple[MeasuredPoint, ...]

    @property
    def reach_a_cm2(self) -> tuple[float, float]:
        """Least and greatest current density."""
        return self.points[0].density_a_cm2, self.points[-1].density_a_cm2


@dataclass(frozen=True, slots=True)
class FoundRest:
    """The channels while no current flowed: mean and standard deviation over ``rows``."""

    begins_s: float | None
    ends_s: float | None
    rows: int
    means_v: tuple[float | None, ...]
    spreads_v: tuple[float | None, ...]
    stack_voltage_v: float | None
    moved_v: float
    """how far the channel that moved most went from the first quarter of the rows to the last"""


@dataclass(frozen=True, slots=True)
class FoundSweep:
    """What one sweep gave; ``doubts`` are sentences for whoever keeps it."""

    rows: int
    left_out: int
    begins_s: float | None
    ends_s: float | None
    channels: tuple[str, ...]
    temperature_c: float | None
    curves: tuple[FoundCurve, ...]
    rest: FoundRest | None
    doubts: tuple[str, ...]


def gathered(batches: Iterable[LogBatch], mapping: Mapping, area_cm2: float) -> SweepRows:
    """Return the rows of all batches.

    Raises Inconsistent without current, cells or rows, or too many.
    """
    if not mapping.cells:
        raise Inconsistent("No column is the voltage of a cell.")
    times, densities, voltages, warm, whole = [], [], [], [], []
    rows = 0
    for batch in batches:
        rows += batch.rows
        if rows > MOST_ROWS:
            raise Inconsistent(f"A sweep has at most {MOST_ROWS} rows; bring this in as a log.")
        if rows * len(mapping.cells) > MOST_VOLTAGES:
            most = f"at most {MOST_VOLTAGES // 1_000_000} million cell voltages"
            raise Inconsistent(f"A sweep has {most}; bring this in as a log.")
        current = batch.current_a(area_cm2)
        if current is None:
            raise Inconsistent("No column is the current or the current density.")
        densities.append(current / area_cm2)
        voltages.append(np.column_stack([batch.cell_v[cell.channel] for cell in mapping.cells]))
        times.append(batch.time_s)
        warm.append(batch.signals.get(Signal.TEMPERATURE))
        whole.append(batch.signals.get(Signal.STACK_VOLTAGE))
    if not rows:
        raise Inconsistent("The file has no row that could be read.")
    warmth = _joined(warm)
    finite = warmth[np.isfinite(warmth)] if warmth is not None else np.empty(0)
    return SweepRows(
        _joined(times),
        np.concatenate(densities),
        np.concatenate(voltages),
        channel_names(mapping),
        float(finite.mean()) if len(finite) else None,
        _joined(whole),
    )


def channel_names(mapping: Mapping) -> tuple[str, ...]:
    """Return what the channels are called.

    As in the file, where its names give the mapped numbers.
    """
    names = tuple(cell.column for cell in mapping.cells)
    numbers = tuple(cell.channel for cell in mapping.cells)
    if channel_numbers(names) == numbers:
        return names
    return tuple(f"channel {number}" for number in numbers)


def found_sweep(rows: SweepRows, area_cm2: float) -> FoundSweep:
    """Return the curves and the open-circuit voltages of a sweep.

    A leg of fewer than four points is no curve and is said. Raises Inconsistent where the current
    does not move, or no leg is a curve.
    """
    sweep = sweep_points(rows.densities_a_cm2, rows.voltages_v)
    doubts = _doubts(rows, sweep)
    used = _used(rows)
    curves = []
    for number, leg in enumerate(sweep.legs, start=1):
        points = points_of_leg(sweep, number, area_cm2)
        if len(points) < FEWEST_POINTS:
            doubts.append(f"Leg {number} ({leg.way}) has {len(points)} points and is no curve.")
            continue
        curves.append(FoundCurve(number, leg.way, _time_of(rows, used, leg), points))
    if not curves:
        raise Inconsistent("No way of the current up or down has four points: this is no sweep.")
    rest = found_rest(rows)
    if rest is not None and abs(rest.moved_v) > STILL_MOVING_V:
        way = "rose" if rest.moved_v > 0 else "fell"
        doubts.append(
            f"The open-circuit voltages still {way} by {abs(rest.moved_v) * 1e3:.0f} mV over the"
            f" {rest.rows} rows they are read from: the rest was short."
        )
    times = rows.times_s
    return FoundSweep(
        sweep.rows,
        sweep.left_out,
        None if times is None else float(times[0]),
        None if times is None else float(times[-1]),
        rows.channels,
        rows.temperature_c,
        tuple(curves),
        rest,
        tuple(doubts),
    )


def found_rest(rows: SweepRows) -> FoundRest | None:
    """Return what the channels read while no current flowed; None where it never rested.

    Of the longest rest the later half counts: before, the voltage still recovers from the load.
    """
    idle = np.abs(np.nan_to_num(rows.densities_a_cm2, nan=np.inf)) <= AT_MOST_A_CM2
    edges = np.flatnonzero(np.diff(np.concatenate(([False], idle, [False])).astype(np.int8)))
    if not len(edges):
        return None
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    first, end = int(starts[longest]), int(ends[longest])
    first = first + (end - first) // 2
    if end - first < FEWEST_ROWS:
        return None
    volts = rows.voltages_v[first:end]
    is_read = np.isfinite(volts)
    counts = is_read.sum(axis=0)
    means = np.divide(np.where(is_read, volts, 0.0).sum(axis=0), np.maximum(counts, 1))
    away = np.where(is_read, volts - means, 0.0)
    spreads = np.sqrt((away**2).sum(axis=0) / np.maximum(counts - 1, 1))
    times, whole = rows.times_s, rows.stack_voltages_v
    recorded = whole[first:end] if whole is not None else np.empty(0)
    recorded = recorded[np.isfinite(recorded)]
    return FoundRest(
        None if times is None else float(times[first]),
        None if times is None else float(times[end - 1]),
        end - first,
        tuple(float(m) if n else None for m, n in zip(means, counts, strict=True)),
        tuple(float(s) if n > 1 else None for s, n in zip(spreads, counts, strict=True)),
        float(recorded.mean()) if len(recorded) else None,
        _moved(volts),
    )


def _moved(volts: Array) -> float:
    quarter = max(len(volts) // 4, 1)
    with np.errstate(invalid="ignore"):
        ends = [np.nansum(part, axis=0) / np.maximum(np.isfinite(part).sum(axis=0), 1)
                for part in (volts[:quarter], volts[-quarter:])]  # fmt: skip
    change = ends[1] - ends[0]
    return float(change[np.argmax(np.abs(change))])


def _joined(arrays: list[Array | None]) -> Array | None:
    present = [array for array in arrays if array is not None]
    return np.concatenate(present) if present and len(present) == len(arrays) else None


def _used(rows: SweepRows) -> NDArray[np.intp]:
    """Places of the rows the legs count in: those with a usable current."""
    densities = rows.densities_a_cm2
    return np.flatnonzero(np.isfinite(densities) & (densities >= -0.005))


def _time_of(rows: SweepRows, used: NDArray[np.intp], leg: Leg) -> float | None:
    return None if rows.times_s is None else float(rows.times_s[used[leg.first]])


def _doubts(rows: SweepRows, sweep: Sweep) -> list[str]:
    doubts = []
    if sweep.left_out:
        doubts.append(f"{sweep.left_out} of {sweep.rows} rows have no usable current.")
    empty = [
        name
        for name, column in zip(rows.channels, rows.voltages_v.T, strict=True)
        if not np.isfinite(column).any()
    ]
    if empty:
        doubts.append(f"No voltage at all: {', '.join(empty)}.")
    if rows.stack_voltages_v is not None:
        off = float(np.nanmedian(np.nansum(rows.voltages_v, axis=1) - rows.stack_voltages_v))
        # 5 mV a cell, about five digits of a monitor that shows 1 mV (chosen, no source): single
        # digits add up over the cells, a channel that is missing or in the wrong unit is far more.
        if abs(off) > 0.005 * rows.voltages_v.shape[1]:
            doubts.append(
                f"The cells add up to {abs(off) * 1e3:.0f} mV {'more' if off > 0 else 'less'} than"
                " the recorded stack voltage; neither is made to agree."
            )
    return doubts
