"""Two revisions of a pattern against each other: what differs, in sentences."""

from collections.abc import Iterator
from dataclasses import fields
from difflib import SequenceMatcher
from itertools import zip_longest

from service.designs.arithmetic.grammar import Item, Pattern, Where

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
    """What differs from one pattern to another, in the order of the pile? Empty: nothing."""
    return tuple(_told(old, new))


def _told(old: Pattern, new: Pattern) -> Iterator[str]:
    for words, was, now in (
        ("least cells", old.least_cells, new.least_cells),
        ("most cells", old.most_cells, new.most_cells),
    ):
        if was != now:
            yield f"{words}: {was} → {now}"
    for where in Where:
        before, after = old.part(where), new.part(where)
        matched = SequenceMatcher(None, before, after, autojunk=False)
        for what, i1, i2, j1, j2 in matched.get_opcodes():
            if what == "equal":
                continue
            pairs = zip_longest(range(i1, i2), range(j1, j2))
            for at_old, at_new in pairs:
                if at_new is None:
                    yield f"{where} {at_old + 1}: {before[at_old].words} left out"
                elif at_old is None:
                    yield f"{where} {at_new + 1}: {after[at_new].words} added"
                else:
                    yield f"{where} {at_new + 1}, {after[at_new].words}: " + "; ".join(
                        _of_item(before[at_old], after[at_new])
                    )


def _of_item(old: Item, new: Item) -> Iterator[str]:
    for field in fields(Item):
        was, now = getattr(old, field.name), getattr(new, field.name)
        if was != now:
            yield f"{WORDS[field.name]} {_shown(was)} → {_shown(now)}"


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "–" if value in {None, ""} else str(value)
