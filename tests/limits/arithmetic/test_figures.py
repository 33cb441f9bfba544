"""The figures of a design: as data, as typed, as computed with."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.figures import DesignFigures, figures_as_data, figures_from_data
from service.limits.arithmetic.figures_fields import FIELDS, SECTIONS
from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_figures import LeakFigures, PathLimit, mbar_l_s, mol_s
from service.limits.arithmetic.leak_paths import Path
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.set_points import Oxidant, set_points
from service.physics.arithmetic.clamping import NutFactor, ThreadFriction, nut_factor_of
from service.physics.arithmetic.disc_springs import PlainSpring, SpringColumn
from service.physics.arithmetic.part_stiffness import Disc
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.typed_fields import FieldRefused
from tests.limits.arithmetic.design_figures import TYPED, some_figures


def test_figures_went_through_json_as_they_were() -> None:
    figures = some_figures()

    assert figures_from_data(json.loads(json.dumps(figures_as_data(figures)))) == figures


@given(st.sets(st.sampled_from(SECTIONS)))
def test_a_form_shown_is_read_as_it_was_and_empty_sections_stay_out(sections: set[str]) -> None:
    kept = {field.name for field in FIELDS if field.section in sections}
    figures = from_form({name: value for name, value in TYPED.items() if name in kept})

    assert from_form(to_form(figures)) == figures
    assert (figures.clamp is not None) == ("Clamp" in sections)
    assert (figures.operation is not None) == ("Operation" in sections)
    assert figures_from_data(figures_as_data(figures)) == figures


def test_every_field_is_shown_and_named_once() -> None:
    names = [field.name for field in FIELDS]

    assert len(names) == len(set(names))
    assert set(to_form(some_figures())) == set(names)
    assert {field.section for field in FIELDS} == set(SECTIONS)


def test_what_was_typed_is_what_is_computed_with() -> None:
    figures = some_figures()

    assert figures.clamp is not None
    assert figures.leak is not None
    assert figures.operation is not None
    assert figures.clamp.law == NutFactor(0.18, 0.008, 0.18 * 0.08, 0.0)
    assert figures.leak.circuits[0].volume(10) == pytest.approx(0.15)
    assert figures.operation.oxidant_gas is Oxidant.AIR
    assert set_points(10, figures.operation.operation).power_w == pytest.approx(650)
    rule = figures.rule(Between.PLATES_GROUND, Condition.WITH_COOLANT)
    assert rule is not None
    assert rule.limit.ohm(60.0) == pytest.approx(6000)
    assert figures.rule(Between.PLATES_GROUND, Condition.DRY) is None
    limit = figures.limit(Quantity.GDL_PRESSURE)
    assert limit is not None
    assert limit.middle == pytest.approx(1.1)


@pytest.mark.parametrize(
    ("name", "typed", "field", "said"),
    [
        ("clamp_nut_factor", "0.9", "clamp_nut_factor", "0.9; allowed: 0.05 to 0.6"),
        ("clamp_thread", "M9", "clamp_thread", "M9; allowed: M3"),
        ("clamp_thread", "", "clamp_thread", "is empty"),
        ("clamp_springs_series", "2.5", "clamp_springs_series", "a whole number"),
        ("clamp_area_width_mm", "0", "clamp_area_width_mm", "more than zero"),
        ("clamp_assembly_temperature_c", "295", "clamp_assembly_temperature_c", "21.85 °C"),
        ("leak_limit_anode_outside", "-1", "leak_limit_anode_outside", "more than zero"),
        ("leak_limit_source", "", "leak_limit_source", "is empty"),
        ("leak_anode_test_pressure_kpa", "", "leak_anode_test_pressure_kpa", "is empty"),
        ("leak_anode_test_pressure_kpa", "-5", "leak_anode_test_pressure_kpa", "(gauge) is -5"),
        ("leak_gas", "hydrogen", "leak_gas", "allowed: nitrogen"),
        ("insulation_standard", "", "insulation_standard", "is empty"),
        ("operation_hydrogen_stoichiometry", "0.5", "operation_hydrogen_stoichiometry", "starves"),
        ("operation_coolant_temperature_c", "338", "operation_coolant_temperature_c", "64.85 °C"),
        ("limit_gdl_pressure_most", "0.2", "limit_gdl_pressure_least", "must lie below"),
        ("limit_gdl_pressure_source", "", "limit_gdl_pressure_source", "is empty"),
        ("limit_line_load_source", "note", "limit_line_load_least", "a least or most value"),
        ("shorts_least_ohm_cm2", "many", "shorts_least_ohm_cm2", "digits"),
    ],
)
def test_a_wrong_field_is_named_with_what_would_be_right(
    name: str, typed: str, field: str, said: str
) -> None:
    with pytest.raises(FieldRefused) as trouble:
        from_form({**TYPED, name: typed})

    assert trouble.value.field == field
    assert said in str(trouble.value)


def test_friction_is_a_nut_factor_or_both_coefficients() -> None:
    by_friction = ClampFigures("M8", "8.8", thread_friction=0.12, bearing_friction=0.12)

    assert isinstance(by_friction.law, ThreadFriction)
    assert nut_factor_of(by_friction.law) == pytest.approx(0.165, abs=5e-4)
    for wrong in ({}, {"thread_friction": 0.12}, {"nut_factor": 0.2, "thread_friction": 0.12}):
        with pytest.raises(TradeError, match="either the nut factor"):
            ClampFigures("M8", "8.8", **wrong)


def test_scatter_of_each_nut_is_kept_apart_from_what_they_share() -> None:
    clamp = ClampFigures("M8", "8.8", 0.2, u_common_percent=10.0, u_each_percent=5.0)

    whole, each = clamp.law, clamp.law_of_each
    assert isinstance(whole, NutFactor)
    assert isinstance(each, NutFactor)
    assert (whole.u_common, whole.u_each) == pytest.approx((0.02, 0.01))
    assert (each.u_common, each.u_each) == pytest.approx((0.0, 0.01))


def test_springs_are_discs_of_the_part_type_or_of_one_rate() -> None:
    discs = ClampFigures("M8", "8.8", 0.2, springs_parallel=3, springs_series=8)
    column = discs.springs(Disc(20.0, 10.2, 1.1, 0.45))

    assert isinstance(column, SpringColumn)
    assert column.greatest_travel_m == pytest.approx(8 * 0.45e-3)
    with pytest.raises(TradeError, match="not known"):
        discs.springs(None)
    rate = ClampFigures("M8", "8.8", 0.2, spring_rate_n_mm=900.0)
    assert rate.springs(None) == PlainSpring(900e3)
    with pytest.raises(TradeError, match="not both"):
        ClampFigures("M8", "8.8", 0.2, springs_parallel=3, springs_series=8, spring_rate_n_mm=900.0)


@given(st.floats(1e-6, 10.0))
def test_a_leak_rate_goes_to_moles_and_back(rate: float) -> None:
    assert mbar_l_s(mol_s(rate)) == pytest.approx(rate, rel=1e-12)
    assert mol_s(rate) == pytest.approx(0.1 * rate / (8.314462618 * 293.15), rel=1e-9)


def test_limits_of_a_set_up_follow_from_those_of_the_paths() -> None:
    leak = some_figures().leak
    assert leak is not None

    assert leak.limit_of_set_up(1) == pytest.approx(0.002)
    assert leak.limit_of_set_up(2) == pytest.approx(0.06)
    assert leak.limit_of_set_up(4) is None
    one = LeakFigures("helium", (), (PathLimit(Path.ANODE_OUTSIDE, 0.01, "note"),))
    assert one.limit_of_set_up(2) is None


def test_a_thing_named_twice_is_refused() -> None:
    limit = Limit(Quantity.PROTRUSION, 3.0, None, "note")
    path = PathLimit(Path.ANODE_OUTSIDE, 0.01, "note")

    with pytest.raises(TradeError, match="Two limits are given for “thread protrusion”"):
        DesignFigures(limits=(limit, limit))
    with pytest.raises(TradeError, match="named twice"):
        LeakFigures("helium", (), (path, path))
