"""Facts of the trade about piles.

Common practice, no source: with half plates back to back and both ends cooled, N cells hold N
MEAs, 2 N half plates, 2 N gas gaskets and N + 1 coolant layers. One cell more adds one MEA, two
half plates, two gas gaskets and one coolant layer.
"""

import pytest

from service.designs.arithmetic.pile import counts
from service.platform.arithmetic.vocabulary import Joint, Kind
from service.stacks.arithmetic.comparison import compare
from tests.stacks.arithmetic.piles import a_pile, in_order


@pytest.mark.parametrize("cells", [1, 2, 3, 12, 40, 116])
def test_n_cells_hold_n_meas_2n_half_plates_and_n_plus_1_coolant_layers(cells: int) -> None:
    found = counts(a_pile(cells))

    assert found.cells == cells
    assert found.half_plates == 2 * cells
    assert found.gas_gaskets == 2 * cells
    assert found.coolant_layers == cells + 1


def test_each_cell_has_one_plate_for_each_gas() -> None:
    pile = a_pile(12)

    for cell in range(1, 13):
        plates = [x for x in pile if x.cell == cell and x.kind is Kind.HALF_PLATE]
        assert sorted(plate.side or "" for plate in plates) == ["air", "fuel"]


def test_one_cell_more_adds_its_parts_and_moves_nothing() -> None:
    pile, more = a_pile(6), a_pile(1, first_part=900)
    cell = more[3:9]  # fuel plate, gas gasket, MEA, gas gasket, air plate, coolant gasket

    found = compare(pile, in_order([*pile[:-2], *cell, *pile[-2:]]))

    added = counts([change.layer for change in found.came_in])
    assert (added.cells, added.half_plates, added.gas_gaskets) == (1, 2, 2)
    assert added.coolant_layers == 1
    assert (found.out, found.moved, found.turned) == ((), (), ())


def test_twelve_cells_cooled_between_pairs_only_have_eleven_coolant_layers() -> None:
    # Common practice, no source: terminal half plates then lie flush on the collectors.
    pile = a_pile(12)
    outer = [at for at, layer in enumerate(pile) if layer.joint is Joint.COOLANT]
    uncooled = [x for at, x in enumerate(pile) if at not in {outer[0], outer[-1]}]

    found = counts(in_order(uncooled))

    assert (found.cells, found.half_plates, found.gas_gaskets) == (12, 24, 24)
    assert found.coolant_layers == 11
