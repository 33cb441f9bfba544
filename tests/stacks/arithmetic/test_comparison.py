"""Two piles against each other."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import Facing, Kind
from service.stacks.arithmetic.comparison import Comparison, What, compare
from tests.stacks.arithmetic.piles import a_pile, in_order


def turned(layer: Layer) -> Layer:
    other = Facing.FIXED_END if layer.facing is Facing.FREE_END else Facing.FREE_END
    return Layer(
        layer.position, layer.part, layer.kind, layer.label, layer.part_type, other,
        layer.material, layer.thickness_mm, layer.side, layer.back, layer.joint, layer.lot,
        layer.cell,
    )  # fmt: skip


def names(found: Comparison) -> dict[str, list[int]]:
    return {
        what: [change.layer.part for change in changes]
        for what, changes in (
            ("out", found.out),
            ("in", found.came_in),
            ("moved", found.moved),
            ("turned", found.turned),
        )
    }


def test_a_pile_does_not_differ_from_itself() -> None:
    found = compare(a_pile(5), a_pile(5))

    assert found.is_same
    assert found.marks == ()


def test_a_cell_put_in_the_middle_moves_nothing_behind_it() -> None:
    pile, cell = a_pile(4), a_pile(1, first_part=900)[3:9]
    after = in_order([*pile[:15], *cell, *pile[15:]])

    found = compare(pile, after)

    assert names(found) == {"out": [], "in": [x.part for x in cell], "moved": [], "turned": []}
    assert [change.position_after for change in found.came_in] == [16, 17, 18, 19, 20, 21]
    assert [change.position_before for change in found.came_in] == [None] * 6


def test_an_mea_put_into_another_cell_is_the_only_one_that_moved() -> None:
    pile = a_pile(4)
    layers = list(pile)
    layers[5], layers[17] = layers[17], layers[5]

    found = compare(pile, in_order(layers))

    moved = {
        change.layer.part: (change.position_before, change.position_after) for change in found.moved
    }
    assert moved == {pile[5].part: (6, 18), pile[17].part: (18, 6)}
    assert {change.before.cell for change in found.moved if change.before} == {1, 3}


def test_a_turned_part_is_told_from_a_moved_one() -> None:
    pile = a_pile(2)
    layers = list(pile)
    layers[5] = turned(layers[5])

    assert names(compare(pile, layers)) == {
        "out": [], "in": [], "moved": [], "turned": [pile[5].part],
    }  # fmt: skip


def test_neighbours_changed_alike_share_one_revision_number() -> None:
    pile, fresh = a_pile(3), a_pile(1, first_part=900)
    after = list(pile)
    after[4:7] = fresh[4:7]  # both gas gaskets and the MEA of cell 1
    after[11] = turned(after[11])

    marks = compare(pile, in_order(after)).marks

    assert [(mark.number, mark.what, len(mark.changes)) for mark in marks] == [
        (1, What.OUT, 3),
        (2, What.IN, 3),
        (3, What.TURNED, 1),
    ]


def test_a_part_twice_in_one_pile_is_named() -> None:
    pile = a_pile(1)

    with pytest.raises(Inconsistent, match="T-0006 stands twice in the pile after: at positions 6"):
        compare(pile, [*pile, pile[5]])


@st.composite
def two_piles(draw: st.DrawFn) -> tuple[tuple[Layer, ...], tuple[Layer, ...]]:
    stock = a_pile(2)
    before = draw(st.lists(st.sampled_from(stock), unique=True))
    after = draw(st.lists(st.sampled_from(stock), unique=True))
    return in_order(before), in_order([turned(x) if draw(st.booleans()) else x for x in after])


@given(two_piles())
def test_comparing_the_other_way_round_says_the_inverse(
    piles: tuple[tuple[Layer, ...], tuple[Layer, ...]],
) -> None:
    before, after = piles
    there, back = compare(before, after), compare(after, before)

    assert names(there)["out"] == names(back)["in"]
    assert names(there)["in"] == names(back)["out"]
    assert set(names(there)["moved"]) == set(names(back)["moved"])
    assert set(names(there)["turned"]) == set(names(back)["turned"])


@given(two_piles())
def test_the_changes_account_for_the_whole_difference(
    piles: tuple[tuple[Layer, ...], tuple[Layer, ...]],
) -> None:
    """What neither went, came nor moved stands in one order in both piles."""
    before, after = piles
    found = names(compare(before, after))
    gone = set(found["out"]) | set(found["moved"]) | set(found["in"])

    assert [x.part for x in before if x.part not in gone] == [
        x.part for x in after if x.part not in gone
    ]
    assert compare(before, after).is_same == (
        [(x.part, x.facing) for x in before] == [(x.part, x.facing) for x in after]
    )


@given(st.permutations(range(7)))
def test_the_fewest_parts_are_said_to_have_moved(order: list[int]) -> None:
    """Beside every subset, tried one by one."""
    pile = a_pile(1)[:7]
    best = max(
        mask.bit_count()
        for mask in range(128)
        if (kept := [x for x in order if mask >> x & 1]) == sorted(kept)
    )

    found = compare(pile, in_order([pile[x] for x in order]))

    assert len(found.moved) == 7 - best


def test_each_mark_follows_the_order_of_the_pile() -> None:
    pile = a_pile(6)
    kept = in_order([layer for layer in pile if layer.kind is not Kind.MEA])

    marks = compare(pile, kept).marks

    assert [mark.changes[0].position_before for mark in marks] == [6, 12, 18, 24, 30, 36]
