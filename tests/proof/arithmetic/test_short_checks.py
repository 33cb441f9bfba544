"""Checks of the cells for shorts as made and judged."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.figures import ShortFigures
from service.limits.arithmetic.shorts import CellCheck, shorts_by_voltage
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import ShortCheck, ShortMethod, judge_short_check

GOOD = (40.0, 38.0, 41.0, 39.0)


def test_cells_without_a_short_pass() -> None:
    found = judge_short_check(ShortCheck(ShortMethod.RESISTANCE, GOOD, 100.0), ShortFigures())

    assert found.verdict is Verdict.PASS
    assert found.unit == "Ω·cm²"
    assert found.cells[0].value == pytest.approx(4000.0)


def test_a_shorted_cell_fails_and_is_named() -> None:
    check = ShortCheck(ShortMethod.RESISTANCE, (*GOOD, 0.5, None), 100.0)

    found = judge_short_check(check, ShortFigures())

    assert found.verdict is Verdict.FAIL
    assert found.cells_that_are(CellCheck.SHORTED) == (5,)
    assert found.cells_that_are(CellCheck.NOT_MEASURED) == (6,)


def test_a_cell_suspect_or_not_measured_leaves_it_open() -> None:
    suspect = judge_short_check(
        ShortCheck(ShortMethod.VOLTAGE, (0.97, 0.96, 0.88), 100.0), ShortFigures()
    )
    missing = judge_short_check(
        ShortCheck(ShortMethod.VOLTAGE, (0.97, None, 0.96), 100.0), ShortFigures()
    )

    assert suspect.verdict is missing.verdict is Verdict.UNDECIDED
    assert suspect.unit == "V"


def test_the_designs_own_limit_goes_first() -> None:
    check = ShortCheck(ShortMethod.RESISTANCE, GOOD, 100.0)

    assert judge_short_check(check, ShortFigures(least_ohm_cm2=5000.0)).verdict is Verdict.FAIL


def test_without_figures_nothing_passes() -> None:
    good = judge_short_check(ShortCheck(ShortMethod.RESISTANCE, GOOD, 100.0), None)
    bad = judge_short_check(ShortCheck(ShortMethod.RESISTANCE, (*GOOD, 0.1), 100.0), None)

    assert (good.verdict, bad.verdict) == (Verdict.UNDECIDED, Verdict.FAIL)
    assert "common ones were used" in good.remarks[0]


@given(st.lists(st.floats(-1.0, 1.2) | st.none(), min_size=1, max_size=9))
def test_findings_are_those_of_the_bare_function(values: list[float | None]) -> None:
    if all(value is None for value in values):
        return
    found = judge_short_check(ShortCheck(ShortMethod.VOLTAGE, tuple(values), 100.0), ShortFigures())

    assert [it.check for it in found.cells] == [it.check for it in shorts_by_voltage(values)]


@pytest.mark.parametrize(
    ("way", "values", "area", "said"),
    [
        (ShortMethod.RESISTANCE, (-1.0,), 100.0, "the resistance of cell 1 is -1"),
        (ShortMethod.VOLTAGE, (0.9, 9.7), 100.0, "the voltage of cell 2 is 9.7 V"),
        (ShortMethod.VOLTAGE, (None,), 100.0, "No cell was measured"),
        (ShortMethod.RESISTANCE, GOOD, 0.0, "the active area is 0 cm²"),
    ],
)
def test_what_no_cell_can_have_is_refused(
    way: ShortMethod, values: tuple[float | None, ...], area: float, said: str
) -> None:
    with pytest.raises(TradeError) as trouble:
        ShortCheck(way, values, area)

    assert said in str(trouble.value)
