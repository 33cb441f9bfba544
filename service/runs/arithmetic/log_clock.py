"""How the times of a log are written, found from a sample of them. Common practice, no source."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

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
    """How are these dates (with or without time of day) written? None where they are none.

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
    found = [_YEAR_LAST.match(text) for text in filled]
    parts = [one.groups() for one in found if one]
    if len(parts) < len(filled):
        return None
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
    """Are these hours, minutes and seconds alone?

    >>> is_time_of_day(["10:00:01", "10:00:02"]), is_time_of_day(["2026-03-07 10:00"])
    (True, False)
    """
    filled = [text for text in texts if text.strip()]
    return bool(filled) and all(_OF_DAY.match(text) for text in filled)


def counted_since(values: Sequence[float], *, says_date: bool) -> Written | None:
    """Are these numbers clock times: since 1970, or days as sheets count them?

    >>> counted_since([1.767e9], says_date=False).pattern
    's since 1970'
    """
    if not values:
        return None
    least, most = min(values), max(values)
    if least >= 8e8 and most <= 5e9:
        return Written(SECONDS)
    if least >= 8e11 and most <= 5e12:
        return Written(MILLISECONDS)
    if says_date and least >= 3e4 and most <= 8e4:
        return Written(DAY_NUMBER, "The times are read as days since 1899-12-30, as sheets count.")
    return None
