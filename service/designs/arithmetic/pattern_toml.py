"""A pattern as a TOML file: read with clear objections, written so that it reads back the same.

    least_cells = 2
    most_cells = 40

    [[head]]
    kind = "insulator plate"
    part_type = "INS-8"

    [[cell]]
    kind = "half plate"
    side = "fuel"
    …

One table a layer, under head, cell, between and tail, in the order from the fixed end. Keys are
those of grammar.Item; what is left out does not matter.
"""

from collections.abc import Iterator
from dataclasses import fields
from difflib import SequenceMatcher
from itertools import zip_longest
from typing import Any

from service.designs.arithmetic.grammar import Item, Pattern, Where, objections
from service.platform.arithmetic.toml_text import BadFile, Lines, Place, Problem, dump, load, shown
from service.platform.arithmetic.vocabulary import LAYER_KINDS, Back, Facing, Joint, Material, Side

CHOICES: dict[str, tuple[str, ...]] = {
    "kind": tuple(LAYER_KINDS),
    "side": tuple(Side),
    "back": tuple(Back),
    "joint": tuple(Joint),
    "facing": tuple(Facing),
    "material": tuple(Material),
}
SWITCHES = ("blank_may_stand", "renew_at_opening", "directional", "one_lot")
TEXTS = ("part_type", "name")
KEYS = tuple(field.name for field in fields(Item))
NUMBERS = ("least_cells", "most_cells")
PARTS = tuple(str(section) for section in Where)


class NotAPattern(BadFile):
    """A file that is no pattern; ``problems`` names all that was found."""


def read_pattern(text: str) -> Pattern:
    """Return the pattern this TOML text describes.

    Raises NotAPattern with every problem: line, key, value and what would be right.
    """
    return pattern_in(*load(text, NotAPattern))


def pattern_in(table: dict[str, Any], lines: Lines, at: Place = ()) -> Pattern:
    """Return the pattern that stands in a table of a file, at a place. Raises NotAPattern."""
    problems = [*_problems(table, lines, at)]
    if problems:
        raise NotAPattern(problems)
    pattern = _pattern(table)
    if objections_found := objections(pattern):
        line = lines.find(at)
        raise NotAPattern(
            [Problem(line, objection.rstrip("."), "", "") for objection in objections_found]
        )
    return pattern


def write_pattern(pattern: Pattern) -> str:
    """Return the TOML text of a pattern; read_pattern gives the same pattern back."""
    return dump(pattern_as_data(pattern))


def pattern_as_data(pattern: Pattern) -> dict[str, Any]:
    """Return a pattern as plain data: what differs from what an item says by itself."""
    return {name: getattr(pattern, name) for name in NUMBERS} | {
        str(section): [
            {
                field.name: getattr(item, field.name)
                for field in fields(Item)
                if getattr(item, field.name) != field.default
            }
            for item in pattern.part(section)
        ]
        or None
        for section in Where
    }


def _problems(table: dict[str, Any], lines: Lines, at: Place) -> Iterator[Problem]:
    allowed = (*NUMBERS, *PARTS)
    for key, value in table.items():
        if key not in allowed:
            right = f"known here are {', '.join(allowed)}"
            yield Problem(lines.find(at, key), f"{key} is not known", "", right)
        elif key in PARTS and not _is_list_of_tables(value):
            right = f"write each layer as a table of its own under [[{key}]]"
            yield Problem(lines.find((*at, key)), key, shown(value), right)
    yield from _of_numbers(table, lines, at)
    if not table.get(Where.CELL):
        yield Problem(None, "cell is missing", "", "the cell needs one layer at least")
    for section in Where:
        value = table.get(section, [])
        for number, item in enumerate(value if _is_list_of_tables(value) else [], 1):
            for key, value_text, right in _of_item(item):
                name = key.removesuffix(" is not known").removesuffix(" is missing")
                line = lines.find((*at, str(section), number), name)
                yield Problem(line, f"{section} {number}: {key}", value_text, right)


