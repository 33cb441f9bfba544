"""TOML files people write by hand: where in the text something stands, what is wrong with it.

The parser of the standard library keeps no lines, so the headings and keys of the text are gone
through once more. TOML 1.0, https://toml.io/en/v1.0.0
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.platform.arithmetic.errors import TradeError

HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
KEY = re.compile(r"\s*[\"']?([\w-]+(?: [\w-]+)*)[\"']?\s*=")
BARE = re.compile(r"[A-Za-z0-9_-]+")
Place = tuple[str | int, ...]
"""Names of tables from the outside in; behind the name of an array its table's number, from 1."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file.

    The line (None: not to be told), the key, the value as it stands, and what would be right.
    """

    line: int | None
    key: str
    value: str
    right_would_be: str

    def __str__(self) -> str:
        place = f"Line {self.line}: " if self.line else ""
        subject = f"{self.key} is {self.value}" if self.value else self.key
        return f"{place}{subject}" + (f"; {self.right_would_be}." if self.right_would_be else ".")


class BadFile(TradeError):  # noqa: N818
    """A file that is not what is wanted; ``problems`` names all that was found."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


class Lines:
    """Where in a text the tables and keys stand."""

    def __init__(self, text: str) -> None:
        self._at: dict[Place, int] = {}
        self._counted: dict[Place, int] = {}
        table: Place = ()
        for number, line in enumerate(text.splitlines(), 1):
            if header := HEADER.match(line):
                table = self._place(header[2], is_array=header[1] == "[[")
                self._at.setdefault(table, number)
            elif key := KEY.match(line):
                self._at.setdefault((*table, key[1]), number)

    def _place(self, heading: str, *, is_array: bool) -> Place:
        names = [name.strip().strip("\"'") for name in heading.split(".")]
        place: Place = ()
        for number, name in enumerate(names, 1):
            place = (*place, name)
            if is_array and number == len(names):
                self._counted[place] = self._counted.get(place, 0) + 1
            if place in self._counted:
                place = (*place, self._counted[place])
        return place

    def find(self, place: Sequence[str | int], key: str = "") -> int | None:
        """Return the line of a key of a table, else of the innermost heading or key around it."""
        around = tuple(place)
        if (*around, key) in self._at:
            return self._at[*around, key]
        while around:
            if around in self._at:
                return self._at[around]
            around = around[:-1]
        return None


def load(text: str, refusal: type[BadFile] = BadFile) -> tuple[dict[str, Any], Lines]:
    """Return what a text says and where it says it. Raises ``refusal`` naming the line."""
    try:
        return tomllib.loads(text), Lines(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        reason = str(error).split(" (at ")[0]
        number = int(line[1]) if line else len(text.splitlines()) or 1
        right = f"{reason[:1].lower()}{reason[1:]}"
        raise refusal((Problem(number, "this is not TOML", "", right),)) from None


def shown(value: object) -> str:
    """Return a value as it stands in the file, shortened."""
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else f"{text[:59]}…"


def dump(table: Mapping[str, Any]) -> str:
    """Return the text of a table of plain data; what is None is left out.

    >>> print(dump({"name": "A", "rods": [{"x_mm": -1.5}]}), end="")
    name = "A"
    <BLANKLINE>
    [[rods]]
    x_mm = -1.5
    """
    return "\n".join(_lines(table, ())).lstrip("\n") + "\n"


def _lines(table: Mapping[str, Any], at: tuple[str, ...]) -> list[str]:
    values = {name: value for name, value in table.items() if value is not None}
    lines = [f"{_key(name)} = {value_text(value)}" for name, value in values.items()
             if not _is_table(value) and not _is_array(value)]  # fmt: skip
    for name, value in values.items():
        heading = ".".join(_key(part) for part in (*at, name))
        if _is_table(value):
            lines += ["", f"[{heading}]", *_lines(value, (*at, name))]
        elif _is_array(value):
            for each in value:
                lines += ["", f"[[{heading}]]", *_lines(each, (*at, name))]
    return lines


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping)


def _is_array(value: object) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(map(_is_table, value))


def _key(name: str) -> str:
    return name if BARE.fullmatch(name) else value_text(name)


def value_text(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, StrEnum | str):
        return '"' + "".join(map(_escaped, value)) + '"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(value_text, value))}]"
    return repr(value)


def _escaped(sign: str) -> str:
    if sign in '"\\':
        return f"\\{sign}"
    return sign if sign.isprintable() else f"\\U{ord(sign):08x}"
