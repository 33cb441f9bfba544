"""What part types give mechanically: as data, as typed."""

import json
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.part_stiffness import (
    OF_KIND,
    Bed,
    Disc,
    PartStiffness,
    Seal,
    Stiff,
    stiffness_as_data,
    stiffness_from,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.material_curves import Densifying, Points, RubberCord, Soft
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.arithmetic.vocabulary import Kind
from service.store.arithmetic.stiffness_form import FIELDS, stiffness_from_form, stiffness_to_form

SOFT = st.builds(
    Soft,
    st.builds(Densifying, st.integers(1, 90).map(lambda e: e * 1e5), st.sampled_from([0.5, 0.55]))
    | st.just(Points(((0.1, 4e5), (0.3, 2.5e6)))),
    st.sampled_from([0.0, 0.25]),
    st.none() | st.sampled_from([1.5, 2.0]),
    st.sampled_from([0.0, 0.08]),
)
MM = st.integers(1, 5000).map(lambda um: um / 1000)
SMALL = st.integers(0, 50).map(lambda um: um / 1000)
BEDS = st.builds(Bed, SOFT, MM, SMALL, SMALL, st.sampled_from([0.0, 2e-5]), SMALL)
SEALS = st.builds(
    Seal,
    st.just(Soft(RubberCord(1.2e-3, 4e6), 0.1, 1.5, 0.1)),
    MM.map(lambda h: h + 1),
    SMALL,
    MM,
    st.sampled_from([0.0, 2e-4]),
    SMALL,
)
STIFFS = st.builds(Stiff) | st.builds(Stiff, MM, MM, st.sampled_from([0.0, 5e-6]), SMALL)
DISCS = st.builds(Disc, MM.map(lambda d: d + 6), st.just(5.5), MM, MM)
ANY = st.one_of(
    st.tuples(st.just(Kind.MEA), BEDS),
    st.tuples(st.just(Kind.BLANK_CELL), BEDS | STIFFS),
    st.tuples(st.just(Kind.GASKET), SEALS),
    st.tuples(st.just(Kind.HALF_PLATE), STIFFS),
    st.tuples(st.just(Kind.DISC_SPRING), DISCS),
)


@given(ANY)
def test_what_went_through_json_is_what_it_was(pair: tuple[Kind, PartStiffness]) -> None:
    kind, stiffness = pair

    assert stiffness_from(kind, json.loads(json.dumps(stiffness_as_data(stiffness)))) == stiffness


@given(ANY)
def test_what_is_shown_in_the_form_is_read_as_it_was(pair: tuple[Kind, PartStiffness]) -> None:
    kind, stiffness = pair
    shown = stiffness_to_form(stiffness)

    again = stiffness_from_form(kind, shown)

    assert type(again) is type(stiffness)
    assert again is not None
    assert stiffness_to_form(again) == shown


def test_every_field_shown_is_asked() -> None:
    for kind, fields in FIELDS.items():
        names = [field.name for field in fields]
        assert len(names) == len(set(names)), kind
    assert set(FIELDS) == set(OF_KIND)


def test_nothing_typed_is_nothing_known() -> None:
    assert stiffness_from_form(Kind.MEA, {"curve": " "}) is None
    assert stiffness_from_form(Kind.SLEEVE, {"modulus_gpa": "3"}) is None
    assert stiffness_to_form(None) == {}


def test_a_blank_cell_without_a_curve_is_stiff() -> None:
    assert stiffness_from_form(Kind.BLANK_CELL, {"expansion_1_k": "5e-6"}) == Stiff(
        expansion_1_k=5e-6
    )


@pytest.mark.parametrize(
    ("kind", "typed", "field", "said"),
    [
        (Kind.MEA, {"curve": "densifying: modulus 3"}, "free_thickness_mm", "is empty"),
        (Kind.MEA, {"curve": "foam", "free_thickness_mm": "0.4"}, "curve", "one of points"),
        (
            Kind.MEA,
            {"curve": "points: 0.2 1; 0.1 2", "free_thickness_mm": "0.4"},
            "curve",
            "must grow",
        ),
        (Kind.GASKET, {"curve": "power: scale 3", "height_mm": "x"}, "height_mm", "digits"),
        (Kind.BLANK_CELL, {"curve": "power: scale 3"}, "free_thickness_mm", "is empty"),
        (Kind.DISC_SPRING, {"outer_mm": "20"}, "inner_mm", "is empty"),
    ],
)
def test_a_field_that_does_not_do_is_named(
    kind: Kind, typed: Mapping[str, str], field: str, said: str
) -> None:
    with pytest.raises(FieldRefused) as trouble:
        stiffness_from_form(kind, typed)

    assert trouble.value.field == field
    assert said in str(trouble.value)


@pytest.mark.parametrize(
    ("kind", "data", "said"),
    [
        (Kind.MEA, {"form": "stiffness 1", "is": "seal"}, "allowed: bed"),
        (Kind.NUT, {"form": "stiffness 1", "is": "stiff"}, "gives nothing mechanically"),
        (Kind.MEA, {"form": "stiffness 0"}, "stiffness 1"),
        (Kind.HALF_PLATE, {"form": "stiffness 1", "is": "stiff", "modulus_gpa": 10}, "both"),
        (Kind.HALF_PLATE, {"form": "stiffness 1", "is": "stiff", "colour": 1}, "no field"),
    ],
)
def test_data_of_another_part_are_refused(
    kind: Kind, data: Mapping[str, object], said: str
) -> None:
    with pytest.raises(TradeError) as trouble:
        stiffness_from(kind, data)

    assert said in str(trouble.value)


def test_a_gasket_must_reach_out_of_its_groove() -> None:
    soft = Soft(RubberCord(1.2e-3, 4e6))

    with pytest.raises(TradeError, match="would not reach out"):
        Seal(soft, 0.5, 0.5, 300.0)