def _of_numbers(table: dict[str, Any], lines: Lines, at: Place) -> Iterator[Problem]:
    right = "a whole number of cells, 1 or more, would be right"
    for key in NUMBERS:
        value = table.get(key)
        if key not in table:
            yield Problem(None, f"{key} is missing", "", right)
        elif type(value) is not int or value < 1:
            yield Problem(lines.find((*at, key)), key, shown(value), right)
    least, most = table.get("least_cells"), table.get("most_cells")
    if type(least) is int and type(most) is int and 1 <= most < least:
        right = f"least_cells is {least}, so {least} or more would be right"
        yield Problem(lines.find((*at, "most_cells")), "most_cells", str(most), right)


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(each, dict) for each in value)


def _of_item(item: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    if "kind" not in item:
        yield "kind is missing", "", f"one of {', '.join(LAYER_KINDS)} would be right"
    for key, value in item.items():
        if key not in KEYS:
            yield f"{key} is not known", "", f"known here are {', '.join(KEYS)}"
        elif key in CHOICES and value not in CHOICES[key]:
            yield key, shown(value), f"one of {', '.join(CHOICES[key])} would be right"
        elif key in SWITCHES and not isinstance(value, bool):
            yield key, shown(value), "true or false would be right"
        elif key in TEXTS and not isinstance(value, str):
            yield key, shown(value), "a text in quotes would be right"
        elif key == "thickness_mm" and not _is_thickness(value):
            yield key, shown(value), "a thickness in mm, more than 0, would be right"


def _is_thickness(value: object) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < float("inf")
    )


def _pattern(table: dict[str, Any]) -> Pattern:
    def items(section: Where) -> tuple[Item, ...]:
        return tuple(_item(item) for item in table.get(section, []))

    return Pattern(
        head=items(Where.HEAD),
        cell=items(Where.CELL),
        between=items(Where.BETWEEN),
        tail=items(Where.TAIL),
        least_cells=table["least_cells"],
        most_cells=table["most_cells"],
    )


def _item(item: dict[str, Any]) -> Item:
    values = dict(item)
    kinds = {"side": Side, "back": Back, "joint": Joint, "facing": Facing, "material": Material}
    for key, kind in kinds.items():
        if key in values:
            values[key] = kind(values[key])
    values["kind"] = next(kind for kind in LAYER_KINDS if kind == item["kind"])
    if "thickness_mm" in values:
        values["thickness_mm"] = float(values["thickness_mm"])
    return Item(**values)


# Two revisions of a pattern against each other: what differs, in sentences.


WORDS = {
    "kind": "kind",
    "part_type": "part type",
    "side": "side",
    "back": "back",
    "joint": "joint",
    "facing": "facing",
    "blank_may_stand": "a blank cell may stand here",
    "renew_at_opening": "renewed at every opening",
    "directional": "directional",
    "one_lot": "all from one lot",
    "thickness_mm": "thickness in mm",
    "material": "material",
    "name": "name",
}


def pattern_differences(old: Pattern, new: Pattern) -> tuple[str, ...]:
    """Return what differs from one pattern to another, in the order of the pile."""
    return tuple(_differences(old, new))


def _differences(old: Pattern, new: Pattern) -> Iterator[str]:
    for words, was, now in (
        ("least cells", old.least_cells, new.least_cells),
        ("most cells", old.most_cells, new.most_cells),
    ):
        if was != now:
            yield f"{words}: {was} → {now}"
    for section in Where:
        before, after = old.part(section), new.part(section)
        matched = SequenceMatcher(None, before, after, autojunk=False)
        for edit, i1, i2, j1, j2 in matched.get_opcodes():
            if edit == "equal":
                continue
            pairs = zip_longest(range(i1, i2), range(j1, j2))
            for at_old, at_new in pairs:
                if at_new is None:
                    yield f"{section} {at_old + 1}: {before[at_old].words} left out"
                elif at_old is None:
                    yield f"{section} {at_new + 1}: {after[at_new].words} added"
                else:
                    yield f"{section} {at_new + 1}, {after[at_new].words}: " + "; ".join(
                        _item_differences(before[at_old], after[at_new])
                    )


def _item_differences(old: Item, new: Item) -> Iterator[str]:
    for field in fields(Item):
        was, now = getattr(old, field.name), getattr(new, field.name)
        if was != now:
            yield f"{WORDS[field.name]} {_value_in_words(was)} → {_value_in_words(now)}"


def _value_in_words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "–" if value in {None, ""} else str(value)
