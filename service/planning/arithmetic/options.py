"""The ways in which a pile can be changed as somebody wishes.

A wish turns into options: each a set of edits, that is stretches of the pile to take out and
what to put there. A cell can be added or taken out in more than one way, because the pattern
repeats: any stretch of the pile one round long holds one of everything.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import groupby
from operator import add
from typing import NamedTuple

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_match import NEVER, EditKind, Matcher, States
from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.likelihoods import MISTAKE
from service.platform.arithmetic.vocabulary import End, Facing, Kind

# What somebody wants changed on a stack.


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


@dataclass(frozen=True, slots=True)
class Placed:
    """A pile, each layer with its place in the pattern: its state, None for one too many."""

    pattern: Pattern
    states: States
    pile: tuple[Layer, ...]
    state: tuple[int | None, ...]
    centres: tuple[int, ...]
    """indices of MEAs and blank cells"""
    mistakes: int
    cost: int
    low: tuple[tuple[int, ...], ...]
    """cost of reading the layers before each cut so that they end in a state"""
    high: tuple[tuple[int, ...], ...]
    """cost of reading the layers behind each cut so that they follow on a state"""

    @property
    def cells(self) -> int:
        """How many cells the pile has, blank ones counted in."""
        return len(self.centres)

    def item(self, index: int) -> Item | None:
        """Return what belongs where a layer lies."""
        state = self.state[index]
        return None if state is None else self.states.item(state)

    def of_cell(self, cell: int) -> list[int]:
        """Return indices of a cell's layers."""
        return [index for index, layer in enumerate(self.pile) if layer.cell == cell]


def placed(pattern: Pattern, pile: Sequence[Layer]) -> Placed:
    """Return a pile, numbered and complete, with each layer's place in the pattern."""
    matcher = Matcher(pattern)
    states, explanation = matcher.states, matcher.explain(pile)
    state: list[int | None] = [None] * len(pile)
    for move in explanation.moves:
        if move.did in {EditKind.FITS, EditKind.WRONG, EditKind.SWAPPED}:
            state[move.at] = move.state
    centres = tuple(index for index, layer in enumerate(pile) if layer.kind in CELL_KINDS)
    backward = Matcher(pattern.reversed).costs_along(pile[::-1])[::-1]
    high = []
    for costs in backward:
        turned = map(states.from_the_free_end, range(1, states.number))
        beginning = [0, *[costs[state] for state in turned]]
        following = [
            min((beginning[each] for each in some), default=NEVER) for some in states.after
        ]
        following[states.last] = costs[0]
        high.append(tuple(following))
    return Placed(
        pattern, states, tuple(pile), tuple(state), centres, explanation.mistakes,
        explanation.mistakes * MISTAKE + explanation.unlikelihood,
        tuple(matcher.costs_along(pile)), tuple(high),
    )  # fmt: skip


def options(stack: Placed, wish: Wish) -> list[list[Option]]:
    """Return the choices a wish leaves: from each list one option is taken.

    Raises OutOfRange for a cell or part the stack does not have, Inconsistent for a wish that
    cannot be.
    """
    match wish:
        case AddCells():
            return [_adding(stack, wish)]
        case RemoveCells():
            return [_removing(stack, run, wish.plates) for run in _runs(stack, wish.cells)]
        case MoveCells():
            runs = _runs(stack, wish.cells)
            return [_with_all_that_is_theirs(stack, run, wish.to) for run in runs]
        case _:
            return [[_only_way(stack, wish)]]


def _only_way(stack: Placed, wish: ReplaceCells | ReplaceParts | BlankCell | SplitStack) -> Option:
    match wish:
        case ReplaceCells():
            return _replacing_cells(stack, wish)
        case ReplaceParts():
            return _replacing_parts(stack, wish)
        case BlankCell():
            return _blanking(stack, wish)
        case SplitStack():
            return _splitting(stack, wish)


