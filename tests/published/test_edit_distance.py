"""The matcher against a general edit-distance library.

Provenance: rapidfuzz (MIT), function OSA.distance: optimal string alignment, unit costs for
insertion, deletion, substitution and two neighbours exchanged. Random sequences, no file.
"""

from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import OSA

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_check import check
from service.platform.arithmetic.vocabulary import Facing, Joint, Kind, Side
from tests.designs.arithmetic.patterns import expand

POOL = (
    Item(Kind.HALF_PLATE, "fuel plate", side=Side.FUEL, facing=Facing.FREE_END),
    Item(Kind.HALF_PLATE, "air plate", side=Side.AIR, facing=Facing.FIXED_END),
    Item(Kind.GASKET, "gas gasket", joint=Joint.GAS),
    Item(Kind.GASKET, "coolant gasket", joint=Joint.COOLANT),
    Item(Kind.MEA, "MEA", facing=Facing.FIXED_END),
    Item(Kind.INSULATOR_PLATE, "insulator"),
)
letters = st.integers(0, len(POOL) - 1)
words = st.lists(letters, max_size=16)


@given(wanted=st.lists(letters, min_size=1, max_size=16), laid=words)
def test_of_a_linear_pattern_the_cost_is_the_edit_distance(
    wanted: list[int], laid: list[int]
) -> None:
    pattern = Pattern((), tuple(POOL[letter] for letter in wanted), (), ())
    pile = [POOL[letter].layer(at, at) for at, letter in enumerate(laid, 1)]

    assert check(pattern, pile).cost == OSA.distance(laid, wanted)


@given(
    head=st.lists(letters, max_size=3),
    cell=st.lists(letters, min_size=1, max_size=4),
    between=st.lists(letters, max_size=2),
    tail=st.lists(letters, max_size=3),
    laid=words,
)
def test_of_a_repeating_pattern_it_is_the_least_over_all_numbers_of_cells(
    head: list[int], cell: list[int], between: list[int], tail: list[int], laid: list[int]
) -> None:
    parts = [tuple(POOL[letter] for letter in some) for some in (head, cell, between, tail)]
    pattern = Pattern(*parts, 1, 40)
    pile = [POOL[letter].layer(at, at) for at, letter in enumerate(laid, 1)]

    number_of = {item: number for number, item in enumerate(POOL)}
    least = min(
        OSA.distance(laid, [number_of[item] for item in expand(pattern, cells).items])
        for cells in range(1, len(laid) // len(cell) + 3)
    )
    assert check(pattern, pile).cost == least
