"""Serial numbers as people type them and codes as scanners read them.

A code is either a plain serial number or GS1 data: an element string as a scanner sends it
(symbology identifier, FNC1 as the control character GS), the same in brackets for people, or a
GS1 Digital Link address. Digits alone are never taken for GS1 data.
"""

import calendar
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import parse_qsl, unquote, urlsplit

from service.platform.arithmetic.errors import Inconsistent, OutOfRange, TradeError

# The GS1 elements a part's code can carry: their identifiers, lengths, check digits and dates.
#
# Source: GS1 General Specifications, sections 3.2 (list), 7.8.5 (predefined lengths), 7.9 (check
# digit), 7.11 (character sets), 7.12 (dates).


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
        """Return the value itself; OutOfRange naming the identifier where it is malformed."""
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
    """Return the element that begins a text. Raises OutOfRange for no known identifier."""
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
    """Compute the digit that completes a GS1 key. Weights 3 and 1 from the right, modulo 10.

    >>> check_digit("629104150021")
    3

    Source: GS1 General Specifications, section 7.9.
    """
    weighted = sum(int(digit) * (3, 1)[index % 2] for index, digit in enumerate(reversed(digits)))
    return -weighted % 10


def gtin_14(value: str) -> str:
    """Return a GTIN of 8, 12 or 13 digits filled up to 14 from the left; anything else as it is."""
    return value.zfill(14) if len(value) in {8, 12, 13} else value


def gtin_with_check_digit(ai: str, value: str) -> str:
    """Return the number itself where its last digit is right; OutOfRange otherwise."""
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
    """Return the day of YYMMDD. Day 00 is the month's last day.

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


FNC1 = "\x1d"
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
_GS1_SYMBOLOGIES = ("]C1", "]d2", "]e0", "]J1", "]Q3")
_EAN_SYMBOLOGIES = ("]E0", "]E4")
_BRACKET = re.compile(r"\((\d{2,4})\)")


@dataclass(frozen=True, slots=True)
class Scan:
    """What a code says. ``raw`` is the text as it came; the rest is None where it is not said.

    ``elements`` keeps every GS1 element in its order, as (application identifier, value).
    """

    serial: str | None
    lot: str | None = None
    gtin: str | None = None
    raw: str = ""
    expiry: date | None = None
    produced: date | None = None
    elements: tuple[tuple[str, str], ...] = ()


def serial_key(text: str) -> str:
    """Return what serial numbers are compared by. Case and surrounding space do not count.

    Composed and decomposed letters are one (Unicode NFC); nothing inside is collapsed.

    >>> serial_key("  tel-0012b ") == serial_key("TEL-0012B")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).strip().casefold())


def read_scan(text: str, *, year: int | None = None) -> Scan:
    """Read a typed or scanned code.

    A GTIN comes back with 14 digits. Where there is no serial (21), an individual asset
    identifier (8004) is taken for it. ``year`` is the present year for the century of dates
    written YYMMDD; without it they fall into the years 2000 to 2099.

    Raises OutOfRange naming the application identifier and the value where GS1 data are
    malformed, Inconsistent where one element says two different things or nothing is given.

    Source: GS1 General Specifications, sections 3 (application identifiers), 7.8 (element strings),
    7.12 (dates); GS1 Digital Link Standard: URI Syntax; ISO/IEC 15424 (symbology identifiers).
    """
    code = text.strip(" \t\r\n")
    if not code:
        raise Inconsistent("The code is empty: a serial number or a scanned code would be right.")
    symbology = _SYMBOLOGY.match(code)
    body = code[3:] if symbology else code
    if symbology and symbology[0] in _EAN_SYMBOLOGIES:
        return Scan(None, gtin=gtin_with_check_digit("01", gtin_14(body)), raw=text)
    if (symbology and symbology[0] in _GS1_SYMBOLOGIES) or FNC1 in body:
        elements = tuple(_element_string(body))
    elif re.match(r"\(\d", body):
        elements = tuple(_bracketed(body))
    elif body[:8].lower().startswith(("http://", "https://")) and (linked := _link(body)):
        elements = linked
    else:
        return Scan(serial=body, raw=text)
    return _understood(elements, text, year)


def serials_in(text: str) -> tuple[str, ...]:
    """Give the serials a text may mean: itself, and the one in the code it is.

    >>> serials_in("N-7"), serials_in("(21)N-7"), serials_in("(99999)x")
    (('N-7',), ('(21)N-7', 'N-7'), ('(99999)x',))
    """
    try:
        names = (text.strip(), read_scan(text).serial)
    except TradeError:
        names = (text.strip(), None)
    return tuple(dict.fromkeys(name for name in names if name))


