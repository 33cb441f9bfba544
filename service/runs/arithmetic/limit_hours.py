"""Hours a channel of a log was above or below a limit, and how often.

A row's state holds until the next row. Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite
from service.runs.arithmetic.log_times import FloatArray, Steps

FORMULA = "limit hours 1"


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
