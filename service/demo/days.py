"""When things happen in the invented history: so many weeks ago, on a weekday, at a time of day.

The last entries are of the last working day before the history is made, so that it ends "today"
at whatever hour somebody starts it, and nothing lies ahead.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.platform.arithmetic.dates import Known, Span

MON, TUE, WED, THU, FRI = range(5)
LAST_WORKING_DAY = 9
"""Stands for a weekday in week 0: the last working day before today."""


@dataclass(frozen=True, slots=True, order=True)
class When:
    """A moment of the history; the smaller is the earlier one."""

    weeks: int
    """minus the number of weeks ago"""
    weekday: int
    clock: str
    """time of day in the laboratory, such as 08:40"""


def ago(weeks: int, weekday: int, clock: str) -> When:
    """Return the time so many weeks ago, on a weekday, at a time of day in the laboratory."""
    return When(-weeks, weekday, clock)


def last_working_day(clock: str) -> When:
    """Return a time on the last working day before the history is made."""
    return When(0, LAST_WORKING_DAY, clock)


@dataclass(frozen=True, slots=True)
class Days:
    """Turns moments of the history into times, counted back from ``now``."""

    now: datetime
    zone: ZoneInfo

    def day(self, when: When) -> date:
        """Return the calendar day in the laboratory."""
        today = self.now.astimezone(self.zone).date()
        if when.weekday == LAST_WORKING_DAY:
            back = {0: 3, 6: 2}.get(today.weekday(), 1)
            return today - timedelta(days=back)
        monday = today - timedelta(days=today.weekday())
        return monday + timedelta(weeks=when.weeks, days=when.weekday)

    def at(self, when: When) -> datetime:
        """Return the moment as a time with its zone."""
        return datetime.combine(self.day(when), time.fromisoformat(when.clock), self.zone)

    def month(self, weeks: int) -> datetime:
        """Return the month of that week alone, as an old label gives it."""
        first = self.noon(weeks).astimezone(UTC).replace(day=1, hour=0)
        return Span(first, first + timedelta(days=28), Known.MONTH).moment()

    def noon(self, weeks: int, weekday: int = MON) -> datetime:
        """Return a day without a time of day, as the records keep it."""
        return self.at(ago(weeks, weekday, "12:00"))
