"""Hours at load and under gas, starts and stops, from the rows of a log fed chunk by chunk.

A row's state holds until the next row. At load: the current is above a stated one. Gas-exposed: at
load, or hydrogen flows, or, where no flow was logged, the cells show a voltage that only both gases
give. Idle: neither. Common practice, no source.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import not_below_zero
from service.runs.arithmetic.log_times import BoolArray, FloatArray, Steps

FORMULA = "load hours 1"
GAS_ABOVE_CELL_V = 0.3
"""Mean cell voltage above which both gases are there. Common practice, no source."""
# Chosen: shorter than any stop somebody makes on purpose, longer than a step of the load. Common
# practice, no source.
SHORTEST_STOP_S = 60.0


@dataclass(frozen=True, slots=True)
class LoadRule:
    """What counts as load (A), as gas (L/min or mean V of the cells) and as a stop (s off load).

    ``over_a`` are currents whose hours above are wanted by themselves.
    """

    load_above_a: float
    gas_above_l_min: float = 0.05
    gas_above_cell_v: float = GAS_ABOVE_CELL_V
    shortest_stop_s: float = SHORTEST_STOP_S
    over_a: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Refuse limits below zero."""
        not_below_zero("the least current at load", self.load_above_a, "A")
        not_below_zero("the least hydrogen flow", self.gas_above_l_min, "L/min")
        not_below_zero("the least cell voltage under gas", self.gas_above_cell_v, "V")
        not_below_zero("the shortest stop", self.shortest_stop_s, "s")


@dataclass(frozen=True, slots=True)
class LoadHours:
    """Hours of a log by what the stack did, h; starts and stops seen in it.

    ``load_h + unloaded_h + unknown_h`` are the running hours; ``gas_h`` contains ``load_h``.
    ``unknown_h``: no current was logged. ``gaps_at_load``: at load before and behind a gap, where
    a stop may have gone unseen. ``over_h`` holds hours above each current of the rule.
    ``gas_seen_by`` says what gas was judged by: hydrogen flow, cell voltage, or the load alone.
    """

    load_h: float
    gas_h: float
    unloaded_h: float
    unknown_h: float
    starts: int
    stops: int
    begins_at_load: bool
    ends_at_load: bool
    gaps_at_load: int
    charge_ah: float
    most_a: float | None
    over_h: tuple[tuple[float, float], ...]
    gas_seen_by: str


