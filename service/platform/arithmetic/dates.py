"""Dates and times as laboratories write them."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from enum import StrEnum

from service.platform.arithmetic.errors import OutOfRange

_ISO_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})|(\d{4})(\d{2})(\d{2})")
_DAY_FIRST = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})\.?")
_TIME = re.compile(
    r"(?:(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<part>\d+))?)?"
    r"|(?P<hour_>\d{2})(?:(?P<minute_>\d{2})(?:(?P<second_>\d{2})(?:[.,](?P<part_>\d+))?)?)?)"
)
_ZONE = re.compile(r"(.*?)\s*(Z|z|[+\u2212-]\d{2}(?::?\d{2})?)")


@dataclass(frozen=True, slots=True)
class AsOf:
    """Which state is asked for: as it was ``on`` a date, as it was ``known_at`` a time; None: now.

    Pages and API read the same pair, under these names.
    """

    on: datetime | None = None
    known_at: datetime | None = None

    @property
    def is_then(self) -> bool:
        """Say whether another state than the present one, as known now, is asked for."""
        return self.on is not None or self.known_at is not None

    def until(self, now: datetime) -> datetime:
        """Return up to when the state asked for counts calendar hours."""
        return self.on or self.known_at or now

    def has(self, *, happened_at: datetime, written_at: datetime | None = None) -> bool:
        """Say whether what happened and was written down at these times belongs to the state."""
        known_from = happened_at if written_at is None else written_at
        return (self.on is None or happened_at <= self.on) and (
            self.known_at is None or known_from <= self.known_at
        )


PRESENT = AsOf()


class Known(StrEnum):
    """How much is known of a time of which old paper gives no time of day."""

    YEAR = "year"
    MONTH = "month"
    DAY = "day"


@dataclass(frozen=True, slots=True)
class Span:
    """The span in which something happened, up to but not including ``until``.

    ``known`` is what the paper gave of its date; None: the time itself, and no span. The calendar
    is that of UTC.
    """

    begins: datetime
    until: datetime
    known: Known | None = None

    def overlaps(self, other: "Span") -> bool:
        """Say whether either may have come first."""
        return self.begins < other.until and other.begins < self.until

    def moment(
        self,
        after: datetime | None = None,
        before: datetime | None = None,
        now: datetime | None = None,
    ) -> datetime:
        """Return the moment that stands for the span: it keeps its place in order, and ``known``.

        It lies a little after the span begins, or after ``after``, so that what is entered later
        finds room behind it. Raises OutOfRange where ``before`` or ``now`` leaves none.
        """
        least = max(self.begins, after or self.begins)
        most = min(before or self.until, self.until)
        if self.known is None and least == self.begins <= most:
            return self.begins
        most = min(most, now or most)
        if most - least < timedelta(seconds=4):
            raise OutOfRange("date", written(self.begins, self.known), "", "another order")
        at = least + timedelta(seconds=max(1, (most - least) // timedelta(seconds=64)))
        return as_kept(at.replace(microsecond=_FIRST_CODE + _KNOWN.index(self.known)))


class PartialTime(datetime):
    """The moment within its span that stands for a partial date.

    It is kept in the columns where times are kept, so that order and “as of” hold for it as for
    any time: the last three microseconds of its second say what is known (year, month, day).
    """

    def __format__(self, form: str) -> str:
        """Write what is known of it, whatever form is asked for: no day or hour nobody gave."""
        return in_words(self, form=form)


_FIRST_CODE = 999_997
_KNOWN = tuple(Known)


def as_kept(at: datetime) -> datetime:
    """Return a time as it is kept: a partial date where its microseconds say so."""
    if at.microsecond < _FIRST_CODE:
        return at
    return PartialTime.combine(at.date(), at.timetz())


def to_keep(at: datetime) -> datetime:
    """Return a time to be kept: one read from a clock is never taken for a partial date."""
    if at.microsecond < _FIRST_CODE:
        return at
    if isinstance(at, PartialTime):
        return datetime.combine(at.date(), at.timetz())
    return at.replace(microsecond=_FIRST_CODE - 1)


def span_of(at: datetime) -> Span:
    """Return when something happened: the time itself, or the span its date leaves.

    >>> at = parse_partial("1998-05")
    >>> at and span_of(at).until.isoformat()
    '1998-06-01T00:00:00+00:00'
    """
    if not isinstance(at, PartialTime) or at.microsecond < _FIRST_CODE:
        return Span(at, at)
    known, day = _KNOWN[at.microsecond - _FIRST_CODE], at.astimezone(UTC).date()
    first = day.replace(day=1 if known is not Known.DAY else day.day)
    first = first.replace(month=1) if known is Known.YEAR else first
    months = {Known.YEAR: 12, Known.MONTH: 1, Known.DAY: 0}[known]
    years, month = divmod(first.month - 1 + months, 12)
    after = date(first.year + years, month + 1, first.day) + timedelta(days=known is Known.DAY)
    begins, until = (datetime.combine(each, time(), UTC) for each in (first, after))
    return Span(begins, until, known)


def parse_partial(text: str) -> datetime | None:
    """Read a year, a year and month, or a day without a time; None for anything else.

    Raises OutOfRange as `parse_date` does.
    """
    digits = text.strip()
    if not re.fullmatch(r"\d{4}(-\d{2}){0,2}", digits):
        return None
    known = _KNOWN[digits.count("-")]
    day = parse_date(digits + "-01" * (2 - digits.count("-")))
    code = _FIRST_CODE + _KNOWN.index(known)
    return span_of(PartialTime.combine(day, time(microsecond=code), UTC)).moment()


def written(at: datetime, known: Known | None = None) -> str:
    """Write a time after ISO 8601, a partial date with reduced precision: 1998-05."""
    known = known or span_of(at).known
    if known is None:
        return at.isoformat()
    return at.astimezone(UTC).strftime("%Y-%m-%d")[: (4, 7, 10)[_KNOWN.index(known)]]


def in_words(at: datetime, zone: tzinfo = UTC, form: str = "%Y-%m-%d %H:%M") -> str:
    """Write a time for people, of a partial date what is known: 1998, May 1998, 1998-05-12.

    ``form`` is that of a time read from a clock.
    """
    known = span_of(at).known
    forms = {Known.YEAR: "%Y", Known.MONTH: "%B %Y", Known.DAY: "%Y-%m-%d"}
    return at.astimezone(UTC if known else zone).strftime(forms[known] if known else form)


def in_utc(at: datetime) -> str:
    """Write a time inside a message, in UTC and saying so; pages show times in the lab's zone."""
    return in_words(at, form="%Y-%m-%d %H:%M UTC")


