"""The inputs of a closing as data."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.closing_inputs import (
    ClosingType,
    Placed,
    inputs_as_data,
    inputs_from_data,
    pile_of,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Kind, ReadingKind
from tests.closing.arithmetic.closings import MEA, PLATE, a_closing, a_pile, reading
from tests.limits.arithmetic.design_figures import some_figures

TYPES = st.sampled_from([MEA, PLATE, ClosingType("unknown", Kind.HALF_PLATE, 1.5)])
PARTS = st.builds(
    Placed, TYPES, st.none() | st.integers(1, 9), st.none() | st.sampled_from([0.3, 0.44])
)


@given(st.lists(PARTS, min_size=1), st.lists(PARTS))
def test_a_pile_grouped_by_types_keeps_every_part_in_its_place(
    layers: list[Placed], plates: list[Placed]
) -> None:
    pile = pile_of(layers, plates)

    assert list(pile.placed()) == layers
    assert [(it.type, it.measured_mm) for it in pile.placed_plates()] == [
        (it.type, it.measured_mm) for it in plates
    ]
    assert len(set(pile.types)) == len(pile.types)


@given(
    st.integers(1, 6),
    st.dictionaries(st.integers(1, 6), st.sampled_from([0.41, 0.43]), max_size=3),
    st.lists(
        st.builds(
            reading,
            st.integers(1, 8),
            st.floats(0.1, 9.0),
            kind=st.sampled_from(ReadingKind),
            minutes=st.floats(0, 500),
            deviation_percent=st.none() | st.floats(0, 10),
        ),
        max_size=12,
    ),
    st.booleans(),
)
def test_inputs_went_through_json_as_they_were(
    cells: int, thin: dict[int, float], readings: list[object], other: bool
) -> None:
    inputs = a_closing(a_pile(cells, thin=thin), readings)  # type: ignore[arg-type]
    if other:
        inputs = replace(inputs, figures=some_figures(), disc=None, rod_length_mm=None)

    assert inputs_from_data(json.loads(json.dumps(inputs_as_data(inputs)))) == inputs


def test_data_that_lack_something_name_it() -> None:
    data = inputs_as_data(a_closing())

    for without, said in (
        ("pile", "Figures or pile are missing"),
        ("rods", "rods is missing"),
        ("active_area_cm2", "active area"),
    ):
        cut = {name: value for name, value in data.items() if name != without}
        with pytest.raises(TradeError, match=said):
            inputs_from_data(cut)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(TradeError, match="the torque on rod 1 is -2"):
        reading(1, -2.0)
    with pytest.raises(TradeError, match="the active area is 0 cm²"):
        a_closing(active_area_cm2=0.0)
    with pytest.raises(TradeError, match="No place is known for rod 99"):
        a_closing(readings=[reading(99)])
    with pytest.raises(TradeError, match="number of a part type"):
        replace(a_pile(), layers=(99,), cells=(1,), measured=())
    with pytest.raises(TradeError, match="not equally many"):
        replace(a_pile(), cells=(1,))