def _must_be(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise OutOfRange(name, value, "", f"{least} to {most}")


def _runs(stack: Placed, cells: Sequence[int]) -> list[tuple[int, int]]:
    """Cells that follow on each other, as (first, last)."""
    if not cells:
        raise Inconsistent("No cell is named; name one at least.")
    for cell in cells:
        _must_be("cell", cell, 1, stack.cells)
    if len(set(cells)) == stack.cells:
        raise Inconsistent("All cells are named; one must stay, or the stack is torn down.")
    runs = []
    for _, run in groupby(enumerate(sorted(set(cells))), lambda each: each[1] - each[0]):
        numbers = [cell for _, cell in run]
        runs.append((numbers[0], numbers[-1]))
    return runs


def _gap(stack: Placed, before_cell: int) -> range:
    """The cuts between a cell's centre and that of the cell before; cut 0 is before all layers."""
    low = stack.centres[before_cell - 2] + 1 if before_cell > 1 else 0
    high = stack.centres[before_cell - 1] if before_cell <= stack.cells else len(stack.pile)
    return range(low, high + 1)


def _before(stack: Placed, cut: int) -> int | None:
    """The state before a cut; None where a layer too many lies there."""
    return stack.state[cut - 1] if cut else 0


def _adding(stack: Placed, wish: AddCells) -> list[Option]:
    """New cells at any cut between two centres where the layers around can be read to fit.

    A layer may be read in two ways: a coolant gasket at a collector as one between two cells.
    """
    _must_be("cells to add", wish.cells, 1, max(stack.pattern.most_cells, 1))
    _must_be("before cell", wish.before_cell, 1, stack.cells + 1)
    options = {}
    for cut in _gap(stack, wish.before_cell):
        for before in range(stack.states.number):
            for last in range(1, stack.states.number):
                if stack.low[cut][before] + stack.high[cut][last] > stack.cost:
                    continue
                if path := _path(stack.states, before, last, wish.cells):
                    items = tuple(stack.states.item(state) for state in path)
                    options[cut, items] = Option((Edit(cut, cut, tuple(map(Place, items))),))
    if not options:
        raise Inconsistent(f"No cell can be put in before cell {wish.before_cell} in this design.")
    return list(options.values())


def _path(states: States, before: int, last: int, cells: int) -> list[int]:
    """The states behind one up to another with so many centres among them; none: no such way."""
    path: list[int] = []
    current, centres = before, 0
    while (current != last or centres < cells or not path) and centres <= cells:
        goes_out = centres == cells and last not in states.loop
        following = [
            state
            for state in states.after[current]
            if len(states.after[current]) == 1 or (state not in states.loop) is goes_out
        ]
        if not following:
            return []
        current = following[0]
        centres += current == states.centre
        path.append(current)
    return path if centres == cells else []


def _replacing_cells(stack: Placed, wish: ReplaceCells) -> Option:
    edits = []
    for first, last in _cells_or_all(stack, wish.cells):
        for cell in range(first, last + 1):
            edits += [
                _renewed(stack, index)
                for index in stack.of_cell(cell)
                if wish.with_plates or stack.pile[index].kind is not Kind.HALF_PLATE
            ]
    return Option(tuple(edits))


def _cells_or_all(stack: Placed, cells: Sequence[int]) -> list[tuple[int, int]]:
    if len(set(cells)) == stack.cells and all(1 <= cell <= stack.cells for cell in cells):
        return [(1, stack.cells)]
    return _runs(stack, cells)


def _renewed(stack: Placed, index: int, part: int | None = None) -> Edit:
    item = stack.item(index)
    if item is None:
        layer = stack.pile[index]
        raise Inconsistent(f"{layer.label} at {layer.position} is one too many; take it out.")
    return Edit(index, index + 1, (Place(item, None, part),))


def _replacing_parts(stack: Placed, wish: ReplaceParts) -> Option:
    if not wish.parts:
        raise Inconsistent("No part is named; name one at least.")
    index_of = {layer.part: index for index, layer in enumerate(stack.pile)}
    by = dict(wish.by)
    for part in (*wish.parts, *by):
        if part not in index_of:
            raise OutOfRange("part", part, "", "a layer of this stack")
    if strangers := set(by) - set(wish.parts):
        raise Inconsistent(f"Part {min(strangers)} gets another but is not among those replaced.")
    edits = [_renewed(stack, index_of[part], by.get(part)) for part in dict.fromkeys(wish.parts)]
    return Option(tuple(edits))


def _blanking(stack: Placed, wish: BlankCell) -> Option:
    _must_be("cell", wish.cell, 1, stack.cells)
    index = stack.centres[wish.cell - 1]
    if stack.pile[index].kind is Kind.BLANK_CELL:
        raise Inconsistent(f"Cell {wish.cell} is a blank cell already.")
    edit = _renewed(stack, index)
    item = edit.places[0].item
    if item is None or not item.blank_may_stand:
        raise Inconsistent(f"The design allows no blank cell in the place of cell {wish.cell}.")
    blank = replace(
        item, kind=Kind.BLANK_CELL, part_type="", facing=Facing.EITHER, blank_may_stand=False,
        directional=False, one_lot=False, thickness_mm=None, material=None, name="",
    )  # fmt: skip
    return Option((Edit(index, index + 1, (Place(blank),)),))


def _stretches(stack: Placed, run: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Stretches that hold a run of cells and leave a pile of the pattern when taken out."""
    first, last = run
    for start in _gap(stack, first):
        for stop in _gap(stack, last + 1):
            least = min(map(add, stack.low[start], stack.high[stop]))
            if least <= stack.cost:
                yield start, stop


def _removing(stack: Placed, run: tuple[int, int], plates: Plates) -> list[Option]:
    options = [
        Option((Edit(start, stop),))
        for start, stop in _stretches(stack, run)
        if plates in {Plates.ANY, plates_taken(stack, start, stop, run)}
    ]
    if not options:
        which = f" with {plates}" if plates is not Plates.ANY else ""
        raise Inconsistent(
            f"{named(run)} cannot be taken out{which} so that the rest follows the design."
        )
    return options


def plates_taken(stack: Placed, start: int, stop: int, run: tuple[int, int]) -> Plates:
    """Say which half plates a stretch takes out with its cells."""
    cells = [layer.cell for layer in stack.pile[start:stop] if layer.kind is Kind.HALF_PLATE]
    if any(cell is not None and cell < run[0] for cell in cells):
        return Plates.TOWARD_FIXED_END
    if any(cell is not None and cell > run[1] for cell in cells):
        return Plates.TOWARD_FREE_END
    return Plates.OWN


def _with_all_that_is_theirs(stack: Placed, run: tuple[int, int], to: str) -> list[Option]:
    members = {index for cell in range(run[0], run[1] + 1) for index in stack.of_cell(cell)}
    options = [
        Option((Edit(start, stop),), tuple((index, to) for index in sorted(members)))
        for start, stop in _stretches(stack, run)
        if members <= set(range(start, stop))
    ]
    if not options:
        raise Inconsistent(
            f"{named(run)} cannot be taken out with all that is theirs so that the rest follows "
            "the design."
        )
    return options


def named(run: tuple[int, int]) -> str:
    """Return a run of cells in words."""
    return f"Cell {run[0]}" if run[0] == run[1] else f"Cells {run[0]} to {run[1]}"


def _splitting(stack: Placed, wish: SplitStack) -> Option:
    _must_be("after cell", wish.after_cell, 1, stack.cells - 1)
    states, keeps_fixed = stack.states, wish.keeps is End.FIXED
    run = (wish.after_cell + 1, stack.cells) if keeps_fixed else (1, wish.after_cell)
    for start, stop in _stretches(stack, run):
        part_states = [stack.state[index] for index in range(start, stop)]
        low, high = start, stop
        if keeps_fixed and _before(stack, start) == states.last_of_cell:
            low += part_states.index(states.first_of_cell)
        elif not keeps_fixed and stack.state[stop] == states.first_of_cell:
            high -= part_states[::-1].index(states.last_of_cell)
        else:
            continue
        return Option((Edit(start, stop),), tuple((index, wish.to) for index in range(low, high)))
    raise Inconsistent(f"The stack cannot be split behind cell {wish.after_cell} in this design.")
