"""Insulation limits and resistances against printed values."""

import pytest

from service.trade.insulation import (
    DC_LIMIT,
    WITH_AC_LIMIT,
    Between,
    Condition,
    InsulationLimit,
    InsulationReading,
    by_three_voltages,
    coolant_path,
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


def test_three_voltages_and_a_resistor() -> None:
    case = CASES["IN-02"]

    case.check(
        "R_i", by_three_voltages(case["V1"], case["V2"], case["V1p"], case["Ro"] * 1e3) / 1e3
    )


def test_coolant_in_the_hoses() -> None:
    case = CASES["IN-04"]
    conductivity = case["sigma"] * 1e-4  # µS/cm to S/m

    case.check("R_one", coolant_path(conductivity, case["L"], case["d_inner"] / 1e3) / 1e6)
    case.check("R_two", coolant_path(conductivity, case["L"], case["d_inner"] / 1e3, 2) / 1e6)
