"""A pattern, and the pile it asks for."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Item, Pattern, objections, sequence
from service.designs.arithmetic.pile import number_cells
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind
from tests.designs.arithmetic.patterns import (
    COOLANT_GASKET,
    COOLED_ENDS,
    END_PLATES,
    FUEL_PLATE,
    MEA,
)
from tests.stacks.arithmetic.piles import a_pile

FLUSH_FUEL_PLATE = replace(FUEL_PLATE, back=Back.FLUSH)


@given(cells=st.integers(1, 60))
def test_the_pile_as_designed_is_the_pile_a_builder_lays(cells: int) -> None:
    items = enumerate(sequence(COOLED_ENDS, cells), 1)
    designed = number_cells([item.layer(position, -position) for position, item in items])

    assert [(layer.kind, layer.part_type, layer.facing, layer.cell) for layer in designed] == [
        (layer.kind, layer.part_type, layer.facing, layer.cell) for layer in a_pile(cells)
    ]


def test_each_different_part_is_counted() -> None:
    parts = Counter(item.part_type for item in sequence(END_PLATES, 3))

    assert parts == {
        "insulator": 2, "collector": 2, "fuel end plate": 1, "air end plate": 1,
        "gas gasket": 6, "MEA": 3, "air plate": 2, "fuel plate": 2, "coolant gasket": 2,
    }  # fmt: skip


def test_a_pattern_counted_from_the_free_end_is_the_pile_turned_over() -> None:
    assert list(sequence(END_PLATES.reversed, 3)) == list(sequence(END_PLATES, 3))[::-1]
    assert END_PLATES.reversed.reversed == END_PLATES


def test_a_pattern_needs_a_cell_and_cells_in_order() -> None:
    with pytest.raises(Inconsistent, match="cell of a pattern is empty"):
        Pattern((), (), (), ())
    with pytest.raises(OutOfRange, match="least cells is 0"):
        Pattern((), (MEA,), (), (), 0, 1)
    with pytest.raises(OutOfRange, match="most cells is 2; allowed: 3 or more"):
        Pattern((), (MEA,), (), (), 3, 2)


def test_nothing_is_said_against_a_sound_pattern() -> None:
    assert objections(COOLED_ENDS) == ()
    assert objections(END_PLATES) == ()


@pytest.mark.parametrize(
    ("pattern", "objection"),
    [
        (
            replace(COOLED_ENDS, cell=(FLUSH_FUEL_PLATE, *COOLED_ENDS.cell[1:])),
            "coolant gasket between half plate and half plate neither back carries channels",
        ),
        (replace(COOLED_ENDS, cell=(*COOLED_ENDS.cell, MEA)), "The cell holds 2 MEAs"),
        (replace(COOLED_ENDS, tail=(MEA,)), "The tail holds an MEA"),
        (replace(COOLED_ENDS, head=(Item(Kind.NUT),)), "head 1, nut: a nut is no layer"),
        (
            replace(COOLED_ENDS, between=(replace(COOLANT_GASKET, blank_may_stand=True),)),
            "between 1, coolant gasket: a blank cell can stand in the place of an MEA only",
        ),
        (
            replace(COOLED_ENDS, head=(Item(Kind.INSULATOR_PLATE, joint=Joint.GAS),)),
            "only a gasket seals a joint",
        ),
        (
            replace(END_PLATES, cell=(replace(MEA, facing=Facing.EITHER),)),
            "a directional part needs the end",
        ),
        (
            replace(COOLED_ENDS, head=(Item(Kind.INSULATOR_PLATE, thickness_mm=0.0),)),
            "a thickness of 0.0 mm cannot be",
        ),
    ],
)  # fmt: skip
def test_an_unsound_pattern_is_objected_to(pattern: Pattern, objection: str) -> None:
    assert any(objection in said for said in objections(pattern))
