"""Time in a test bench's log: rows whose spacing changes, gaps, a clock that was set back.

Times are in s from any zero: since 1970-01-01 UTC for a log with clock times, since its beginning
for one that counts. A row's state holds until the next row; a gap longer than is stated is no
running time. Common practice, no source.
"""

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero

FORMULA = "log times 1"
LONGEST_GAP_S = 300.0
"""Longest time between two rows that still counts as running."""
MOST_BACK_S = 5.0
"""A clock set back by no more than this is let pass: the rows meanwhile stand still."""
GAPS_KEPT = 50
SPACINGS_KEPT = 500

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Steps:
    """Rows of one chunk, shape (n,): their times and the running time that ends at each.

    ``time_s`` never goes back; ``seconds`` is 0 at the log's first row and behind a gap.
    """

    time_s: FloatArray
    seconds: FloatArray
    is_behind_gap: BoolArray


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without rows, from the last row before it, s."""

    begins_s: float
    ends_s: float


@dataclass(frozen=True, slots=True)
class LogTimes:
    """Rows and time of a log: hours between rows, hours in gaps, the usual spacings.

    ``gaps`` holds the first ones, ``gap_count`` counts all; ``spacings`` are (s, rows), the most
    frequent first; ``steps_back`` counts rows whose clock was a little behind the row before.
    """

    rows: int
    first_s: float
    last_s: float
    running_h: float
    gap_h: float
    gap_count: int
    gaps: tuple[Gap, ...]
    spacings: tuple[tuple[float, int], ...]
    steps_back: int

    @property
    def whole_h(self) -> float:
        """Hours from the first row to the last, gaps among them."""
        return (self.last_s - self.first_s) / 3600


@dataclass(slots=True)
class LogClock:
    """Takes the times of a log chunk by chunk, in order; memory does not grow with the rows.

    >>> clock = LogClock()
    >>> clock.feed(np.array([0.0, 1.0, 2.0, 32.0])).seconds
    array([ 0.,  1.,  1., 30.])
    >>> clock.feed(np.array([2032.0])).seconds  # 2000 s without a row: a gap
    array([0.])
    >>> result = clock.result()
    >>> result.running_h * 3600, result.gap_count, result.spacings
    (32.0, 1, ((1.0, 2), (30.0, 1)))
    """

    longest_gap_s: float = LONGEST_GAP_S
    most_back_s: float = MOST_BACK_S
    _rows: int = 0
    _first: float = 0.0
    _last: float = 0.0
    _running: float = 0.0
    _gap: float = 0.0
    _gap_count: int = 0
    _back: int = 0
    _gaps: list[Gap] = field(default_factory=list)
    _spacings: Counter[float] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        """Refuse a gap that is no length."""
        more_than_zero("the longest time between two rows", self.longest_gap_s, "s")
        not_below_zero("the most a clock may go back", self.most_back_s, "s")

    def feed(self, time_s: FloatArray) -> Steps:
        """Take the next rows. Raises Inconsistent where a time is missing or goes back too far."""
        if not len(time_s):
            return Steps(time_s, time_s, np.zeros(0, np.bool_))
        if not np.isfinite(time_s).all():
            at = int(np.flatnonzero(~np.isfinite(time_s))[0])
            raise Inconsistent(f"Row {self._rows + at + 1} of the log has no time.")
        before = self._last if self._rows else float(time_s[0])
        raw = np.diff(time_s, prepend=before)
        if raw.min() < 0:
            time_s = self._forward(time_s, before)
            raw = np.diff(time_s, prepend=before)
        is_gap = raw > self.longest_gap_s
        seconds = np.where(is_gap, 0.0, raw)
        self._note(time_s, raw, is_gap, before)
        return Steps(time_s, seconds, is_gap)

    def _forward(self, time_s: FloatArray, before: float) -> FloatArray:
        """The same without steps back, where they are small."""
        never_back = np.maximum(np.maximum.accumulate(time_s), before)
        behind = never_back - time_s
        far = np.flatnonzero(behind > self.most_back_s)
        if len(far):
            at = int(far[0])
            raise Inconsistent(
                f"Row {self._rows + at + 1} of the log is {behind[at]:.0f} s earlier than a row"
                " before it. Rows must be in order of time; a clock set back, a change from"
                " summer time or two logs in one file are the usual causes."
            )
        self._back += int(np.count_nonzero(behind > 0))
        return never_back

    def _note(self, time_s: FloatArray, raw: FloatArray, is_gap: BoolArray, before: float) -> None:
        if not self._rows:
            self._first = float(time_s[0])
            raw, is_gap = raw[1:], is_gap[1:]
            starts = time_s[:-1]
        else:
            starts = np.concatenate(([before], time_s[:-1]))
        self._rows += len(time_s)
        self._last = float(time_s[-1])
        gap_at = np.flatnonzero(is_gap)
        self._gap_count += len(gap_at)
        self._gap += float(raw[gap_at].sum())
        for at in gap_at[: max(0, GAPS_KEPT - len(self._gaps))]:
            self._gaps.append(Gap(float(starts[at]), float(starts[at] + raw[at])))
        running = raw[~is_gap] if len(gap_at) else raw
        self._running += float(running.sum())
        rounded, counts = np.unique(_rounded(running), return_counts=True)
        for spacing, count in zip(rounded[:SPACINGS_KEPT], counts[:SPACINGS_KEPT], strict=True):
            if spacing in self._spacings or len(self._spacings) < SPACINGS_KEPT:
                self._spacings[float(spacing)] += int(count)

    def result(self) -> LogTimes:
        """What was found so far. Raises Inconsistent where there was no row."""
        if not self._rows:
            raise Inconsistent("The log has no row.")
        return LogTimes(
            self._rows,
            self._first,
            self._last,
            self._running / 3600,
            self._gap / 3600,
            self._gap_count,
            tuple(self._gaps),
            tuple(sorted(self._spacings.items(), key=lambda one: (-one[1], one[0]))),
            self._back,
        )


def _rounded(seconds: FloatArray) -> FloatArray:
    """To whole seconds, below one to hundredths."""
    rounded: FloatArray = np.rint(seconds)
    is_short = ~(seconds >= 0.95)
    if is_short.any():
        rounded[is_short] = np.round(seconds[is_short], 2)
    return rounded
