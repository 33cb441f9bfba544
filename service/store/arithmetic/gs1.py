"""The GS1 elements a part's code can carry: their identifiers, lengths, check digits and dates.

Source: GS1 General Specifications, sections 3.2 (list), 7.8.5 (predefined lengths), 7.9 (check
digit), 7.11 (character sets), 7.12 (dates).
"""

import calendar
import re
from dataclasses import dataclass
from datetime import date

from service.platform.arithmetic.errors import OutOfRange

_SET_82 = re.compile(r"""[!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]*""")


@dataclass(frozen=True, slots=True)
class Element:
    """One application identifier and what its value must look like."""

    ai: str
    title: str
    shortest: int
    longest: int
    is_digits: bool
    is_predefined: bool = False
    """has a length known beforehand, so that no FNC1 ends it"""

    def checked(self, value: str) -> str:
        """The value itself; OutOfRange naming the identifier where it is malformed."""
        name = f"({self.ai}) {self.title}"
        fits = self.shortest <= len(value) <= self.longest
        if self.is_digits:
            if not (fits and value.isascii() and value.isdigit()):
                raise OutOfRange(name, value or "empty", "", f"{self._length()} digits")
        elif not fits:
            raise OutOfRange(name, value or "empty", "", f"{self._length()} characters")
        elif not _SET_82.fullmatch(value):
            wrong = next(sign for sign in value if not _SET_82.fullmatch(sign))
            raise OutOfRange(
                name, value, "", f"letters, digits and the signs of GS1 set 82, not {wrong!r}"
            )
        if self.ai in {"00", "01", "02"}:
            return gtin_with_check_digit(self.ai, value)
        if self.title.endswith("date"):
            gs1_date(self.ai, value, None)
        return value

    def _length(self) -> str:
        return (
            f"{self.longest}"
            if self.shortest == self.longest
            else f"{self.shortest} to {self.longest}"
        )


def _predefined(ai: str, title: str, length: int) -> Element:
    return Element(ai, title, length, length, is_digits=True, is_predefined=True)


def _text(ai: str, title: str, longest: int, shortest: int = 1) -> Element:
    return Element(ai, title, shortest, longest, is_digits=False)


def _digits(ai: str, title: str, longest: int, shortest: int = 1) -> Element:
    return Element(ai, title, shortest, longest, is_digits=True)


ELEMENTS = {
    element.ai: element
    for element in (
        _predefined("00", "shipping unit", 18),
        _predefined("01", "GTIN", 14),
        _predefined("02", "GTIN of content", 14),
        _text("10", "lot", 20),
        _predefined("11", "production date", 6),
        _predefined("12", "due date", 6),
        _predefined("13", "packaging date", 6),
        _predefined("15", "best before date", 6),
        _predefined("16", "sell by date", 6),
        _predefined("17", "expiration date", 6),
        _predefined("20", "variant", 2),
        _text("21", "serial", 20),
        _text("22", "consumer variant", 20),
        _text("235", "third-party serial", 28),
        _text("240", "additional part number", 30),
        _text("241", "customer part number", 30),
        _digits("242", "made-to-order variation", 6),
        _text("243", "packaging component", 20),
        _text("250", "secondary serial", 30),
        _text("251", "source reference", 30),
        _text("254", "location extension", 20),
        _digits("30", "variable count", 8),
        _digits("37", "count of items", 8),
        *(_predefined(f"310{n}", "net mass", 6) for n in range(6)),
        *(_predefined(f"311{n}", "length", 6) for n in range(6)),
        *(_predefined(f"312{n}", "width", 6) for n in range(6)),
        *(_predefined(f"313{n}", "depth", 6) for n in range(6)),
        _text("400", "order number", 30),
        _predefined("410", "ship to location", 13),
        _predefined("411", "bill to location", 13),
        _predefined("412", "purchased from location", 13),
        _predefined("414", "location", 13),
        _digits("422", "country of origin", 3, 3),
        _digits("7003", "expiration date and time", 10, 10),
        _text("8004", "individual asset identifier", 30),
        _digits("8005", "price per unit", 6, 6),
        _digits("8008", "production date and time", 12, 8),
        _text("8012", "software version", 20),
        _text("8020", "payment slip", 25),
        _text("90", "agreed between partners", 30),
        *(_text(f"9{n}", "company internal", 90) for n in range(1, 10)),
    )
}


def element_of(text: str) -> Element:
    """Which element begins a text? OutOfRange where it is none of the known identifiers."""
    for length in (2, 3, 4):
        element = ELEMENTS.get(text[:length])
        if element and len(text) >= length:
            return element
    raise OutOfRange(
        "the application identifier",
        f"({text[:2]}…)" if len(text) > 2 else f"({text})",
        "",
        "one that a part's code can carry, as (01) GTIN, (10) lot, (21) serial",
    )


def check_digit(digits: str) -> int:
    """Which digit makes a GS1 key complete? Weights 3 and 1 from the right, modulo 10.

    >>> check_digit("629104150021")
    3

    Source: GS1 General Specifications, section 7.9.
    """
    weighted = sum(int(digit) * (3, 1)[at % 2] for at, digit in enumerate(reversed(digits)))
    return -weighted % 10


def gtin_14(value: str) -> str:
    """A GTIN of 8, 12 or 13 digits filled up to 14 from the left; anything else as it is."""
    return value.zfill(14) if len(value) in {8, 12, 13} else value


def gtin_with_check_digit(ai: str, value: str) -> str:
    """The number itself where its last digit is right; OutOfRange otherwise."""
    if not (value.isascii() and value.isdigit()):
        raise OutOfRange(f"({ai}) {ELEMENTS[ai].title}", value, "", "digits only")
    right = check_digit(value[:-1])
    if right != int(value[-1]):
        raise OutOfRange(
            f"({ai}) {ELEMENTS[ai].title}",
            value,
            "",
            f"a last digit of {right}, the check digit of {value[:-1]} (a misread digit?)",
        )
    return value


def gs1_date(ai: str, value: str, year: int | None) -> date:
    """Which day is YYMMDD? Day 00 is the month's last day.

    ``year`` is the present year: the date lies at most 49 years back and 50 ahead of it. Without
    it, the date lies in 2000 to 2099.

    Source: GS1 General Specifications, section 7.12 (century) and the notes on day 00 of each date.
    """
    name = f"({ai}) {ELEMENTS[ai].title}" if ai in ELEMENTS else f"({ai})"
    if not re.fullmatch(r"[0-9]{6}", value):
        raise OutOfRange(name, value, "", "a date as YYMMDD")
    two, month, day = int(value[:2]), int(value[2:4]), int(value[4:])
    if not 1 <= month <= 12:
        raise OutOfRange(name, value, "", f"a month of 01 to 12 in YYMMDD, not {month:02}")
    full = _full_year(two, year)
    last = calendar.monthrange(full, month)[1]
    if day > last:
        raise OutOfRange(name, value, "", f"a day of 00 to {last} in that month, not {day:02}")
    return date(full, month, day or last)


def _full_year(two: int, year: int | None) -> int:
    if year is None:
        return 2000 + two
    ahead = two - year % 100
    century = year - year % 100
    if ahead > 50:
        century -= 100
    elif ahead < -49:
        century += 100
    return century + two
