"""Serial numbers as people type them and codes as scanners read them.

A code is either a plain serial number or GS1 data: an element string as a scanner sends it
(symbology identifier, FNC1 as the control character GS), the same in brackets for people, or a
GS1 Digital Link address. Digits alone are never taken for GS1 data.
"""

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import parse_qsl, unquote, urlsplit

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.store.arithmetic.gs1 import (
    ELEMENTS,
    element_of,
    gs1_date,
    gtin_14,
    gtin_with_check_digit,
)

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
    """By what are two serial numbers compared? Case and surrounding space do not count.

    Composed and decomposed letters are one (Unicode NFC); nothing inside is collapsed.

    >>> serial_key("  tel-0012b ") == serial_key("TEL-0012B")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).strip().casefold())


def read_scan(text: str, *, year: int | None = None) -> Scan:
    """What does a typed or scanned code say?

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
    found = [m for m in _BRACKET.finditer(body) if m[1] in ELEMENTS or m.start() == 0]
    if not found:
        raise OutOfRange(
            "the code", body, "", "an application identifier of 2 to 4 digits in brackets, as (21)"
        )
    ends = [match.start() for match in found[1:]] + [len(body)]
    for match, end in zip(found, ends, strict=True):
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
    said: dict[str, str] = {}
    for ai, value in elements:
        if said.setdefault(ai, value) != value:
            raise Inconsistent(
                f"The code says ({ai}) twice: {said[ai]} and {value}. One value would be right."
            )
    return Scan(
        serial=said.get("21") or said.get("8004"),
        lot=said.get("10"),
        gtin=said.get("01"),
        raw=raw,
        expiry=_date_of("17", said, year),
        produced=_date_of("11", said, year),
        elements=elements,
    )


def _date_of(ai: str, said: Mapping[str, str], year: int | None) -> date | None:
    return gs1_date(ai, said[ai], year) if ai in said else None
