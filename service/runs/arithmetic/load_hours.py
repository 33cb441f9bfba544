"""Hours at load, with gas and beyond limits, starts and stops, from a log fed chunk by chunk.

A row's state holds until the next row. At load: the current is above a stated one. Gas-exposed: at
load, or hydrogen flows, or, where no flow was logged, the cells show a voltage that only both gases
give. Idle: neither. Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, not_below_zero
from service.runs.arithmetic.log_times import BoolArray, FloatArray, Steps


class Side(StrEnum):
    """Which side of the limit counts."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True)
class LogLimit:
    """A limit of one channel, in the unit the channel is given in; at the limit is not beyond."""

    channel: str
    side: Side
    value: float
    unit: str

    def __post_init__(self) -> None:
        """Refuse a limit that is no number."""
        finite(f"the limit of {self.channel}", self.value, self.unit)


@dataclass(frozen=True, slots=True)
class LimitHours:
    """Hours beyond a limit, h; times it was passed; farthest value and when, s from the log's zero.

    ``farthest`` is the channel's greatest (least) value whether beyond the limit or not, None where
    the channel has none; ``known_h`` are the hours for which it has values.
    """

    limit: LogLimit
    beyond_h: float
    times: int
    known_h: float
    farthest: float | None
    farthest_s: float | None


@dataclass(slots=True)
class _Count:
    beyond_s: float = 0.0
    known_s: float = 0.0
    times: int = 0
    was_beyond: bool = False
    was_known: bool = False
    farthest: float | None = None
    farthest_s: float | None = None


@dataclass(slots=True)
class LimitCounter:
    """Counts chunk by chunk; memory does not grow with the rows.

    >>> from service.runs.arithmetic.log_times import LogClock
    >>> limit = LogLimit("temperature", Side.ABOVE, 80.0, "°C")
    >>> counter, times = LimitCounter((limit,)), np.arange(0.0, 3601.0, 60.0)
    >>> degrees = np.where((times >= 600) & (times < 1200), 81.0, 65.0)
    >>> counter.feed(LogClock().feed(times), {"temperature": degrees})
    >>> found, = counter.result()
    >>> round(found.beyond_h * 60), found.times, found.farthest, found.farthest_s
    (10, 1, 81.0, 600.0)
    """

    limits: tuple[LogLimit, ...]
    _counts: list[_Count] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Begin with nothing beyond."""
        self._counts = [_Count() for _ in self.limits]

    def feed(self, steps: Steps, channels: Mapping[str, FloatArray]) -> None:
        """Take the next rows, each channel of shape (n,); a channel may be missing."""
        if not len(steps.time_s):
            return
        for limit, count in zip(self.limits, self._counts, strict=True):
            values = channels.get(limit.channel)
            if values is None:
                count.was_beyond = count.was_known = False
                continue
            if len(values) != len(steps.time_s):
                raise Inconsistent(f"Times and values of {limit.channel} differ in number.")
            _count(limit, count, steps, values)

    def result(self) -> tuple[LimitHours, ...]:
        """Return hours beyond each limit so far, in the order of the limits."""
        return tuple(
            LimitHours(
                limit,
                count.beyond_s / 3600,
                count.times,
                count.known_s / 3600,
                count.farthest,
                count.farthest_s,
            )
            for limit, count in zip(self.limits, self._counts, strict=True)
        )


def _count(limit: LogLimit, count: _Count, steps: Steps, values: FloatArray) -> None:
    is_known = ~np.isnan(values)
    is_beyond = values > limit.value if limit.side is Side.ABOVE else values < limit.value
    was_known = np.concatenate(([count.was_known], is_known[:-1]))
    beyond = was_known & np.concatenate(([count.was_beyond], is_beyond[:-1]))
    count.known_s += float((steps.seconds * was_known).sum())
    count.beyond_s += float((steps.seconds * beyond).sum())
    # a row without a value does not end being beyond
    states = np.concatenate(([count.was_beyond], is_beyond[is_known]))
    count.times += int(np.count_nonzero(states[1:] & ~states[:-1]))
    count.was_known = bool(is_known[-1])
    count.was_beyond = bool(states[-1])
    if not is_known.any():
        return
    index = int(np.nanargmax(values) if limit.side is Side.ABOVE else np.nanargmin(values))
    value = float(values[index])
    is_farther = count.farthest is None or (
        value > count.farthest if limit.side is Side.ABOVE else value < count.farthest
    )
    if is_farther:
        count.farthest, count.farthest_s = value, float(steps.time_s[index])


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
