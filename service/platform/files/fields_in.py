"""How the cells of a list are read: days, numbers and words. Common practice, no source."""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.platform.arithmetic.dates import parse_date
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.vocabulary import Usability
from service.platform.errors import Refused
from service.platform.files.days import noon
from service.platform.files.tables_in import Cell, text_of

USABILITY_WORDS = {
    Usability.NOT_INSPECTED: ("not inspected", "uninspected", "new", "to be inspected",
                              "ungeprüft", "nicht geprüft", "neu", "offen"),
    Usability.ACCEPTED: ("accepted", "ok", "o.k.", "i.o.", "io", "good", "pass", "passed",
                         "approved", "freigegeben", "frei", "gut", "in ordnung"),
    Usability.ACCEPTED_USED: ("accepted used", "accepted, used", "used", "used ok", "reusable",
                              "gebraucht", "gebraucht frei", "wiederverwendbar"),
    Usability.REJECTED: ("rejected", "nok", "n.i.o.", "nio", "bad", "fail", "failed", "not ok",
                         "gesperrt endgültig", "ausschuss", "abgelehnt"),
    Usability.ON_HOLD: ("on hold", "hold", "held", "blocked", "quarantine", "quarantined",
                        "gesperrt"),
    Usability.UNDER_CONCESSION: ("under concession", "concession", "sonderfreigabe"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reading:
    """How cells are to be read: the lab's zone, the present, which mark is decimal, day first."""

    zone: ZoneInfo
    now: datetime
    day_first: bool = False
    decimal: str | None = None


def day_in(cell: Cell, field: str, how: Reading, *, ahead: bool = False) -> datetime | None:
    """Return the day in a cell, kept as noon; None where it is empty. Raises Refused."""
    if cell is None or cell == "":
        return None
    text = text_of(cell)
    try:
        day = cell.date() if isinstance(cell, datetime) else None
        day = day or parse_date(text, day_first=how.day_first)
    except OutOfRange as trouble:
        raise Refused(field, text, "not a date.", f"Right: {trouble.allowed}.") from None
    time = noon(day, how.zone, how.now)
    if time is not None and not ahead and time > how.now + timedelta(minutes=5):
        raise Refused(field, text, "it lies ahead.", "A day up to today would be right.")
    return time


def number_in(cell: Cell, field: str, how: Reading) -> float | None:
    """Return the number in a cell; None where it is empty. Raises Refused."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, int | float):
        value = float(cell)
    else:
        try:
            value = read_number(text_of(cell), decimal=how.decimal)
        except OutOfRange as trouble:
            right = f"Right: {trouble.allowed}; an empty cell where it is not known."
            raise Refused(field, text_of(cell), "not a number.", right) from None
    if not math.isfinite(value):
        raise Refused(field, text_of(cell), "not a number.", "Digits, such as 12.5.")
    return value


UNKNOWN_WORDS = frozenset({"unknown", "not known", "?", "unbekannt", "nicht bekannt"})


def is_unknown(cell: Cell) -> bool | None:
    """Say whether a cell says that nobody knows, which is no zero; None: it is empty."""
    words = text_of(cell) if cell is not None else ""
    return words.casefold() in UNKNOWN_WORDS if words else None


def whole_in(cell: Cell, field: str, how: Reading, *, least: int = 0) -> int | None:
    """Return the whole number in a cell; None where it is empty. Raises Refused."""
    value = number_in(cell, field, how)
    if value is None:
        return None
    if not value.is_integer() or value < least or value > 10_000_000:
        right = f"A whole number of {least} or more would be right."
        raise Refused(field, text_of(cell), "this is no whole number that fits.", right)
    return int(value)


def usability_in(cell: Cell, field: str) -> Usability:
    """Return what may be done with the part; empty means not inspected. Raises Refused."""
    text = text_of(cell)
    word = text.casefold()
    if not word:
        return Usability.NOT_INSPECTED
    for usability, words in USABILITY_WORDS.items():
        if word in words:
            if usability in {Usability.ON_HOLD, Usability.UNDER_CONCESSION}:
                how = "placed with its reason once the part is here"
                raise Refused(field, text, f"a hold or concession is {how}.", "Leave it empty.")
            return usability
    allowed = ", ".join(
        word for word in Usability if word not in {Usability.ON_HOLD, Usability.UNDER_CONCESSION}
    )
    raise Refused(field, text, "this word is not known here.", f"Right: {allowed}.")
