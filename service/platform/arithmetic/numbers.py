"""Numbers as laboratories write them."""

import re
from math import isfinite

from service.platform.arithmetic.errors import OutOfRange

# Signs that part thousands and cannot be a decimal mark: space, no-break space, figure space,
# thin space, narrow no-break space, apostrophe, typographic apostrophe.
_SPACES = " \u00a0\u2007\u2009\u202f'\u2019"
_GROUPED = re.compile(rf"\d{{1,3}}([{_SPACES}])\d{{3}}(?:\1\d{{3}})*(?=[.,eE]|$)")
_RIGHT = "digits with one decimal mark, such as 12.5"
_SPLIT = re.compile(rf"([\d.,{_SPACES}]*(?:[eE][+-]?\d+)?)(.*)", re.DOTALL)
_NUMBER = re.compile(r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")


class ReadTwoWays(OutOfRange):
    """A number whose one mark may part thousands as well as decimals."""


def read_number(text: str, *, decimal: str | None = None) -> float:
    """Read the number written here, with a decimal point or a decimal comma.

    ``decimal`` says which of "." and "," is the decimal mark; the other may then part thousands.
    Without it the mark is found where the text leaves no doubt:

    - both marks: the last one is the decimal mark ("1.234,5" and "1,234.5" are 1234.5);
    - one mark more than once: it parts thousands ("1.234.567");
    - one mark once: a decimal mark ("12,5" is 12.5), unless one to three digits not all zero
      stand before it and exactly three behind ("1,234", "1.234"): that is refused as ambiguous,
      for it can be read both ways. "0,234" is not ambiguous.

    Spaces (also thin and no-break ones) and apostrophes may part groups of three digits.

    Raises OutOfRange, saying what would be right: nothing given, a unit behind the number,
    groups that are not of three digits, an ambiguous mark.

    Source: ISO 80000-1, 7.3.2 and the BIPM SI Brochure 5.4.4 (either decimal mark, thin spaces).
    """
    if decimal not in {None, ".", ","}:
        raise OutOfRange("decimal mark", decimal, "", '"." or ","')
    written = text.strip().replace("\u2212", "-")
    if not written:
        raise OutOfRange("number", "empty", "", "a number such as 12.5")
    sign = written[0] if written[0] in "+-" else ""
    body = written.removeprefix(sign).strip()
    number, unit = _SPLIT.fullmatch(body).groups()  # type: ignore[union-attr]  # always matches
    if unit and any(sign.isdigit() for sign in number):
        raise OutOfRange(
            "number", written, "", f'the number alone, "{sign}{number.strip()}", without "{unit}"'
        )
    if unit or not number:
        raise OutOfRange("number", written, "", _RIGHT)
    plain = _with_point(_ungrouped(number, written), decimal, written)
    if not _NUMBER.fullmatch(plain) or not isfinite(float(plain)):
        raise OutOfRange("number", written, "", _RIGHT)
    return float(sign + plain)


def plain_whole(text: str, most_digits: int = 15) -> int | None:
    """Read a whole number as a program writes it, in so many digits; None for anything else.

    >>> plain_whole("12"), plain_whole("²"), plain_whole("9" * 5000)
    (12, None, None)
    """
    is_plain = text.isascii() and text.isdecimal() and len(text) <= most_digits
    return int(text) if is_plain else None


def _ungrouped(body: str, written: str) -> str:
    """Without the spaces and apostrophes between groups of three digits."""
    if not any(space in body for space in _SPACES):
        return body
    grouped = _GROUPED.match(body)
    if not grouped:
        raise OutOfRange("number", written, "", "groups of three digits, such as 12 500")
    return grouped[0].replace(grouped[1], "") + body[grouped.end() :]


def _with_point(body: str, decimal: str | None, written: str) -> str:
    """With a decimal point, and nothing between the thousands."""
    marks = re.findall("[.,]", body)
    mark = decimal or _decimal_mark(body, marks, written)
    separator = "," if mark == "." else "."
    whole, _, rest = body.partition(mark)
    if separator in rest or mark in rest:
        raise OutOfRange("number", written, "", f'one decimal mark "{mark}" behind the thousands')
    if separator in whole and not re.fullmatch(rf"\d{{1,3}}(?:\{separator}\d{{3}})+", whole):
        raise OutOfRange("number", written, "", f'groups of three digits between "{separator}"')
    return whole.replace(separator, "") + ("." + rest if mark in body else "")


def _decimal_mark(body: str, marks: list[str], written: str) -> str:
    if not marks:
        return "."
    if len(set(marks)) == 2:
        return marks[-1]
    if len(marks) > 1:
        return "," if marks[0] == "." else "."
    whole, rest = body.split(marks[0])
    if re.fullmatch(r"\d{1,3}", whole) and whole.strip("0") and re.fullmatch(r"\d{3}", rest):
        raise ReadTwoWays(
            "number",
            written,
            "",
            f"{whole}{rest} or {whole}{marks[0]}{rest}0, which leave no doubt "
            f"(thousands or decimals? say which mark is the decimal one)",
        )
    return marks[0]
