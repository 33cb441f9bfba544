"""A pattern as states: what may follow what, what fits where, which cell a place belongs to."""

from dataclasses import dataclass
from typing import NamedTuple

from service.designs.arithmetic.grammar import Item, Pattern, Where, sequence
from service.designs.arithmetic.pile import CELL_KINDS, Layer, number_cells
from service.platform.arithmetic.likelihoods import Misfit
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side


class Look(NamedTuple):
    """What the grammar sees of a layer; layers that look alike are alike to it."""

    kind: Kind
    part_type: str
    facing: Facing
    side: Side | None
    back: Back
    joint: Joint | None


def look(layer: Layer) -> Look:
    """What the grammar sees of a layer."""
    return Look(
        layer.kind, layer.part_type, layer.facing, layer.side, layer.back, layer.joint
    )  # fmt: skip


def misfits(item: Item, seen: Look) -> tuple[Misfit, ...]:
    """In which ways does a part not fit this place? None of them: it fits.

    What the item or the part leaves open (no side, no joint, either way) fits.
    """
    if seen.kind is Kind.BLANK_CELL and item.kind is not Kind.BLANK_CELL:
        if item.kind is not Kind.MEA:
            return (Misfit.KIND,)
        return () if item.blank_may_stand else (Misfit.NO_BLANK,)
    if seen.kind is not item.kind:
        return (Misfit.KIND,)
    found = []
    if {item.facing, seen.facing} == {Facing.FIXED_END, Facing.FREE_END}:
        found.append(Misfit.TURNED)
    if item.joint and seen.joint and item.joint is not seen.joint:
        found.append(Misfit.JOINT)
    if item.back and item.back is not seen.back:
        found.append(Misfit.BACK)
    if item.side and seen.side and item.side is not seen.side:
        found.append(Misfit.SIDE)
    if item.part_type and item.part_type != seen.part_type and found in ([], [Misfit.TURNED]):
        found.append(Misfit.TYPE)  # a part of another joint, back or side is another type anyway
    return tuple(found)


@dataclass(frozen=True, slots=True)
class States:
    """The places of a pattern in a row, 1 to n; state 0 stands before the first.

    ``before[s]`` and ``after[s]`` are the states which may come directly before and after s;
    the last of a cell has two: what lies between, and the tail. ``of_cell[s]`` is what to add to
    the number of cells begun so far to get the cell a place belongs to; None for no cell.
    ``nearer`` is the gas side on which a place lies. ``centre`` is the place that makes the
    cell: its MEA.
    """

    items: tuple[Item, ...]
    where: tuple[Where, ...]
    before: tuple[tuple[int, ...], ...]
    after: tuple[tuple[int, ...], ...]
    first_of_cell: int
    centre: int
    last_of_cell: int
    last: int
    loop: range
    of_cell: tuple[int | None, ...]
    nearer: tuple[Side | None, ...]

    @property
    def number(self) -> int:
        """How many states there are, state 0 counted in."""
        return len(self.before)

    def from_the_free_end(self, state: int) -> int:
        """The number of a place in the states of the pattern reversed."""
        loop, last = self.loop, len(self.items)
        tail = last - loop[-1]
        if state not in loop:
            return last + 1 - state
        if state <= self.last_of_cell:
            return tail + self.last_of_cell + 1 - state
        return tail + self.last_of_cell - loop[0] + 1 + loop[-1] + 1 - state

    def item(self, state: int) -> Item:
        """The item of a state from 1 on."""
        return self.items[state - 1]

    def cell(self, state: int, begun: int) -> int | None:
        """The cell of a place, where so many cells have been begun."""
        offset = self.of_cell[state]
        return None if offset is None or begun + offset < 1 else begun + offset


def states_of(pattern: Pattern) -> States:
    """The states of a pattern; one that allows a single cell has no way back into the cell."""
    repeats = pattern.most_cells > 1
    between = pattern.between if repeats else ()
    items = (*pattern.head, *pattern.cell, *between, *pattern.tail)
    where = (
        *[Where.HEAD] * len(pattern.head),
        *[Where.CELL] * len(pattern.cell),
        *[Where.BETWEEN] * len(between),
        *[Where.TAIL] * len(pattern.tail),
    )
    first = len(pattern.head) + 1
    last_of_cell = first + len(pattern.cell) - 1
    last_of_loop = last_of_cell + len(between)
    before: list[tuple[int, ...]] = [(), *[(state - 1,) for state in range(1, len(items) + 1)]]
    if repeats:
        before[first] = (first - 1, last_of_loop)
    if pattern.tail:
        before[last_of_loop + 1] = (last_of_cell,)
    after: list[list[int]] = [[] for _ in before]
    for state, befores in enumerate(before):
        for earlier in befores:
            after[earlier].append(state)
    centre = next((at for at, item in enumerate(pattern.cell) if item.kind in CELL_KINDS), 0)
    of_cell, nearer = _cells_and_sides(pattern, repeats)
    return States(
        items=items,
        where=where,
        before=tuple(before),
        after=tuple(tuple(later) for later in after),
        first_of_cell=first,
        centre=first + centre,
        last_of_cell=last_of_cell,
        last=len(items) if pattern.tail else last_of_cell,
        loop=range(first, last_of_loop + 1),
        of_cell=of_cell,
        nearer=nearer,
    )


def _cells_and_sides(
    pattern: Pattern, repeats: bool
) -> tuple[tuple[int | None, ...], tuple[Side | None, ...]]:
    """Read off a pile of four cells (of one, where the pattern allows no more)."""
    cells, shown = (4, 2) if repeats else (1, 1)
    items = list(sequence(pattern, cells))
    layers = number_cells([item.layer(at, -at) for at, item in enumerate(items, 1)])
    round_ = len(pattern.cell) + len(pattern.between)
    start = len(pattern.head) + (shown - 1) * round_
    stop = start + (round_ if repeats else len(pattern.cell))
    tail = range(len(items) - len(pattern.tail), len(items))
    places = [(at, 0) for at in range(len(pattern.head))]
    places += [(at, shown) for at in range(start, stop)]
    places += [(at, cells) for at in tail]
    offsets: list[int | None] = [None]
    sides: list[Side | None] = [None]
    for at, begun in places:
        cell = layers[at].cell
        offsets.append(None if cell is None else cell - begun)
        sides.append(_side(items, at))
    return tuple(offsets), tuple(sides)


def _side(items: list[Item], at: int) -> Side | None:
    """The gas side on which a place lies: its own, or a cell gasket's nearest half plate's."""
    item = items[at]
    if item.side or item.kind is not Kind.GASKET or item.joint is Joint.COOLANT:
        return item.side
    for step in range(1, len(items)):
        for beside in (at - step, at + step):
            between = items[min(at, beside) + 1 : max(at, beside)]
            if any(other.kind in CELL_KINDS for other in between):
                continue
            if 0 <= beside < len(items) and items[beside].kind is Kind.HALF_PLATE:
                return items[beside].side
    return None
