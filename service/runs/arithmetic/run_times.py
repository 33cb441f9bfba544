"""When a run was: the times of a log as moments. Common practice, no source."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_columns import TimeKind
from service.runs.arithmetic.log_times import LogTimes

EARLIEST_S, LATEST_S = 0.0, 4.1e9
"""1970 and 2099: a clock that says otherwise was never set."""


@dataclass(frozen=True, slots=True)
class RunTimes:
    """The moment of the first row, and what its time is counted as, s from the log's zero."""

    began_at: datetime
    first_s: float

    def at(self, seconds: float) -> datetime:
        """The moment of a time in s from the log's zero.

        >>> from datetime import UTC
        >>> RunTimes(datetime(2026, 3, 7, 14, 20, tzinfo=UTC), 100.0).at(160.0).isoformat()
        '2026-03-07T14:21:00+00:00'
        """
        return self.began_at + timedelta(seconds=seconds - self.first_s)


def run_times(times: LogTimes, kind: TimeKind, began_at: datetime | None) -> RunTimes:
    """The moments of a log: by its own clock, or from when its first row was.

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