def as_asked(at: datetime, zone: tzinfo) -> str:
    """Write a time as a form asks for it."""
    return written(at) if span_of(at).known else f"{at.astimezone(zone):%Y-%m-%d %H:%M}"


def hours_between(first: datetime, then: datetime) -> float | None:
    """Return the hours from one time to another; None where a partial date leaves them unknown."""
    if span_of(first).known or span_of(then).known:
        return None
    return (then - first).total_seconds() / 3600


_RIGHT = "a date such as 2026-03-07{day_first}"
_RIGHT_ZONE = "a time with its zone, such as 2026-03-07T14:20Z or 2026-03-07T15:20+01:00"
_RIGHT_TIME = "a date and time such as 2026-03-07 14:20{day_first}"


def parse_date(text: str, *, day_first: bool = False) -> date:
    """Read the day that is written here.

    ISO 8601 (2026-03-07, 20260307), 07.03.2026 (day, month, year: points are written in no other
    order), and with ``day_first`` also 7/3/2026 and 7-3-2026. Years have four digits, 1900 to
    2199: anything else is a slip of the pen.

    Raises OutOfRange, saying what would be right.

    Source: ISO 8601-1:2019, 5.2.2 (calendar dates); day-first forms are common practice, no source.
    """
    written = text.strip()
    if iso := _ISO_DATE.fullmatch(written):
        year, month, day = (int(part) for part in iso.groups() if part)
    elif (local := _DAY_FIRST.fullmatch(written)) and (local[2] == "." or day_first):
        day, month, year = int(local[1]), int(local[3]), int(local[4])
    elif local:
        raise OutOfRange(
            "date", written, "", "2026-03-07, or a word on which comes first, day or month"
        )
    else:
        raise OutOfRange("date", written or "empty", "", _say(_RIGHT, day_first))
    if not 1900 <= year <= 2199:
        raise OutOfRange("date", written, "", "a year from 1900 to 2199")
    try:
        return date(year, month, day)
    except ValueError:
        raise OutOfRange(
            "date", written, "", f"a day of the calendar (read as day {day}, month {month})"
        ) from None


