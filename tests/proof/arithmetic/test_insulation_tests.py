"""Tests of insulation as made and judged."""

import pytest

from service.limits.arithmetic.figures import DesignFigures, InsulationRule
from service.limits.arithmetic.insulation import (
    Between,
    Condition,
    InsulationLimit,
    InsulationReading,
    judge_insulation,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import (
    InsulationMeasured,
    InsulationTest,
    judge_insulation_test,
)

RODS = (Between.RODS_PLATES, Condition.DRY)
GROUND = (Between.PLATES_GROUND, Condition.WITH_COOLANT)
FIGURES = DesignFigures(
    insulation=(
        InsulationRule(*RODS, 0.0, 1.0, "common practice, dry: 1 MΩ"),
        InsulationRule(*GROUND, 500.0, 0.0, "UN R100 5.1.3"),
    )
)


def measured(
    mohm: float, where: tuple[Between, Condition] = RODS, **more: bool
) -> InsulationMeasured:
    return InsulationMeasured(*where, mohm, 100.0, **more)


def a_test(*readings: InsulationMeasured, **more: object) -> InsulationTest:
    return InsulationTest(20, True, False, readings, **more)  # type: ignore[arg-type]


def test_a_reading_is_judged_as_by_the_bare_function() -> None:
    found = judge_insulation_test(a_test(measured(2.0), accuracy_percent=5.0), FIGURES)
    wanted = judge_insulation(
        InsulationReading(*RODS, 2e6, 100.0, 0.05 / 3**0.5),
        InsulationLimit(0.0, 1e6, "x"),
        20 * 1.23,
        cells_bonded=True,
        hydrogen_present=False,
    )

    one = found.found[0]
    assert found.verdict is wanted.verdict is Verdict.PASS
    assert one.current_ua == pytest.approx(wanted.current_a * 1e6)
    assert one.u_mohm == pytest.approx(0.1 / 3**0.5)
    assert one.limit_mohm == 1.0
    assert found.working_voltage_v == pytest.approx(24.6)


def test_the_worst_reading_decides() -> None:
    found = judge_insulation_test(a_test(measured(0.2), measured(5.0, GROUND)), FIGURES)

    assert [it.verdict for it in found.found] == [Verdict.FAIL, Verdict.PASS]
    assert found.verdict is Verdict.FAIL


def test_a_tester_beyond_its_range_passes_only_above_the_limit() -> None:
    above = judge_insulation_test(a_test(measured(50.0, over_range=True)), FIGURES)
    below = judge_insulation_test(a_test(measured(0.5, over_range=True)), FIGURES)

    assert (above.verdict, below.verdict) == (Verdict.PASS, Verdict.UNDECIDED)


def test_no_resistance_at_all_is_a_reading_that_fails() -> None:
    found = judge_insulation_test(a_test(measured(0.0)), FIGURES)

    assert found.verdict is Verdict.FAIL
    assert found.found[0].current_ua is None


def test_a_reading_without_a_rule_decides_nothing() -> None:
    found = judge_insulation_test(a_test(measured(9.0)), DesignFigures())

    assert found.verdict is Verdict.UNDECIDED
    assert found.found[0].verdict is None
    assert "tie rods to plates, dry" in found.remarks[0]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: InsulationTest(20, False, False, (measured(1.0),)), "not bonded together"),
        (lambda: InsulationTest(20, True, True, (measured(1.0),)), "Hydrogen is in the stack"),
        (a_test, "one reading at least"),
        (lambda: a_test(measured(1.0), measured(2.0)), "two readings are given"),
        (lambda: measured(-1.0), "is -1 MΩ; allowed: zero or more"),
        (lambda: a_test(measured(1.0), working_voltage_v=400.0), "test voltage is 100 V; allowed"),
        (lambda: a_test(measured(1.0), working_voltage_v=0.0), "working voltage is 0 V"),
    ],
)
def test_what_must_not_be_measured_so_is_refused(make, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(TradeError) as trouble:
        make()

    assert said in str(trouble.value)
