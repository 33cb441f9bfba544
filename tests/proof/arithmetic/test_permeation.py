"""What membranes let through by themselves is no leak: bounded, taken off, or not known."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.leak_figures import LeakFigures, mol_s
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.limits.arithmetic.leak_recipes import Wetness
from service.limits.arithmetic.permeation import ML_MIN, Bounds, Permeating, Permeation
from service.physics.arithmetic.gases import FARADAY, amount_flow, volume_flow
from service.physics.arithmetic.tightness import Detection, LeakRate, judge
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.leak_results import LeakResult, PathFound
from service.proof.arithmetic.leak_tests import Arrived
from service.proof.arithmetic.stack_tests import judge_apart, judge_leak
from service.proof.arithmetic.tests_in_words import path_line
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay

HELIUM = Permeation(Permeating.HELIUM, Wetness.WET, 0.01, 0.03, "invented crossover report 2")
FIGURES = replace(LEAK_FIGURES, gas="helium", permeation=(HELIUM,))
FLOW = st.floats(0.0, 1e-6)


def across(
    flow_ml_min: float, figures: LeakFigures = FIGURES, **more: object
) -> tuple[LeakResult, PathFound]:
    """The anode under helium, so much arriving in the cathode."""
    arrived = (Arrived(Circuit.CATHODE, flow_ml_min), Arrived(Circuit.COOLANT, 0.0))
    given: dict[str, object] = {"gas": "helium", "state": Wetness.WET, "arrived": arrived}
    result = judge_leak(a_decay(**(given | more)), figures)
    return result, next(path for path in result.paths if path.path is Path.ANODE_CATHODE)


def test_a_crossover_current_is_the_flow_that_practice_gives_for_it() -> None:
    """2 mA/cm² on 50 cm² is 0.70 mL/min a cell at 0 °C (Faraday's law)."""
    ml_min = volume_flow(2e-3 * 50 / (2 * FARADAY)) / ML_MIN

    assert ml_min == pytest.approx(0.70, abs=0.005)


@given(FLOW, FLOW, FLOW, st.floats(0.0, 1.0), st.floats(1e-9, 1e-6))
def test_no_verdict_is_told_that_some_permeation_within_its_bounds_belies(
    leak: float, one: float, other: float, share: float, limit: float
) -> None:
    bounds = Bounds(min(one, other), max(one, other))
    permeation = bounds.least_mol_s + share * (bounds.most_mol_s - bounds.least_mol_s)
    total = LeakRate(Estimate(leak + permeation, 0.0), 1e-12, 2e-12, Detection.SEEN)

    verdict = judge_apart(total, bounds, limit)

    if verdict is Verdict.PASS:
        assert leak <= limit * (1 + 1e-9) + 1e-15
    if verdict is Verdict.FAIL:
        assert leak > limit * (1 - 1e-9) - 1e-15


@given(FLOW, st.floats(1e-9, 1e-6))
def test_without_a_known_permeation_no_leak_fails(total: float, limit: float) -> None:
    rate = LeakRate(Estimate(total, 0.0), 1e-12, 2e-12, Detection.SEEN)

    assert judge_apart(rate, None, limit) is not Verdict.FAIL
    assert judge_apart(rate, None, 2 * total + limit) is Verdict.PASS


def test_permeation_is_taken_off_before_the_leak_is_judged() -> None:
    """10 wet cells at 130 kPa let 0.38 to 0.64 mL/min through; 0.55 mL/min may leak."""
    tight = replace(
        FIGURES,
        limits=tuple(replace(limit, most_mbar_l_s=0.01) for limit in FIGURES.limits),
        permeation=(replace(HELIUM, least_ml_min=0.03, most_ml_min=0.05),),
    )

    _result, path = across(0.70, tight)

    assert path.permeation is not None
    assert volume_flow(path.permeation.least_mol_s) / ML_MIN == pytest.approx(0.377, abs=1e-3)
    assert volume_flow(path.permeation.most_mol_s) / ML_MIN == pytest.approx(0.6415, abs=1e-3)
    assert path.verdict is Verdict.PASS
    assert judge(path.rate.leak, mol_s(0.01)) is Verdict.FAIL, "all of it together"


def test_a_leak_beyond_all_permeation_fails() -> None:
    _result, path = across(3.0)

    assert path.verdict is Verdict.FAIL


def test_a_range_wider_than_the_limit_cannot_be_told() -> None:
    wide = replace(FIGURES, permeation=(replace(HELIUM, least_ml_min=0.0, most_ml_min=0.5),))

    result, path = across(3.0, wide)

    assert path.verdict is Verdict.UNDECIDED
    said = "A leak between anode and cathode cannot be told: the permeation of 10 cells is known to"
    assert any(remark.startswith(said) for remark in result.remarks)


@pytest.mark.parametrize("state", [Wetness.DRY, None])
def test_a_state_without_figures_is_said_to_be_unknown(state: Wetness | None) -> None:
    result, path = across(3.0, state=state)

    assert (path.verdict, path.permeation) == (Verdict.UNDECIDED, None)
    assert any("the leak cannot be told from it" in remark for remark in result.remarks)


def test_nitrogen_is_judged_whole() -> None:
    result, path = across(3.0, LEAK_FIGURES, gas="nitrogen")

    assert (path.verdict, path.permeation) == (Verdict.FAIL, None)
    assert not any("ermeation" in remark for remark in result.remarks)


def test_less_than_the_least_permeation_points_to_meter_gas_or_state() -> None:
    result, _path = across(0.0, cells=40)

    assert any("check meter, gas and state" in remark for remark in result.remarks)
    assert result.verdict is not Verdict.PASS


def test_the_rate_stands_beside_in_ml_min_for_a_cell() -> None:
    _result, path = across(0.40)

    aside = path_line(path).aside.replace("\u2009", " ")
    assert aside.startswith(
        "0.040 mL/min for each cell at 0 °C, 101.325 kPa; of all 0.40 mL/min permeation is"
        " 0.13 to 0.38, leak 0.015 to 0.27"
    )


def test_wet_cells_lose_the_part_of_the_vapour_at_the_least() -> None:
    dry = replace(HELIUM, state=Wetness.DRY)

    wet_least = HELIUM.of_cells(1, 101_325.0, 293.15).least_mol_s
    dry_least = dry.of_cells(1, 101_325.0, 293.15).least_mol_s

    assert wet_least / dry_least == pytest.approx(1 - 2339 / 101_325, rel=1e-4)
    assert dry_least == pytest.approx(amount_flow(0.01 * ML_MIN))


def test_permeation_is_typed_as_it_is_shown() -> None:
    figures = DesignFigures(leak=FIGURES)

    assert from_form(to_form(figures)) == figures
    with pytest.raises(Inconsistent, match="is more than the most"):
        replace(HELIUM, least_ml_min=0.04)
    with pytest.raises(Inconsistent, match="named twice"):
        replace(FIGURES, permeation=(HELIUM, HELIUM))


def test_a_pass_needs_no_permeation() -> None:
    """All of it together keeps to the limit, whatever part of it is permeation."""
    result, path = across(0.4, replace(FIGURES, permeation=()))

    assert path.verdict is Verdict.PASS
    assert not any("ermeation" in remark for remark in result.remarks)
