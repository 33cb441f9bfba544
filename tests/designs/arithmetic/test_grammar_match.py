"""The matcher against a plain one that writes out every number of cells and every alignment."""

from functools import cache
from typing import NamedTuple

from hypothesis import example, given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_match import (
    EditKind,
    Matcher,
    Move,
    look,
    misfits,
    states_of,
)
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.likelihoods import MISTAKE, OF_THE_TRADE
from service.platform.arithmetic.vocabulary import Facing, Joint, Kind, Side
from tests.designs.arithmetic.patterns import COOLED_ENDS, expand

POOL = (
    Item(Kind.HALF_PLATE, "fuel plate", side=Side.FUEL, facing=Facing.FREE_END),
    Item(Kind.HALF_PLATE, "air plate", side=Side.AIR, facing=Facing.FIXED_END),
    Item(Kind.GASKET, "gas gasket", joint=Joint.GAS),
    Item(Kind.GASKET, "coolant gasket", joint=Joint.COOLANT),
    Item(Kind.MEA, "MEA", facing=Facing.FIXED_END),
    Item(Kind.MEA, "MEA", facing=Facing.FREE_END),
    Item(Kind.INSULATOR_PLATE, "insulator"),
)
items = st.sampled_from(POOL)


@st.composite
def patterns(draw: st.DrawFn) -> Pattern:
    def some(least: int, most: int) -> tuple[Item, ...]:
        return tuple(draw(st.lists(items, min_size=least, max_size=most)))

    most_cells = draw(st.sampled_from([1, 50]))
    return Pattern(some(0, 2), some(1, 3), some(0, 2), some(0, 2), 1, most_cells)


@st.composite
def patterns_with_piles(draw: st.DrawFn) -> tuple[Pattern, tuple[Layer, ...]]:
    """A pattern with a pile of it, spoilt here and there, or with any pile."""
    pattern = draw(patterns())
    if draw(st.booleans()):
        laid = draw(st.lists(items, max_size=6))
    else:
        laid = list(expand(pattern, draw(st.integers(1, min(2, pattern.most_cells)))).items)
        for _ in range(draw(st.integers(0, 3))):
            at = draw(st.integers(0, max(len(laid) - 1, 0)))
            how = draw(st.sampled_from(["out", "in", "other", "swapped"]))
            if how == "out":
                del laid[at : at + 1]
            elif how == "in":
                laid.insert(at, draw(items))
            elif how == "other":
                laid[at : at + 1] = [draw(items)]
            else:
                laid[at : at + 2] = laid[at : at + 2][::-1]
    return pattern, tuple(item.layer(at, at) for at, item in enumerate(laid, 1))


class Told(NamedTuple):
    """An explanation told from its end, so that comparing two compares their last moves first."""

    cost: int
    keys: tuple[tuple[int, ...], ...]
    moves: tuple[tuple[EditKind, int, int], ...]


