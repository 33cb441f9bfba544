"""Cells, counts, height and neighbours of a pile."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.pile import Layer, counts, height_mm, neighbours, number_cells
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.vocabulary import Joint, Kind, Side
from tests.stacks.arithmetic.piles import a_pile, in_order


def cells_of(layers: tuple[Layer, ...]) -> str:
    """The cells as one line: a dot for a layer of no cell."""
    return "".join(str(layer.cell or ".") for layer in layers)


def without(layers: tuple[Layer, ...], *positions: int) -> tuple[Layer, ...]:
    return in_order([layer for layer in layers if layer.position not in positions])


def test_each_cell_holds_its_plates_and_gaskets_and_nothing_else() -> None:
    assert cells_of(a_pile(3)) == "..." + "11111." + "22222." + "33333." + ".."


def test_a_blank_cell_keeps_its_number() -> None:
    pile = a_pile(3, blanks=(2,))

    assert cells_of(pile) == cells_of(a_pile(3))
    assert next(layer.cell for layer in pile if layer.kind is Kind.BLANK_CELL) == 2


@pytest.mark.parametrize(
    ("missing", "cells"),
    [
        ((9,), "...11111" + "22222..."),  # the coolant gasket between: plates still back to back
        ((7,), "...1111." + "22222..."),  # a gas gasket
        ((8, 9), "...1111" + "22222..."),  # an air plate with its coolant gasket
        ((9, 10), "...11111" + "2222..."),  # a fuel plate with its coolant gasket
        ((8, 9, 10), "...1111" + "2222..."),  # no plate between two MEAs
        ((6,), "..." + "....." + "11111..."),  # no MEA: nothing on the gas side of its parts
        ((4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14), "......"),  # no cell at all
    ],
)
def test_an_incomplete_pile_is_numbered_all_the_same(missing: tuple[int, ...], cells: str) -> None:
    assert cells_of(without(a_pile(2), *missing)) == cells


def test_a_lone_plate_goes_to_the_cell_that_lacks_its_gas() -> None:
    pile = without(a_pile(2), 8, 9)
    lone = pile[7]

    assert lone.side is Side.FUEL
    assert (lone.kind, lone.cell) == (Kind.HALF_PLATE, 2)


def test_plates_that_wait_for_their_mea_belong_to_no_cell_yet() -> None:
    growing = a_pile(2)[:11]

    assert cells_of(number_cells(growing)) == "...11111..."


@given(st.lists(st.sampled_from(a_pile(4, blanks=(3,))), unique=True))
def test_any_pile_is_numbered_without_complaint(layers: list[Layer]) -> None:
    pile = in_order(layers)

    centres = [layer.cell for layer in pile if layer.kind in {Kind.MEA, Kind.BLANK_CELL}]
    assert centres == list(range(1, len(centres) + 1))
    numbered = [layer.cell for layer in pile if layer.cell]
    assert numbered == sorted(numbered)
    assert not any(layer.cell for layer in pile if layer.joint is Joint.COOLANT)
    plates = [(x.cell, x.position) for x in pile if x.kind is Kind.HALF_PLATE and x.cell]
    assert all(sum(cell == c for c, _ in plates) <= 2 for cell in centres)


def test_counts_tell_blank_cells_from_cells() -> None:
    found = counts(a_pile(12, blanks=(5,)))

    assert (found.cells, found.blank_cells) == (11, 1)
    assert found.half_plates == 24
    assert found.gas_gaskets == 24
    assert found.coolant_layers == 13
    assert found.layers == len(a_pile(12))
    assert sum(found.by_kind.values()) == found.layers


def test_the_height_is_the_sum_of_the_thicknesses() -> None:
    # 2 × (8 + 2) at the ends, 3 × (2 × 2.5 + 2 × 0.4 + 0.5) of cells, 4 × 0.4 of coolant layers
    assert height_mm(a_pile(3)) == pytest.approx(20 + 3 * 6.3 + 1.6)
    assert height_mm(()) == 0


def test_neighbours_are_the_nearest_of_each_kind_on_both_sides() -> None:
    pile = a_pile(3)
    mea = pile[11]

    beside = neighbours(pile, mea.position)

    assert mea.kind is Kind.MEA
    assert beside.toward_fixed_end.next is pile[10]
    assert beside.toward_fixed_end.gasket is pile[10]
    assert beside.toward_fixed_end.half_plate is pile[9]
    assert beside.toward_fixed_end.cell is pile[5]
    assert beside.toward_free_end.half_plate is pile[13]
    assert beside.toward_free_end.cell is pile[17]


def test_nothing_lies_beyond_the_ends() -> None:
    pile = a_pile(1)

    assert neighbours(pile, 1).toward_fixed_end.next is None
    assert neighbours(pile, len(pile)).toward_free_end.next is None
    assert neighbours(pile, 1).toward_free_end.cell is pile[5]


@pytest.mark.parametrize("position", [0, -1, 12])
def test_a_position_outside_the_pile_is_refused(position: int) -> None:
    with pytest.raises(OutOfRange, match=r"position is -?\d+; allowed: 1 to 11"):
        neighbours(a_pile(1), position)
