"""Insulation verdicts and what must not be measured; shorts among cells."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.insulation import (
    DC_LIMIT,
    DRY_RODS_LIMIT,
    Between,
    Condition,
    InsulationLimit,
    InsulationReading,
    InsulationResult,
    judge_insulation,
    working_voltage,
)
from service.limits.arithmetic.shorts import CellCheck, shorts_by_resistance, shorts_by_voltage
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.verdicts import Verdict


def judged(
    ohm: float,
    *,
    u: float = 0.05,
    over: bool = False,
    volt: float = 100.0,
    bonded: bool = True,
    hydrogen: bool = False,
    limit: InsulationLimit = DRY_RODS_LIMIT,
) -> InsulationResult:
    reading = InsulationReading(Between.RODS_PLATES, Condition.DRY, ohm, volt, u, over)
    return judge_insulation(
        reading, limit, working_voltage(20), cells_bonded=bonded, hydrogen_present=hydrogen
    )


@pytest.mark.parametrize(
    ("ohm", "over", "verdict"),
    [
        (2e6, False, Verdict.PASS),
        (1.02e6, False, Verdict.UNDECIDED),
        (0.5e6, False, Verdict.FAIL),
        (0.0, False, Verdict.FAIL),
        (2e9, True, Verdict.PASS),
        (0.5e6, True, Verdict.UNDECIDED),
    ],
)
def test_verdicts(ohm: float, over: bool, verdict: Verdict) -> None:
    """A tester that shows only "more than 0.5 MΩ" cannot decide about 1 MΩ."""
    assert judged(ohm, over=over).verdict is verdict


def test_the_limit_follows_the_voltage_and_its_source_is_kept() -> None:
    found = judged(10e3, limit=DC_LIMIT)

    assert found.limit_ohm == pytest.approx(100 * 24.6)
    assert found.standard == DC_LIMIT.standard
    assert found.current_a == pytest.approx(24.6 / 10e3)
    assert InsulationLimit(100.0, 5e3, "own").ohm(10.0) == 5e3


def test_dangerous_readings_are_refused() -> None:
    with pytest.raises(Inconsistent, match="not bonded together"):
        judged(2e6, bonded=False)
    with pytest.raises(Inconsistent, match="Hydrogen is in the stack"):
        judged(2e6, hydrogen=True)


def test_a_test_below_the_working_voltage_says_nothing() -> None:
    with pytest.raises(OutOfRange, match="the test voltage is 10 V; allowed: the working voltage"):
        judged(2e6, volt=10.0)


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ((0.0, 0.0, "own"), "needs Ω per volt"),
        ((100.0, 0.0, "  "), "Name the standard"),
    ],
)
def test_a_limit_needs_a_figure_and_a_source(limit: tuple[float, float, str], words: str) -> None:
    with pytest.raises(Inconsistent, match=words):
        InsulationLimit(*limit)


def test_shorts_by_resistance() -> None:
    found = shorts_by_resistance([40.0, None, 35.0, 0.0, 6.0, 38.0], 200.0)

    assert [cell.check for cell in found] == [
        CellCheck.FREE,
        CellCheck.NOT_MEASURED,
        CellCheck.FREE,
        CellCheck.SHORTED,
        CellCheck.SUSPECT,
        CellCheck.FREE,
    ]
    assert found[4].why == "1200 Ω·cm² is much less than the other cells have"
    assert [cell.cell for cell in found] == [1, 2, 3, 4, 5, 6]
    assert found[1].value is None


def test_shorts_by_open_circuit_voltage() -> None:
    found = shorts_by_voltage([0.98, 0.979, 0.981, 0.93, 0.85, 0.1, -0.2, None])

    assert [cell.check for cell in found] == [
        CellCheck.FREE,
        CellCheck.FREE,
        CellCheck.FREE,
        CellCheck.FREE,
        CellCheck.SUSPECT,
        CellCheck.SHORTED,
        CellCheck.SHORTED,
        CellCheck.NOT_MEASURED,
    ]
    assert "look at the leads" in found[6].why


def test_a_cell_far_below_alike_ones_is_suspect() -> None:
    found = shorts_by_voltage([0.98, 0.979, 0.981, 0.98, 0.978, 0.92])

    assert found[5].check is CellCheck.SUSPECT
    assert found[5].why == "0.92 V lies far below the other cells"
    within_resolution = shorts_by_voltage([0.980, 0.980, 0.980, 0.980, 0.970])
    assert all(cell.check is CellCheck.FREE for cell in within_resolution)


@given(st.permutations([0.98, 0.97, 0.96, 0.88, 0.2]))
def test_the_place_of_a_cell_does_not_matter(voltages: list[float]) -> None:
    found = {cell.value: cell.check for cell in shorts_by_voltage(voltages)}

    assert found == {
        cell.value: cell.check for cell in shorts_by_voltage([0.98, 0.97, 0.96, 0.88, 0.2])
    }


def test_readings_that_cannot_be_are_told() -> None:
    with pytest.raises(OutOfRange, match=r"the voltage of cell 2 is 9\.8 V"):
        shorts_by_voltage([0.98, 9.8])
    with pytest.raises(OutOfRange, match="the resistance of cell 1 is -3 Ω"):
        shorts_by_resistance([-3.0], 100.0)
    with pytest.raises(OutOfRange, match="the active area is 0 cm²"):
        shorts_by_resistance([3.0], 0.0)
    with pytest.raises(Inconsistent, match="No cell was measured"):
        shorts_by_voltage([None, None])
    with pytest.raises(Inconsistent, match="must lie below that of a good one"):
        shorts_by_voltage([0.9], 0.3, 0.5)