def written_out(pattern: Pattern, pile: tuple[Layer, ...]) -> tuple[int, list[Move]]:
    """The cheapest explanation, found by trying all numbers of cells one by one."""
    states = states_of(pattern)
    head = list(range(1, states.first_of_cell))
    cell = list(range(states.first_of_cell, states.last_of_cell + 1))
    between = [s for s in states.loop if s > states.last_of_cell]
    tail = list(range(states.loop[-1] + 1, len(states.items) + 1))
    most = min(pattern.most_cells, len(pile) // len(cell) + 2)
    row_of = [head + cell + (between + cell) * (n - 1) + tail for n in range(1, most + 1)]
    best = min(aligned(pattern, row, pile) for row in row_of)
    begun, moves = 0, []
    for did, state, at in reversed(best.moves):
        begun += state == states.first_of_cell and did is not EditKind.EXTRA
        moves.append(Move(did, state, begun, at))
    return best.cost, moves


def aligned(pattern: Pattern, row: list[int], pile: tuple[Layer, ...]) -> Told:
    states = states_of(pattern)

    def wrong(state: int, layer: Layer) -> int:
        return OF_THE_TRADE.wrong(misfits(states.item(state), look(layer)))

    @cache
    def best(i: int, j: int) -> Told:
        """The best of ``i`` layers against ``j`` places of the row."""
        state, before = ([0, *row][at] if at >= 0 else -1 for at in (j, j - 1))
        ways = []

        def way(
            rest: Told, cost: int, key: tuple[int, ...], *moves: tuple[EditKind, int, int]
        ) -> None:
            ways.append(Told(rest.cost + cost, (key, *rest.keys), (*moves, *rest.moves)))

        if i:
            extra = OF_THE_TRADE.too_many(pile[i - 1].kind)
            way(best(i - 1, j), extra, (EditKind.EXTRA,), (EditKind.EXTRA, state, i - 1))
        if j:
            gone = OF_THE_TRADE.missing(states.item(state).kind)
            way(best(i, j - 1), gone, (EditKind.MISSING, before), (EditKind.MISSING, state, i))
        if i and j:
            cost = wrong(state, pile[i - 1])
            did = EditKind.WRONG if cost else EditKind.FITS
            way(best(i - 1, j - 1), cost, (did, before), (did, state, i - 1))
        if i > 1 and j > 1 and not wrong(state, pile[i - 2]) and not wrong(before, pile[i - 1]):
            earlier = [0, *row][j - 2]
            way(
                best(i - 2, j - 2), OF_THE_TRADE.changed_places,
                (EditKind.SWAPPED, before, earlier),
                (EditKind.SWAPPED, state, i - 2), (EditKind.SWAPPED, before, i - 1),
            )  # fmt: skip
        return min(ways) if ways else Told(0, (), ())

    return best(len(pile), len(row))


@given(patterns_with_piles())
@example((COOLED_ENDS, ()))
def test_the_cheapest_explanation_is_that_of_the_plain_matcher(
    given_: tuple[Pattern, tuple[Layer, ...]],
) -> None:
    pattern, pile = given_

    told = Matcher(pattern).explain(pile)

    cost, moves = written_out(pattern, pile)
    assert told.mistakes * MISTAKE + told.unlikelihood == cost
    assert list(told.moves) == moves


@given(patterns_with_piles())
def test_an_unfinished_pile_costs_no_more_than_any_way_to_finish_it(
    given_: tuple[Pattern, tuple[Layer, ...]],
) -> None:
    """Its cost is the least over all places the pattern may be cut at."""
    pattern, pile = given_
    states = states_of(pattern)

    begun = Matcher(pattern).explain(pile, to_anywhere=True)

    head = list(range(1, states.first_of_cell))
    cell = list(range(states.first_of_cell, states.last_of_cell + 1))
    between = [s for s in states.loop if s > states.last_of_cell]
    tail = list(range(states.loop[-1] + 1, len(states.items) + 1))
    most = min(pattern.most_cells, len(pile) // len(cell) + 2)
    rows = [head + cell + (between + cell) * (n - 1) + tail for n in range(1, most + 1)]
    cheapest = min(
        aligned(pattern, row[:cut], pile).cost for row in rows for cut in range(len(row) + 1)
    )
    assert begun.mistakes * MISTAKE + begun.unlikelihood == cheapest


@given(patterns_with_piles())
def test_a_pile_turned_over_costs_the_same_by_the_pattern_turned_over(
    given_: tuple[Pattern, tuple[Layer, ...]],
) -> None:
    pattern, pile = given_

    forward = Matcher(pattern).explain(pile)
    backward = Matcher(pattern.reversed).explain(pile[::-1])

    assert (forward.mistakes, forward.unlikelihood) == (backward.mistakes, backward.unlikelihood)


def test_a_long_pile_needs_no_more_columns_than_a_short_one() -> None:
    """Behind a mistake the columns recur: that is what makes long piles cheap."""
    used = []
    for cells in (20, 400):
        layers = list(expand(COOLED_ENDS, cells).layers)
        del layers[50]
        matcher = Matcher(COOLED_ENDS)
        matcher.explain(layers)
        used.append(len(matcher._columns))

    assert used[0] == used[1] < 60
