"""Tests of tightness judged by a design's figures."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.leak_figures import mbar_l_s, mol_s
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.physics.arithmetic.gases import NITROGEN, Across, amount_flow, as_hydrogen
from service.physics.arithmetic.tightness import Detection, pressure_decay
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.leak_tests import ML_MIN, Arrived, Method
from service.proof.arithmetic.stack_tests import judge_leak
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay


def test_the_rate_is_that_of_the_bare_function() -> None:
    test = a_decay(0.5)
    wanted = pressure_decay(test.start, test.end, 1200.0, 0.15e-3, test.instruments)

    found = judge_leak(test, LEAK_FIGURES)

    assert found.lost.rate_mol_s == pytest.approx(wanted.rate.value)
    assert found.lost.u_mol_s == pytest.approx(wanted.rate.u)
    # by hand: 5 mbar from 0.15 L in 1200 s, gas at 22 °C counted at 20 °C
    by_hand = 5 * 0.15 / 1200 * 293.15 / 295.15
    assert found.lost.in_mbar_l_s.value == pytest.approx(by_hand, rel=1e-9)


def test_a_rate_below_detection_is_kept_as_such_and_never_zero() -> None:
    found = judge_leak(a_decay(0.01), LEAK_FIGURES)

    assert found.lost.seen is Detection.BELOW_DETECTION
    assert found.lost.rate_mol_s != 0
    assert found.lost.detection_limit_mol_s > 0
    assert found.verdict is Verdict.PASS


def test_what_arrived_is_taken_from_what_was_lost() -> None:
    arrived = (Arrived(Circuit.CATHODE, 3.0), Arrived(Circuit.COOLANT, 0.0))

    found = judge_leak(a_decay(4.0, arrived=arrived), LEAK_FIGURES)

    paths = {it.path: it for it in found.paths}
    across = amount_flow(3.0 * ML_MIN)
    assert paths[Path.ANODE_CATHODE].rate.rate_mol_s == pytest.approx(across)
    assert paths[Path.ANODE_CATHODE].verdict is Verdict.FAIL
    assert paths[Path.ANODE_OUTSIDE].rate.rate_mol_s == pytest.approx(
        found.lost.rate_mol_s - across
    )
    assert not any(it.is_bound for it in found.paths)
    assert found.verdict is Verdict.FAIL


def test_what_was_not_watched_is_a_bound_that_may_pass_but_not_fail() -> None:
    tight, leaky = (judge_leak(a_decay(drop, arrived=()), LEAK_FIGURES) for drop in (0.5, 60.0 / 2))

    assert [(it.is_bound, it.verdict) for it in tight.paths] == [(True, Verdict.PASS)] * 3
    assert [(it.is_bound, it.verdict) for it in leaky.paths] == [(True, Verdict.UNDECIDED)] * 3


def test_all_joined_is_judged_by_the_sum_of_the_paths_outward() -> None:
    joined = a_decay(2.0, set_up=2, arrived=())

    found = judge_leak(joined, LEAK_FIGURES)

    assert found.limit_mbar_l_s == pytest.approx(0.06)
    assert found.lost.in_mbar_l_s.value == pytest.approx(0.0075, rel=0.01)
    assert found.verdict is Verdict.PASS
    assert [it.path for it in found.paths] == [
        Path.ANODE_OUTSIDE,
        Path.CATHODE_OUTSIDE,
        Path.COOLANT_OUTSIDE,
    ]


def test_a_rig_that_loses_too_much_is_to_be_mended_first() -> None:
    rig = a_decay(10.0, set_up=1, arrived=(), volume_l=0.1)

    found = judge_leak(rig, LEAK_FIGURES)

    assert found.limit_mbar_l_s == pytest.approx(0.002)
    assert found.verdict is Verdict.FAIL
    assert "The rig alone loses more than a tenth of the least limit: mend it first." in (
        found.remarks
    )


def test_the_flow_meters_method_needs_no_volume() -> None:
    by_meter = a_decay(method=Method.FLOW_METER, flow_ml_min=2.0, flow_zero_ml_min=0.1, arrived=())

    found = judge_leak(by_meter, replace(LEAK_FIGURES, circuits=()))

    assert found.lost.rate_mol_s == pytest.approx(amount_flow(1.9 * ML_MIN))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"gas": "helium"}, "Tested with helium; the limits hold for nitrogen."),
        (
            {"start_pressure_kpa": 20.0, "end_pressure_kpa": 19.99},
            "stood at 20.0\u2009kPa gauge; its test pressure is 30\u2009kPa gauge.",
        ),
        (
            {"start_pressure_kpa": 131.0, "end_pressure_kpa": 130.99},
            "Was an absolute pressure typed as gauge?",
        ),
    ],
)
def test_a_test_under_other_conditions_passes_nothing(more: dict[str, object], said: str) -> None:
    found = judge_leak(a_decay(**{"drop_kpa": 0.01, **more}), LEAK_FIGURES)  # type: ignore[arg-type]

    assert found.verdict is Verdict.UNDECIDED
    assert any(said in remark for remark in found.remarks)


def test_without_limits_nothing_is_decided() -> None:
    no_figures = judge_leak(a_decay(volume_l=0.15), None)
    no_limits = judge_leak(a_decay(), replace(LEAK_FIGURES, limits=()))
    one = judge_leak(a_decay(0.01), replace(LEAK_FIGURES, limits=LEAK_FIGURES.limits[:1]))

    assert no_figures.verdict is no_limits.verdict is Verdict.UNDECIDED
    assert no_limits.paths[0].verdict is None
    assert one.verdict is Verdict.PASS
    assert any("No limit is in force for the path between" in it for it in one.remarks)


def test_hydrogen_is_told_for_the_paths_of_the_anode_alone() -> None:
    found = judge_leak(a_decay(4.0), LEAK_FIGURES)
    outside = next(it for it in found.paths if it.path is Path.ANODE_OUTSIDE)
    wanted = as_hydrogen(
        outside.rate.rate_mol_s,
        NITROGEN,
        Across(130e3, 100e3, 295.15),
        Across(150e3, 100e3, 295.15),
        3e-3,
    )

    assert outside.hydrogen is not None
    assert outside.hydrogen.viscous_mol_s == pytest.approx(wanted.viscous_mol_s)
    assert outside.hydrogen.molecular_mol_s == pytest.approx(wanted.molecular_mol_s)
    assert outside.hydrogen.regime is wanted.regime
    assert not outside.hydrogen.at_most
    coolant = judge_leak(a_decay(set_up=3, arrived=()), LEAK_FIGURES)
    assert [it.hydrogen is not None for it in coolant.paths] == [False, True, False]


def test_hydrogen_of_a_leak_that_was_not_seen_is_a_most() -> None:
    found = judge_leak(a_decay(0.0), LEAK_FIGURES).paths[0]

    assert found.hydrogen is not None
    assert found.hydrogen.at_most


@given(st.floats(0.0, 20.0), st.floats(0.01, 9.0))
def test_a_greater_drop_is_never_judged_better(drop: float, more: float) -> None:
    order = [Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL]
    low, high = (judge_leak(a_decay(it), LEAK_FIGURES) for it in (drop, drop + more))

    assert high.lost.rate_mol_s > low.lost.rate_mol_s
    assert order.index(high.verdict) >= order.index(low.verdict)


@given(st.floats(1e-4, 1.0))
def test_the_limit_itself_is_never_passed(limit: float) -> None:
    figures = replace(
        LEAK_FIGURES, limits=tuple(replace(it, most_mbar_l_s=limit) for it in LEAK_FIGURES.limits)
    )
    drop = mol_s(limit) / mol_s(mbar_l_s(1.0)) * 1200 * 8.314462618 * 295.15 / 0.15e-3 / 1e3

    if drop < 30:
        found = judge_leak(a_decay(drop), figures)
        outside = next(it for it in found.paths if it.path is Path.ANODE_OUTSIDE)
        assert outside.verdict is Verdict.UNDECIDED
