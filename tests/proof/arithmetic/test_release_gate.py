"""What keeps the gate to hydrogen shut."""

import pytest

from service.limits.arithmetic.figures import DesignFigures, InsulationRule, ShortFigures
from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_paths import Circuit
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.retests import Retest
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import (
    InsulationMeasured,
    InsulationTest,
    ShortCheck,
    ShortMethod,
)
from service.proof.arithmetic.leak_tests import Arrived, LeakTest
from service.proof.arithmetic.release_gate import RequiredVerdict, Standing, gate, wanted_verdicts
from service.proof.arithmetic.stack_tests import StackTest, judge_test
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay

FIGURES = DesignFigures(
    leak=LEAK_FIGURES,
    insulation=(InsulationRule(Between.RODS_PLATES, Condition.DRY, 0.0, 1.0, "1 MΩ"),),
    shorts=ShortFigures(),
    limits=(Limit(Quantity.PROTRUSION, 3.0, None, "two threads"),),
)
CLOSED = RequiredVerdict("limits of the closed clamp", Verdict.PASS)
OTHERS = {
    3: (Circuit.ANODE, Circuit.CATHODE),
    4: (Circuit.CATHODE, Circuit.COOLANT),
    5: (Circuit.ANODE, Circuit.COOLANT),
}


def leak(set_up: int, drop: float = 0.01) -> LeakTest:
    return a_decay(drop, set_up=set_up, arrived=tuple(Arrived(it, 0.0) for it in OTHERS[set_up]))


RODS = InsulationTest(
    10, True, False, (InsulationMeasured(Between.RODS_PLATES, Condition.DRY, 9.0, 100.0),)
)
SHORTS = ShortCheck(ShortMethod.RESISTANCE, (40.0,) * 10, 100.0)
ALL: tuple[StackTest, ...] = (leak(3), leak(4), leak(5), RODS, SHORTS)


def standing(*tests: StackTest, outdated_by: str = "") -> list[Standing]:
    words = dict.fromkeys(Retest, outdated_by) if outdated_by else {}
    return [Standing(judge_test(test, FIGURES), words) for test in tests]


def shut(
    *tests: Standing, closing: RequiredVerdict | None = CLOSED, **more: bool
) -> tuple[str, ...]:
    wanted = wanted_verdicts(FIGURES, tests, closing)
    said = {"limits_in_force": True, "record_approved": True, "set_points_acknowledged": True}
    return gate(wanted, **{**said, **more})


def test_nothing_keeps_it_shut_once_all_is_there() -> None:
    assert shut(*standing(*ALL)) == ()


def test_every_verdict_is_wanted_by_its_name() -> None:
    names = [it.what for it in wanted_verdicts(FIGURES, [])]

    assert names == [
        "leak anode to outside",
        "leak cathode to outside",
        "leak coolant to outside",
        "leak between anode and cathode",
        "leak between anode and coolant",
        "leak between cathode and coolant",
        "insulation tie rods to plates, dry",
        "shorts of cells",
        "limits of the closed clamp",
    ]


@pytest.mark.parametrize("left_out", range(5))
def test_each_test_that_is_missing_keeps_it_shut(left_out: int) -> None:
    tests = [test for at, test in enumerate(ALL) if at != left_out]

    said = shut(*standing(*tests))

    assert said
    assert all("not tested, or no limit was in force" in sentence for sentence in said)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("limits_in_force", "No figures and limits of the design are in force."),
        ("record_approved", "The record that made this build is not approved."),
        (
            "set_points_acknowledged",
            "The set points for this number of cells are not acknowledged.",
        ),
    ],
)
def test_each_condition_keeps_it_shut_by_itself(name: str, said: str) -> None:
    assert shut(*standing(*ALL), **{name: False}) == (said,)


def test_a_failed_test_keeps_it_shut_until_a_retest_passes() -> None:
    failed = standing(leak(4, drop=25.0))

    assert shut(*standing(*ALL), *failed) == ("Leak anode to outside: failed.",)
    assert shut(*standing(*ALL), *failed, *standing(leak(4))) == ()


def test_an_outdated_verdict_keeps_it_shut_and_says_by_what() -> None:
    said = shut(*standing(*ALL, outdated_by="re-torque on 2026-03-07 14:20"))

    assert len(said) == 8
    assert said[0] == ("Leak anode to outside: test again (re-torque on 2026-03-07 14:20 since).")
    assert said[-1].startswith("Shorts of cells: test again")


def test_a_retest_after_a_re_torque_opens_it_again() -> None:
    assert shut(*standing(*ALL, outdated_by="re-torque"), *standing(*ALL)) == ()


def test_an_old_failure_does_not_count_against_a_newer_pass_nor_an_old_pass_for_it() -> None:
    old = standing(leak(4, drop=25.0), outdated_by="re-torque")

    assert shut(*old, *standing(*ALL)) == ()
    only_old = shut(*old, *standing(leak(3), leak(5), RODS, SHORTS))
    assert only_old == ("Leak anode to outside: test again (re-torque since).",)


def test_an_undecided_closing_or_none_keeps_it_shut() -> None:
    undecided = RequiredVerdict("limits of the closed clamp", Verdict.UNDECIDED)

    assert shut(*standing(*ALL), closing=undecided)[0].startswith(
        "Limits of the closed clamp: undecided"
    )
    assert shut(*standing(*ALL), closing=None)[0].startswith("Limits of the closed clamp: not")


def test_a_design_that_asks_for_nothing_opens_nothing() -> None:
    said = gate(
        wanted_verdicts(DesignFigures(), standing(*ALL)),
        limits_in_force=True,
        record_approved=True,
        set_points_acknowledged=True,
    )

    assert said == ("The limits in force ask for no test: no verdict can open the gate.",)