def _element_string(body: str) -> Iterator[tuple[str, str]]:
    """The elements of a string without brackets, parted by length or by FNC1."""
    rest = body.lstrip(FNC1)
    while rest:
        element = element_of(rest)
        onward = rest[len(element.ai) :]
        if element.is_predefined:
            value, rest = onward[: element.longest], onward[element.longest :]
        else:
            value, _, rest = onward.partition(FNC1)
        yield element.ai, element.checked(value)
        rest = rest.removeprefix(FNC1)


def _bracketed(body: str) -> Iterator[tuple[str, str]]:
    """The elements of a string in which the identifiers stand in brackets.

    Brackets that hold no application identifier belong to the value they stand in.
    """
    matches = [m for m in _BRACKET.finditer(body) if m[1] in ELEMENTS or m.start() == 0]
    if not matches:
        raise OutOfRange(
            "the code", body, "", "an application identifier of 2 to 4 digits in brackets, as (21)"
        )
    ends = [match.start() for match in matches[1:]] + [len(body)]
    for match, end in zip(matches, ends, strict=True):
        element = element_of(match[1])
        if element.ai != match[1]:
            raise OutOfRange(
                "the application identifier", f"({match[1]})", "", "one that GS1 has assigned"
            )
        yield element.ai, element.checked(body[match.end() : end].rstrip(FNC1))


def _link(address: str) -> tuple[tuple[str, str], ...]:
    """The elements of a GS1 Digital Link address; none where it is another address."""
    parts = urlsplit(address)
    segments = [unquote(segment) for segment in parts.path.split("/") if segment]
    start = next((i for i, s in enumerate(segments[:-1]) if s in {"01", "8004"}), None)
    if start is None:
        return ()
    path = zip(segments[start::2], segments[start + 1 :: 2], strict=False)
    query = [(key, value) for key, value in parse_qsl(parts.query) if key in ELEMENTS]
    return tuple(
        (ai, element_of(ai).checked(gtin_14(value) if ai == "01" else value))
        for ai, value in [*path, *query]
    )


def _understood(elements: tuple[tuple[str, str], ...], raw: str, year: int | None) -> Scan:
    value_of: dict[str, str] = {}
    for ai, value in elements:
        if value_of.setdefault(ai, value) != value:
            raise Inconsistent(
                f"The code says ({ai}) twice: {value_of[ai]} and {value}. One value would be right."
            )
    return Scan(
        serial=value_of.get("21") or value_of.get("8004"),
        lot=value_of.get("10"),
        gtin=value_of.get("01"),
        raw=raw,
        expiry=_date_of("17", value_of, year),
        produced=_date_of("11", value_of, year),
        elements=elements,
    )


def _date_of(ai: str, elements: Mapping[str, str], year: int | None) -> date | None:
    return gs1_date(ai, elements[ai], year) if ai in elements else None


# How a part is called where its serial number or its lot is all there is.


TEMPORARY = "TEMP-"
"""Before the number of a part without a readable serial."""
_TEMPORARY = re.compile(rf"{TEMPORARY}([0-9]{{1,9}})", re.IGNORECASE)
NO_SERIAL = ("no serial", "not readable", "unmarked", "illegible")


def temporary_number(serial: str) -> int | None:
    """Return the number of a temporary identity; None for any other serial.

    >>> temporary_number("temp-12"), temporary_number("TEMP-12B")
    (12, None)
    """
    match = _TEMPORARY.fullmatch(serial.strip())
    return int(match[1]) if match else None


def has_no_serial(text: str) -> bool:
    """Say whether a list says of a part that no serial can be read.

    >>> has_no_serial(" No serial"), has_no_serial("N-12")
    (True, False)
    """
    return text.strip().casefold() in NO_SERIAL


def maker_key(maker: str) -> str:
    """Return what makers are compared by. Case and spaces do not count.

    >>> maker_key(" Ostrand  Films")
    'ostrand films'
    """
    return " ".join(maker.casefold().split())


def namesake_of(maker: str, others: Mapping[str, str]) -> str | None:
    """Return which namesake of one type a part may be the same as; None: makers tell it apart.

    ``others`` are their makers by key. An unknown maker may be any.

    >>> namesake_of("Ostrand", {"belmar": "Belmar"}) is None, namesake_of("", {"belmar": "Belmar"})
    (True, 'belmar')
    """
    key = maker_key(maker)
    if key in others:
        return key
    return next(iter(others), None) if not key else ("" if "" in others else None)


def part_label(
    serial: str | None, lot: str | None, item_number: int | None, maker: str = ""
) -> str:
    """Return what a person reads for a part: its serial, or its lot with the item's number.

    ``maker`` is said where another one gave the same serial.

    >>> part_label("TEL-M-0012", "M-4", None), part_label(None, "S-31", 7)
    ('TEL-M-0012', 'S-31 item 7')
    """
    if serial is not None:
        return f"{serial} ({maker})" if maker else serial
    return f"{lot or 'lot not known'} item {item_number}"
