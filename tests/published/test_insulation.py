"""Insulation limits and resistances against printed values."""

import pytest

from service.limits.arithmetic.insulation import (
    DC_LIMIT,
    WITH_AC_LIMIT,
    Between,
    Condition,
    InsulationLimit,
    InsulationReading,
    judge_insulation,
)
from tests.published.cases import cases

CASES = cases("insulation")


def test_ohms_per_volt() -> None:
    case = CASES["IN-01"]

    case.check("R_dc", DC_LIMIT.ohm(case["U_dc"]) / 1e3)
    case.check("R_combined", WITH_AC_LIMIT.ohm(case["U_mixed"]) / 1e3)


@pytest.mark.parametrize(
    ("name", "limit", "volt"),
    [("I_dc_limit", DC_LIMIT, 60.0), ("I_ac_limit", WITH_AC_LIMIT, 400.0)],
)
def test_current_at_the_limit(name: str, limit: InsulationLimit, volt: float) -> None:
    reading = InsulationReading(
        Between.PLATES_GROUND, Condition.WITH_COOLANT, limit.ohm(volt), 500.0
    )

    found = judge_insulation(reading, limit, volt, cells_bonded=True, hydrogen_present=False)

    CASES["IN-01"].check(name, found.current_a * 1e3)
