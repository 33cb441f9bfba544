"""Wishes for a changeover as they are kept: JSON with a version, each wish by its kind."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict

from service.planning.arithmetic.wishes import (
    AddCells,
    BlankCell,
    MoveCells,
    Plates,
    RemoveCells,
    ReplaceCells,
    ReplaceParts,
    SplitStack,
    Wish,
)
from service.platform.arithmetic.canonical import canonical_json

VERSION = 1
KINDS: dict[str, type[Wish]] = {
    "add cells": AddCells,
    "replace cells": ReplaceCells,
    "replace parts": ReplaceParts,
    "blank cell": BlankCell,
    "remove cells": RemoveCells,
    "move cells": MoveCells,
    "split": SplitStack,
}
NAMES = {of: kind for kind, of in KINDS.items()}


def write_wishes(wishes: Sequence[Wish]) -> str:
    """Return wishes as canonical JSON."""
    rows = [{"kind": NAMES[type(wish)], **asdict(wish)} for wish in wishes]
    return canonical_json({"version": VERSION, "wishes": rows})


def named_parts(wishes: Sequence[Wish]) -> frozenset[int]:
    """Return parts that are not in the pile and are to come into it."""
    named: set[int] = set()
    for wish in wishes:
        if isinstance(wish, AddCells):
            named |= set(wish.taken_over)
        elif isinstance(wish, ReplaceParts):
            named |= {part for _, part in wish.by}
    return frozenset(named)


def in_words(wish: Wish, labels: Mapping[int, str]) -> str:
    """Return what is wished for, in a sentence; ``labels`` of parts by their keys."""

    def part(key: int) -> str:
        return labels.get(key, f"part {key}")

    sentence = ""
    match wish:
        case AddCells():
            taken = f", first using {', '.join(map(part, wish.taken_over))}"
            many = f"{wish.cells} cell{'' if wish.cells == 1 else 's'}"
            sentence = (
                f"Add {many} before cell {wish.before_cell}{taken if wish.taken_over else ''}."
            )
        case ReplaceCells():
            plates = "with" if wish.with_plates else "without"
            sentence = f"Replace {_cells(wish.cells)}, {plates} their half plates."
        case ReplaceParts():
            by = dict(wish.by)
            some = [part(key) + (f" by {part(by[key])}" if key in by else "") for key in wish.parts]
            sentence = f"Replace {', '.join(some)}."
        case BlankCell():
            sentence = f"Put a blank cell in the place of cell {wish.cell}."
        case RemoveCells():
            plates = "" if wish.plates is Plates.ANY else f" with {wish.plates}"
            sentence = f"Take out {_cells(wish.cells)}{plates}."
        case MoveCells():
            sentence = f"Move {_cells(wish.cells)} to {wish.to}."
        case SplitStack():
            sentence = (
                f"Split behind cell {wish.after_cell}: this stack keeps the {wish.keeps}, "
                f"{wish.to} gets the rest."
            )
    return sentence


def _cells(cells: Sequence[int]) -> str:
    return f"cell{'' if len(cells) == 1 else 's'} {', '.join(map(str, cells))}"
