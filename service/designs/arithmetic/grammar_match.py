"""A pile against a pattern: the cheapest way to explain it, by edit distance over the states.

Approximate matching of a sequence against a regular pattern: one column of costs a layer, one
entry a state. A part too many, forgotten, in the wrong place or changed with its neighbour costs
what likelihoods says. The repeating cell is a way back, so a column is as long as the pattern
and not as the pile. Each pair of neighbours is changed at most once and then left alone
(optimal string alignment).

Columns recur: behind a mistake the costs soon stand to each other as before it. So each
different column and what follows it upon each look is worked out once and remembered, and a long
pile costs little more than a walk along it.

Source: E. W. Myers and W. Miller, Approximate matching of regular expressions, Bulletin of
Mathematical Biology 51 (1989) 5–37: the way back needs a second pass and no third.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from service.designs.arithmetic.grammar import Item, Pattern, Where, sequence
from service.designs.arithmetic.pile import CELL_KINDS, Layer, number_cells
from service.platform.arithmetic.likelihoods import MISTAKE, OF_THE_TRADE, Likelihoods, Misfit
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side

# A pattern as states: what may follow what, what fits where, which cell a place belongs to.


class Look(NamedTuple):
    """What the grammar sees of a layer; layers that look alike are alike to it."""

    kind: Kind
    part_type: str
    facing: Facing
    side: Side | None
    back: Back
    joint: Joint | None


def look(layer: Layer) -> Look:
    """Return what the grammar sees of a layer."""
    return Look(
        layer.kind, layer.part_type, layer.facing, layer.side, layer.back, layer.joint
    )  # fmt: skip


def misfits(item: Item, part_look: Look) -> tuple[Misfit, ...]:
    """Return the ways in which a part does not fit this place; none where it fits.

    What the item or the part leaves open (no side, no joint, either way) fits.
    """
    if part_look.kind is Kind.BLANK_CELL and item.kind is not Kind.BLANK_CELL:
        if item.kind is not Kind.MEA:
            return (Misfit.KIND,)
        return () if item.blank_may_stand else (Misfit.NO_BLANK,)
    if part_look.kind is not item.kind:
        return (Misfit.KIND,)
    ways = []
    if {item.facing, part_look.facing} == {Facing.FIXED_END, Facing.FREE_END}:
        ways.append(Misfit.TURNED)
    if item.joint and part_look.joint and item.joint is not part_look.joint:
        ways.append(Misfit.JOINT)
    if item.back and item.back is not part_look.back:
        ways.append(Misfit.BACK)
    if item.side and part_look.side and item.side is not part_look.side:
        ways.append(Misfit.SIDE)
    if item.part_type and item.part_type != part_look.part_type and ways in ([], [Misfit.TURNED]):
        ways.append(Misfit.TYPE)  # a part of another joint, back or side is another type anyway
    return tuple(ways)


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
    sections: tuple[Where, ...]
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
        """Return the number of a place in the states of the pattern reversed."""
        loop, last = self.loop, len(self.items)
        tail = last - loop[-1]
        if state not in loop:
            return last + 1 - state
        if state <= self.last_of_cell:
            return tail + self.last_of_cell + 1 - state
        return tail + self.last_of_cell - loop[0] + 1 + loop[-1] + 1 - state

    def item(self, state: int) -> Item:
        """Return the item of a state from 1 on."""
        return self.items[state - 1]

    def cell(self, state: int, begun: int) -> int | None:
        """Return the cell of a place, where so many cells have been begun."""
        offset = self.of_cell[state]
        return None if offset is None or begun + offset < 1 else begun + offset


def states_of(pattern: Pattern) -> States:
    """Return the states of a pattern.

    One that allows a single cell has no way back into the cell.
    """
    repeats = pattern.most_cells > 1
    between = pattern.between if repeats else ()
    items = (*pattern.head, *pattern.cell, *between, *pattern.tail)
    sections = (
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
    centre = next((index for index, item in enumerate(pattern.cell) if item.kind in CELL_KINDS), 0)
    of_cell, nearer = _cells_and_sides(pattern, repeats)
    return States(
        items=items,
        sections=sections,
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
    cells, cells_read = (4, 2) if repeats else (1, 1)
    items = list(sequence(pattern, cells))
    layers = number_cells([item.layer(index, -index) for index, item in enumerate(items, 1)])
    round_ = len(pattern.cell) + len(pattern.between)
    start = len(pattern.head) + (cells_read - 1) * round_
    stop = start + (round_ if repeats else len(pattern.cell))
    tail = range(len(items) - len(pattern.tail), len(items))
    places = [(index, 0) for index in range(len(pattern.head))]
    places += [(index, cells_read) for index in range(start, stop)]
    places += [(index, cells) for index in tail]
    offsets: list[int | None] = [None]
    sides: list[Side | None] = [None]
    for index, begun in places:
        cell = layers[index].cell
        offsets.append(None if cell is None else cell - begun)
        sides.append(_side(items, index))
    return tuple(offsets), tuple(sides)


def _side(items: list[Item], index: int) -> Side | None:
    """The gas side on which a place lies: its own, or a cell gasket's nearest half plate's."""
    item = items[index]
    if item.side or item.kind is not Kind.GASKET or item.joint is Joint.COOLANT:
        return item.side
    for step in range(1, len(items)):
        for beside in (index - step, index + step):
            between = items[min(index, beside) + 1 : max(index, beside)]
            if any(neighbour.kind in CELL_KINDS for neighbour in between):
                continue
            if 0 <= beside < len(items) and items[beside].kind is Kind.HALF_PLATE:
                return items[beside].side
    return None


# More than any pile costs: mistakes weigh a million, and no pile has 10¹² of them.
NEVER = 1 << 60


class EditKind(IntEnum):
    """What happened at one place.

    Of explanations as cheap the lowest here is taken, from the free end on, so that of two
    parts alike the one nearer the free end is the one too many.
    """

    EXTRA = 0
    MISSING = 1
    SWAPPED = 2
    WRONG = 3
    FITS = 4


class Move(NamedTuple):
    """One step of an explanation: a state, the cells begun by then, the index of the layer.

    ``at`` of a missing part is the index of the layer it should lie before. Two neighbours
    that changed places are two moves SWAPPED, in the pattern's order.
    """

    did: EditKind
    state: int
    begun: int
    at: int


class Explanation(NamedTuple):
    """The cheapest explanation of a pile: ``mistakes``, their unlikelihood, and every move."""

    mistakes: int
    unlikelihood: int
    moves: tuple[Move, ...]
    cells: int


class _Column:
    """Costs of all states behind one layer, the cheapest counted as 0."""

    __slots__ = ("costs", "earlier", "following", "seen")

    def __init__(self, costs: tuple[int, ...], earlier: tuple[int, ...], look_number: int) -> None:
        self.costs, self.earlier, self.seen = costs, earlier, look_number
        self.following: dict[int, tuple[_Column, int]] = {}


class Matcher:
    """Explains piles by one pattern; ``from_anywhere`` for a pile whose beginning is missing.

    Working memory grows with what was seen; make a new one for each pile, or for a few.
    """

    def __init__(
        self,
        pattern: Pattern,
        *,
        from_anywhere: bool = False,
        likelihoods: Likelihoods = OF_THE_TRADE,
    ) -> None:
        self.states: States = states_of(pattern)
        self._likely = likelihoods
        self._looks: dict[Look, int] = {}
        self._wrong: list[tuple[int, ...]] = []
        self._extra: list[int] = []
        self._swaps: dict[tuple[int, int], tuple[tuple[int, int], ...]] = {}
        self._missing = (0, *[likelihoods.missing(item.kind) for item in self.states.items])
        self._columns: dict[tuple[tuple[int, ...], tuple[int, ...], int], _Column] = {}
        number = self.states.number
        costs = [0] * number if from_anywhere else [0, *[NEVER] * (number - 1)]
        self._forget(costs)
        self._first = _Column(tuple(costs), (NEVER,) * number, -1)
        self._hopeless = NEVER
        if pattern.most_cells > 1:
            # All parts of the pattern forgotten once (round the loop) and the whole head as parts
            # too many at the dearest weight, with some to spare: more than leaving the head behind
            # can cost.
            worst = MISTAKE + max(likelihoods.otherwise, *likelihoods.one_too_many.values())
            self._hopeless = sum(self._missing) + (self.states.first_of_cell + 2) * worst

    def _walk(self, pile: Iterable[Layer]) -> list[_Column]:
        """The column before the first layer and behind each."""
        column = self._first
        walked = [column]
        looks = self._looks
        for layer in pile:
            layer_look = look(layer)
            number = looks.get(layer_look)
            if number is None:
                number = self._meet(layer_look)
            step = column.following.get(number)
            if step is None:
                step = self._step(column, number)
                column.following[number] = step
            column = step[0]
            walked.append(column)
        return walked

    def explain(self, pile: Sequence[Layer], *, to_anywhere: bool = False) -> Explanation:
        """Return the cheapest explanation of a pile.

        ``to_anywhere`` where its end is not put on yet.
        """
        walked = self._walk(pile)
        total = 0
        for before, layer in zip(walked, pile, strict=False):
            total += before.following[self._looks[look(layer)]][1]
        costs = walked[-1].costs
        state = costs.index(min(costs)) if to_anywhere else self.states.last
        # A cost is MISTAKE × mistakes + unlikelihoods; the second never reaches a million.
        mistakes, unlikelihood = divmod(total + costs[state], MISTAKE)
        moves = self._back(walked, state)
        cells = sum(
            move.state == self.states.centre and move.did is not EditKind.EXTRA for move in moves
        )
        return Explanation(mistakes, unlikelihood, moves, cells)

    def costs_along(self, pile: Sequence[Layer]) -> list[tuple[int, ...]]:
        """Compute the cost to stand in each state before the first layer and behind each."""
        walked = self._walk(pile)
        total, along = 0, [walked[0].costs]
        for before, column, layer in zip(walked, walked[1:], pile, strict=False):
            total += before.following[self._looks[look(layer)]][1]
            along.append(tuple(total + cost for cost in column.costs))
        return along

    def cheapest_states(self, pile: Iterable[Layer]) -> tuple[int, ...]:
        """Return the states in which a pile that is not finished may stand, at the least cost."""
        costs = self._walk(pile)[-1].costs
        least = min(costs)
        return tuple(state for state, cost in enumerate(costs) if cost == least)

    def misfits(self, state: int, layer: Layer) -> tuple[Misfit, ...]:
        """Return the ways in which a layer does not fit a state."""
        return misfits(self.states.item(state), look(layer))

    def _meet(self, part_look: Look) -> int:
        number = self._looks[part_look] = len(self._looks)
        items = self.states.items
        self._wrong.append((0, *[self._likely.wrong(misfits(item, part_look)) for item in items]))
        self._extra.append(self._likely.too_many(part_look.kind))
        return number

    def _swaps_of(self, earlier: int, later: int) -> tuple[tuple[int, int], ...]:
        """States (first, second) into which two layers fit the other way round."""
        swaps = self._swaps.get((earlier, later))
        if swaps is None:
            fits_first, fits_second = self._wrong[later], self._wrong[earlier]
            swaps = self._swaps[earlier, later] = tuple(
                (first, second)
                for second in range(1, self.states.number)
                if not fits_second[second]
                for first in self.states.before[second]
                if first and not fits_first[first]
            )
        return swaps

    def _step(self, column: _Column, look_number: int) -> tuple[_Column, int]:
        """The column behind one more layer, and by how much the least cost rose."""
        before = self.states.before
        costs, earlier, wrong, extra = (
            column.costs, column.earlier, self._wrong[look_number], self._extra[look_number],
        )  # fmt: skip
        changed = self._likely.changed_places
        new = [cost + extra for cost in costs]
        for state in range(1, len(new)):
            for previous in before[state]:
                new[state] = min(new[state], costs[previous] + wrong[state])
        if column.seen >= 0:
            for first, second in self._swaps_of(column.seen, look_number):
                for previous in before[first]:
                    new[second] = min(new[second], earlier[previous] + changed)
        self._forget(new)
        # Head places far dearer than the best of the loop can never win again: the rest of the
        # head as parts too many, and round the loop once, is cheaper. Without this the columns
        # of a long pile would never recur.
        dearest = min(new[state] for state in self.states.loop) + self._hopeless
        # Costs are kept less the least: then only their differences make a column, and columns
        # recur.
        least = min(new)
        head = self.states.first_of_cell
        now = tuple(
            NEVER if state < head and cost > dearest else cost - least
            for state, cost in enumerate(new)
        )
        then = tuple(NEVER if cost >= NEVER else cost - least for cost in costs)
        key = (now, then, look_number)
        following = self._columns.get(key)
        if following is None:
            following = self._columns[key] = _Column(now, then, look_number)
        return following, least

    def _forget(self, costs: list[int]) -> None:
        """Let parts be forgotten: twice round, because the loop leads back once."""
        before, missing = self.states.before, self._missing
        for _ in range(2):
            for state in range(1, len(costs)):
                for previous in before[state]:
                    costs[state] = min(costs[state], costs[previous] + missing[state])

    def _back(self, walked: list[_Column], state: int) -> tuple[Move, ...]:
        """The moves that led to a state, read from the end and told from the beginning."""
        edits: list[tuple[EditKind, int, int]] = []
        walked_to = len(walked) - 1
        while True:
            column = walked[walked_to]
            did, previous, first = self._last_move(
                column, walked[walked_to - 1] if walked_to else None, state
            )
            if did is None:
                break
            if did is EditKind.SWAPPED:
                edits += [(did, state, walked_to - 2), (did, first, walked_to - 1)]
                walked_to -= 2
            else:
                edits.append((did, state, walked_to if did is EditKind.MISSING else walked_to - 1))
                walked_to -= did is not EditKind.MISSING
            state = previous
        begun = int(self.states.first_of_cell <= state < self.states.centre)
        moves = []
        for did, now, index in reversed(edits):
            if now == self.states.first_of_cell and did is not EditKind.EXTRA:
                begun += 1
            moves.append(Move(did, now, begun, index))
        return tuple(moves)

    def _last_move(
        self, column: _Column, behind: _Column | None, state: int
    ) -> tuple[EditKind | None, int, int]:
        """What came last before a state: the move, the state before it, the first of a swap."""
        cost, before, look_number = column.costs[state], self.states.before[state], column.seen
        if behind is not None and column.earlier[state] + self._extra[look_number] == cost:
            return EditKind.EXTRA, state, 0
        for previous in before:
            if column.costs[previous] + self._missing[state] == cost:
                return EditKind.MISSING, previous, 0
        if behind is None:
            return None, 0, 0
        if swap := self._last_swap(column, behind, state):
            return EditKind.SWAPPED, *swap
        wrong = self._wrong[look_number][state]
        previous = next(each for each in before if column.earlier[each] + wrong == cost)
        return (EditKind.WRONG if wrong else EditKind.FITS), previous, 0

    def _last_swap(self, column: _Column, behind: _Column, state: int) -> tuple[int, int] | None:
        """The state before a swap of neighbours that ends here, and the first state of the two."""
        if behind.seen < 0:
            return None
        cost = column.costs[state] - min(column.earlier) - self._likely.changed_places
        for first, second in self._swaps_of(behind.seen, column.seen):
            if second == state:
                for previous in self.states.before[first]:
                    if behind.earlier[previous] == cost:
                        return previous, first
        return None
