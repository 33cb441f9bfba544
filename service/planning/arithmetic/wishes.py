"""What somebody wants changed on a stack.

In how many ways a pile can be changed so is in changeover_options.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from service.designs.arithmetic.grammar import Item
from service.platform.arithmetic.vocabulary import End


class Plates(StrEnum):
    """Which half plates leave with a cell that is taken out."""

    ANY = "whichever is cheapest"
    OWN = "its own"
    TOWARD_FIXED_END = "the pair toward the fixed end"
    TOWARD_FREE_END = "the pair toward the free end"


@dataclass(frozen=True, slots=True)
class AddCells:
    """Add cells before a cell, counted from the fixed end; before_cell N + 1: at the free end.

    ``taken_over``: parts of another stack that are to be used for them, before any from store.
    """

    cells: int
    before_cell: int
    taken_over: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ReplaceCells:
    """Put new parts in the place of cells: MEA, cell gaskets and, where wanted, half plates."""

    cells: tuple[int, ...]
    with_plates: bool = True


@dataclass(frozen=True, slots=True)
class ReplaceParts:
    """Put other parts in the place of named ones; ``by`` names the part that comes, if it must.

    Parts taken over from another stack are named in ``by``.
    """

    parts: tuple[int, ...]
    by: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class BlankCell:
    """Put a blank cell in the place of a cell's MEA."""

    cell: int


@dataclass(frozen=True, slots=True)
class RemoveCells:
    """Take cells out; cells that follow on each other leave as one stretch of layers."""

    cells: tuple[int, ...]
    plates: Plates = Plates.ANY


@dataclass(frozen=True, slots=True)
class MoveCells:
    """Take cells out with all that is theirs, for another stack."""

    cells: tuple[int, ...]
    to: str


@dataclass(frozen=True, slots=True)
class SplitStack:
    """Make two stacks: this one keeps the cells at one end, a new one gets the others.

    The layers outside the cells stay with this stack.
    """

    after_cell: int
    keeps: End = End.FIXED
    to: str = "the new stack"


Wish = AddCells | ReplaceCells | ReplaceParts | BlankCell | RemoveCells | MoveCells | SplitStack


class Place(NamedTuple):
    """One place of the wanted pile: what belongs there and which layer of the old pile stays.

    ``old`` is that layer's index, from 0; None for a new part. ``part`` names the part that must
    come. A layer too many of the old pile has no item.
    """

    item: Item | None
    old: int | None = None
    part: int | None = None


class Edit(NamedTuple):
    """Take out the layers from start to before stop, and put these in their place."""

    start: int
    stop: int
    places: tuple[Place, ...] = ()


class Option(NamedTuple):
    """One way to do a wish; ``leaving`` says where layers go that do not merely come out."""

    edits: tuple[Edit, ...]
    leaving: tuple[tuple[int, str], ...] = ()