def parse_when(
    text: str, zone: tzinfo | None, *, day_first: bool = False, needs_time: bool = False
) -> datetime:
    """Read the moment written here, always with a zone: ``zone`` where the text names none.

    A date as in parse_date, then "T" or a space, then hours and minutes, with or without seconds
    and their decimals (point or comma), extended (14:20:00) or basic (142000); then nothing, Z, or
    an offset as +01:00. A date alone is the beginning of that day. 24:00 is the beginning of
    the next day. Decimals are kept to the microsecond, the rest is cut off.

    Where ``zone`` is None the text has to name one; with ``needs_time`` a date alone is refused.

    In the hour that comes twice when clocks go back, the first is meant.

    Raises OutOfRange, saying what would be right; also for an hour that clocks leapt over.

    Source: ISO 8601-1:2019, 5.3 (time of day), 5.4 (date and time), 4.3.13 (UTC offset).
    """
    written = text.strip()
    day_text, parted, time_text = _parted(written)
    if not day_text:
        raise OutOfRange("date and time", "empty", "", _say(_RIGHT_TIME, day_first))
    day = parse_date(day_text, day_first=day_first)
    offset: tzinfo | None = None
    if parted and (zoned := _ZONE.fullmatch(time_text)):
        time_text, offset = zoned[1], _offset(zoned[2], written)
    if needs_time and not parted:
        raise OutOfRange("date and time", written, "", _say(_RIGHT_TIME, day_first))
    hour, minute, second, microsecond = _time(time_text, written, day_first) if parted else (0,) * 4
    place = offset or zone
    if place is None:
        raise OutOfRange("date and time", written, "", _RIGHT_ZONE)
    is_next_day = hour == 24
    moment = datetime(
        day.year, day.month, day.day, hour % 24, minute, second, microsecond, tzinfo=place
    )
    if is_next_day:
        moment += timedelta(days=1)
    if offset is None and moment.astimezone(UTC).astimezone(place) != moment.replace(fold=0):
        raise OutOfRange(
            "date and time", written, "", f"a time of the zone {zone}: clocks leapt over this one"
        )
    return moment


def parse_asked(text: str, zone: tzinfo) -> datetime:
    """Read the time up to which a state is asked for, as `parse_when` does.

    A day alone is meant to its end, and so is a minute written without seconds: what happened at
    14:20 belongs to the state of 14:20. Raises OutOfRange.
    """
    written = text.strip()
    _, has_time, time_text = _parted(written)
    asked = parse_when(written, zone)
    if not has_time:
        return datetime.combine(asked.date(), time(23, 59, 59), zone)
    zoned = _ZONE.fullmatch(time_text)
    match = _TIME.fullmatch(zoned[1] if zoned else time_text)
    has_seconds = match is not None and (match["second"] or match["second_"]) is not None
    return asked if has_seconds else asked + timedelta(seconds=59)


def _parted(written: str) -> tuple[str, bool, str]:
    """The date, whether a time follows, and that time."""
    match = re.fullmatch(r"([^\sTt]+)(?:[Tt]|,?\s+)(.*)", written, re.DOTALL)
    return (match[1].rstrip(","), True, match[2].strip()) if match else (written, False, "")


def _time(text: str, written: str, day_first: bool) -> tuple[int, int, int, int]:
    match = _TIME.fullmatch(text)
    if not match:
        raise OutOfRange("date and time", written, "", _say(_RIGHT_TIME, day_first))
    hour, minute, second = (
        int(match[name] or match[name + "_"] or 0) for name in ("hour", "minute", "second")
    )
    microsecond = int((match["part"] or match["part_"] or "0")[:6].ljust(6, "0"))
    at_midnight = hour == 24 and not (minute or second or microsecond)
    if not (hour < 24 or at_midnight) or minute > 59 or second > 59:
        raise OutOfRange("date and time", written, "", "a time of day from 00:00:00 to 24:00")
    return hour, minute, second, microsecond


def _offset(text: str, written: str) -> tzinfo:
    if text in {"Z", "z"}:
        return UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 23 or minutes > 59:
        raise OutOfRange("date and time", written, "", "an offset such as +01:00")
    ahead = timedelta(hours=hours, minutes=minutes)
    return timezone(ahead if text[0] == "+" else -ahead)


def _say(right: str, day_first: bool) -> str:
    return right.format(day_first=", or 7/3/2026 with the day first" if day_first else "")
