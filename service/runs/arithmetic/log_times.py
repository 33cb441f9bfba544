"""Time in a test bench's log: rows whose spacing changes, gaps, a clock that was set back.

Times are in s from any zero: since 1970-01-01 UTC for a log with clock times, since its beginning
for one that counts. A row's state holds until the next row; a gap longer than is stated is no
running time. Common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero
from service.runs.arithmetic.log_columns import TimeKind

LONGEST_GAP_S = 300.0
"""Longest time between two rows that still counts as running."""
MOST_BACK_S = 5.0
"""A clock set back by no more than this is let pass: the rows meanwhile stand still."""
# Enough to show somebody; all gaps and nearly all spacings are counted, memory stays small.
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
            index = int(np.flatnonzero(~np.isfinite(time_s))[0])
            raise Inconsistent(f"Row {self._rows + index + 1} of the log has no time.")
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
            index = int(far[0])
            raise Inconsistent(
                f"Row {self._rows + index + 1} of the log is {behind[index]:.0f} s earlier than a"
                " row before it. Rows must be in order of time; a clock set back, a change from"
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
        for gap in gap_at[: max(0, GAPS_KEPT - len(self._gaps))]:
            self._gaps.append(Gap(float(starts[gap]), float(starts[gap] + raw[gap])))
        running = raw[~is_gap] if len(gap_at) else raw
        self._running += float(running.sum())
        rounded, counts = np.unique(_rounded(running), return_counts=True)
        for spacing, count in zip(rounded[:SPACINGS_KEPT], counts[:SPACINGS_KEPT], strict=True):
            if spacing in self._spacings or len(self._spacings) < SPACINGS_KEPT:
                self._spacings[float(spacing)] += int(count)

    def result(self) -> LogTimes:
        """Return what was found so far. Raises Inconsistent where there was no row."""
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
            tuple(sorted(self._spacings.items(), key=lambda gap: (-gap[1], gap[0]))),
            self._back,
        )


def _rounded(seconds: FloatArray) -> FloatArray:
    """To whole seconds, below one to hundredths."""
    rounded: FloatArray = np.rint(seconds)
    # below what rounds to a whole second; not-a-number comes along
    is_short = ~(seconds >= 0.95)
    if is_short.any():
        rounded[is_short] = np.round(seconds[is_short], 2)
    return rounded


# How the times of a log are written, found from a sample of them. Common practice, no source.


_YEAR_FIRST = re.compile(r"\s*\d{4}[-/.]\d{1,2}[-/.]\d{1,2}(?:[T\s].*)?$")


_YEAR_LAST = re.compile(r"\s*(\d{1,2})([-/.])(\d{1,2})\2\d{2,4}(?:[\s,].*)?$")


_OF_DAY = re.compile(r"\s*\d{1,4}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp][Mm])?\s*$")


YEAR_FIRST = "2026-03-07 14:20:05"


DAY_FIRST = "07.03.2026 14:20:05"


MONTH_FIRST = "03/07/2026 14:20:05"


SECONDS = "s since 1970"


MILLISECONDS = "ms since 1970"


DAY_NUMBER = "day number"


@dataclass(frozen=True, slots=True)
class Written:
    """How clock times are written, one of log_columns.PATTERNS; ``doubt`` in words, or ""."""

    pattern: str
    doubt: str = ""


def clock_in(texts: Sequence[str]) -> Written | None:
    """Find how these dates (with or without time of day) are written; None where they are none.

    >>> clock_in(["13/02/2026 10:00"]).pattern, clock_in(["02/13/2026 10:00"]).pattern
    ('07.03.2026 14:20:05', '03/07/2026 14:20:05')
    >>> clock_in(["0.5", "1.0"]) is None
    True
    """
    filled = [text for text in texts if text.strip()]
    if not filled:
        return None
    if all(_YEAR_FIRST.match(text) for text in filled):
        return Written(YEAR_FIRST)
    matches = [_YEAR_LAST.match(text) for text in filled]
    parts = [match.groups() for match in matches if match]
    if len(parts) < len(filled):
        return None
    # No month is above 12: one such number tells days from months for the whole column.
    if any(int(second) > 12 for _, _, second in parts):
        return Written(MONTH_FIRST)
    if parts[0][1] != "/" or any(int(first) > 12 for first, _, _ in parts):
        return Written(DAY_FIRST)
    return Written(
        DAY_FIRST,
        f"“{filled[0].strip()}” is read as day/month/year; nothing in the first rows says that it"
        " is not month/day/year.",
    )


def is_time_of_day(texts: Sequence[str]) -> bool:
    """Say whether these are hours, minutes and seconds alone.

    >>> is_time_of_day(["10:00:01", "10:00:02"]), is_time_of_day(["2026-03-07 10:00"])
    (True, False)
    """
    filled = [text for text in texts if text.strip()]
    return bool(filled) and all(_OF_DAY.match(text) for text in filled)


def counted_since(values: Sequence[float], *, says_date: bool) -> Written | None:
    """Say whether these numbers are clock times: since 1970, or days as sheets count them.

    >>> counted_since([1.767e9], says_date=False).pattern
    's since 1970'
    """
    if not values:
        return None
    least, most = min(values), max(values)
    # 8e8 s is 1995, 5e9 s is 2128: no reading, counter or pressure of a log looks like that; a
    # thousandfold in ms. Days of sheets 3e4 to 8e4 are 1982 to 2119, and only taken where the
    # heading says that it is a date.
    if least >= 8e8 and most <= 5e9:
        return Written(SECONDS)
    if least >= 8e11 and most <= 5e12:
        return Written(MILLISECONDS)
    if says_date and least >= 3e4 and most <= 8e4:
        return Written(DAY_NUMBER, "The times are read as days since 1899-12-30, as sheets count.")
    return None


# When a run was: the times of a log as moments. Common practice, no source.


EARLIEST_S, LATEST_S = 0.0, 4.1e9
"""1970 and 2099: a clock that says otherwise was never set."""


@dataclass(frozen=True, slots=True)
class RunTimes:
    """The moment of the first row, and what its time is counted as, s from the log's zero."""

    began_at: datetime
    first_s: float

    def at(self, seconds: float) -> datetime:
        """Return the moment of a time in s from the log's zero.

        >>> from datetime import UTC
        >>> RunTimes(datetime(2026, 3, 7, 14, 20, tzinfo=UTC), 100.0).at(160.0).isoformat()
        '2026-03-07T14:21:00+00:00'
        """
        return self.began_at + timedelta(seconds=seconds - self.first_s)


def run_times(times: LogTimes, kind: TimeKind, began_at: datetime | None) -> RunTimes:
    """Return the moments of a log: by its own clock, or from when its first row was.

    Raises Inconsistent where the clock was never set, or a log that counts from its beginning has
    no beginning.
    """
    if kind is TimeKind.CLOCK:
        if not EARLIEST_S <= times.first_s <= times.last_s <= LATEST_S:
            raise Inconsistent("The log's clock was never set: its times lie outside 1970 to 2099.")
        return RunTimes(datetime.fromtimestamp(times.first_s, UTC), times.first_s)
    if began_at is None:
        raise Inconsistent(
            "The log counts time from its own beginning: say when its first row was."
        )
    begins_s = (began_at - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    if not EARLIEST_S <= begins_s <= begins_s + times.last_s - times.first_s <= LATEST_S:
        lasts_h = (times.last_s - times.first_s) / 3600
        raise Inconsistent(
            f"The log lasts {lasts_h:.6g} h from its beginning: its times lie outside 1970 to 2099."
            " The beginning, or the unit of its time, is another."
        )
    return RunTimes(began_at, times.first_s)