@dataclass(slots=True)
class LoadCounter:
    """Counts chunk by chunk; memory does not grow with the rows.

    >>> from service.runs.arithmetic.log_times import LogClock
    >>> clock, counter = LogClock(), LoadCounter(LoadRule(load_above_a=1.0))
    >>> steps = clock.feed(np.arange(0.0, 3601.0, 60.0))
    >>> counter.feed(steps, np.where(steps.time_s < 1800, 70.0, 0.0))
    >>> found = counter.result()
    >>> found.load_h, found.unloaded_h, found.starts, found.stops, found.charge_ah
    (0.5, 0.5, 0, 1, 35.0)
    """

    rule: LoadRule
    _load_s: float = 0.0
    _gas_s: float = 0.0
    _all_s: float = 0.0
    _unknown_s: float = 0.0
    _charge_as: float = 0.0
    _most: float = -np.inf
    _starts: int = 0
    _stops: int = 0
    _gaps_at_load: int = 0
    _was_load: bool = False
    _was_gas: bool = False
    _was_known: bool = True
    _was_current: float = 0.0
    _has_begun: bool = False
    _begins: bool = False
    _last_s: float = 0.0
    _off_since: float | None = None
    _seen_by: str = "load"
    _over_s: list[float] = field(default_factory=list)
    _known_rows: int = 0

    def __post_init__(self) -> None:
        """Begin with nothing above."""
        self._over_s = [0.0] * len(self.rule.over_a)

    def feed(
        self,
        steps: Steps,
        current_a: FloatArray,
        *,
        hydrogen_l_min: FloatArray | None = None,
        mean_cell_v: FloatArray | None = None,
    ) -> None:
        """Take the next rows, each of shape (n,); not a number where nothing was logged."""
        if len(current_a) != len(steps.time_s):
            raise Inconsistent("Times and currents differ in number.")
        if not len(current_a):
            return
        is_known = ~np.isnan(current_a)
        current = current_a if is_known.all() else _held(current_a, self._was_current)
        is_load = current > self.rule.load_above_a
        is_gas = is_load | self._gas(hydrogen_l_min, mean_cell_v, len(is_load))
        self._count_hours(steps, current, is_load, is_gas, is_known)
        self._count_starts(steps, is_load, is_known)
        self._was_load, self._was_gas = bool(is_load[-1]), bool(is_gas[-1])
        self._was_known, self._was_current = bool(is_known[-1]), float(current[-1])

    def _gas(self, hydrogen: FloatArray | None, cell_v: FloatArray | None, rows: int) -> BoolArray:
        if hydrogen is not None:
            self._seen_by = "hydrogen flow"
            flows: BoolArray = hydrogen > self.rule.gas_above_l_min  # not a number is not above
            return flows
        if cell_v is not None:
            self._seen_by = "cell voltage"
            shows: BoolArray = cell_v > self.rule.gas_above_cell_v
            return shows
        return np.zeros(rows, np.bool_)

    def _count_hours(
        self,
        steps: Steps,
        current: FloatArray,
        is_load: BoolArray,
        is_gas: BoolArray,
        is_known: BoolArray,
    ) -> None:
        seconds = steps.seconds
        was_known = _before(is_known, self._was_known)
        counted = seconds * was_known
        loaded = counted * _before(is_load, self._was_load)
        drawn = _before(current, self._was_current)
        self._all_s += float(seconds.sum())
        self._unknown_s += float(seconds.sum() - counted.sum())
        self._load_s += float(loaded.sum())
        self._gas_s += float((seconds * _before(is_gas, self._was_gas)).sum())
        self._charge_as += float((counted * drawn).sum())
        if is_known.any():
            self._most = max(self._most, float(current[is_known].max()))
            self._known_rows += int(is_known.sum())
        for index, limit in enumerate(self.rule.over_a):
            self._over_s[index] += float((counted * (drawn > limit)).sum())

    def _count_starts(self, steps: Steps, is_load: BoolArray, is_known: BoolArray) -> None:
        before = _before(is_load, self._was_load)
        if not self._has_begun and is_known.any():
            first = int(np.argmax(is_known))
            self._has_begun, self._begins = True, bool(is_load[first])
            is_load, before = is_load.copy(), before.copy()
            # Rows before the first known current are taken as it was: they begin no start and no
            # stop.
            is_load[:first] = before[: first + 1] = self._begins
            if not self._begins:
                self._off_since = -np.inf  # off for as long as the log knows
        self._gaps_at_load += int(np.count_nonzero(steps.is_behind_gap & before & is_load))
        # Off for a moment is no stop: a start counts, and the stop before it, once the time off was
        # long enough. Off since ever (-∞) makes a start, but no stop that was seen.
        for index in np.flatnonzero(before != is_load):
            now = float(steps.time_s[index])
            if not is_load[index]:
                self._off_since = now
            elif self._off_since is not None:
                if now - self._off_since >= self.rule.shortest_stop_s:
                    self._starts += 1
                    self._stops += self._off_since > -np.inf
                self._off_since = None
        self._last_s = float(steps.time_s[-1])

    def result(self) -> LoadHours:
        """Return what was counted so far; a stop that lasts at the end of the log is one."""
        still_off = self._off_since is not None and self._off_since > -np.inf
        lasted = still_off and self._last_s - (self._off_since or 0.0) >= self.rule.shortest_stop_s
        load_h, unknown_h = self._load_s / 3600, self._unknown_s / 3600
        return LoadHours(
            load_h,
            self._gas_s / 3600,
            max(0.0, (self._all_s - self._load_s - self._unknown_s) / 3600),
            unknown_h,
            self._starts,
            self._stops + lasted,
            self._begins,
            self._was_load,
            self._gaps_at_load,
            self._charge_as / 3600,
            self._most if self._known_rows else None,
            tuple(
                (limit, seconds / 3600)
                for limit, seconds in zip(self.rule.over_a, self._over_s, strict=True)
            ),
            self._seen_by,
        )


def _before(values: Any, first: float | bool) -> Any:
    """The value of the row before each, ``first`` being the last one of the chunk before."""
    moved = np.empty_like(values)
    moved[0] = first
    moved[1:] = values[:-1]
    return moved


def _held(values: FloatArray, first: float) -> FloatArray:
    """Each missing value replaced by the last one known."""
    is_known = ~np.isnan(values)
    # The place of the last known row, carried forward by a running maximum; -1: none yet.
    last_known = np.where(is_known, np.arange(len(values)), -1)
    last_known = np.maximum.accumulate(last_known)
    return np.where(last_known < 0, first, values[np.maximum(last_known, 0)])
