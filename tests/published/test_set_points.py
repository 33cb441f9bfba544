"""Set points against printed values: Faraday's law, heat, coolant, steam tables."""

import pytest

from service.limits.arithmetic.set_points import (
    MOLAR_MASS_HYDROGEN,
    MOLAR_MASS_OXYGEN,
    THERMONEUTRAL_HHV,
    THERMONEUTRAL_LHV,
    CellWindow,
    Feed,
    Operation,
    Oxidant,
    SetPoints,
    set_points,
)
from service.physics.arithmetic.gases import (
    AT_20_C,
    AT_25_C,
    FARADAY,
    NORMAL,
    Reference,
    volume_flow,
)
from service.physics.arithmetic.water import CoolantState, coolant_at, saturation_pressure
from tests.published.cases import cases

CASES = cases("set_points")
WATER_65 = CoolantState("water", 980.57, 4185.2)


def a_stack(
    cells: int = 1,
    current: float = 1.0,
    hydrogen: float = 1.0,
    oxidant: float = 1.0,
    *,
    gas: Oxidant = Oxidant.AIR,
    at: Reference = NORMAL,
) -> SetPoints:
    return set_points(
        cells,
        Operation(
            current,
            Feed(hydrogen),
            Feed(oxidant),
            CellWindow(0.5, 0.65, 1.0),
            WATER_65,
            5.0,
            gas,
            0.21,
            at,
        ),
    )


def test_consumption_and_product_of_one_cell() -> None:
    case, air, oxygen = CASES["SB-01"], a_stack(), a_stack(gas=Oxidant.OXYGEN)

    case.check("n_H2", air.hydrogen.amount_mol_s)
    case.check("m_H2", air.hydrogen.mass_kg_s)
    case.check("n_O2", oxygen.oxidant.amount_mol_s)
    case.check("m_O2", oxygen.oxidant.mass_kg_s)
    case.check("m_H2O", air.product_water_kg_s)
    assert oxygen.oxidant.mass_kg_s / oxygen.oxidant.amount_mol_s == MOLAR_MASS_OXYGEN


def test_air_of_one_cell() -> None:
    CASES["SB-02"].check("m_air", a_stack().oxidant.mass_kg_s)


def test_hydrogen_of_an_ampere_hour() -> None:
    """The handbook's Faraday constant is 96,487 C/mol, hence the rescaling."""
    case = CASES["SB-03"]
    found = a_stack().hydrogen.amount_mol_s * 3600 * FARADAY / case["F"]

    case.check("n_H2", found)
    case.check("m_H2", found * case["M_H2"] / 1e3)
    assert pytest.approx(case["M_H2"] / 1e3, rel=1e-4) == MOLAR_MASS_HYDROGEN


@pytest.mark.parametrize(
    ("name", "at"), [("V_H2_0C", NORMAL), ("V_H2_20C", AT_20_C), ("V_H2_25C", AT_25_C)]
)
def test_litres_at_three_reference_conditions(name: str, at: Reference) -> None:
    case, found = CASES["SB-04"], a_stack(at=at)

    case.check(name, found.hydrogen.volume_m3_s * 6e7)
    assert found.reference == at.name
    if at is NORMAL:
        case.check("V_air_0C_xO2_0.21", found.oxidant.volume_m3_s * 6e7)


def test_heat_and_power() -> None:
    case, found = CASES["SB-05"], a_stack(20, 100.0)

    case.check("P_gross", found.power_w)
    case.check("Q_LHV", found.heat_lhv_w)
    case.check("Q_HHV", found.heat_hhv_w)
    case.check("eta_LHV", found.efficiency_lhv)
    case.check("eta_HHV", found.efficiency_hhv)


def test_thermoneutral_voltages() -> None:
    CASES["SB-06"].check("E_LHV", THERMONEUTRAL_LHV)
    CASES["SB-06"].check("E_HHV", THERMONEUTRAL_HHV)


def test_coolant_for_a_rise_of_5_k() -> None:
    case, found = CASES["SB-07"], a_stack(20, 100.0)
    table = coolant_at("water", case["T_mean"] + 273.15)

    case.check("m", found.coolant_kg_s)
    case.check("V", found.coolant_m3_s * 6e4)
    assert table.density == pytest.approx(case["rho"], rel=1e-4)
    assert table.heat_capacity == pytest.approx(case["cp"], rel=1e-3)


def test_feeds_of_twenty_cells() -> None:
    case, found = CASES["SB-09"], a_stack(20, 100.0, 1.5, 2.0)

    case.check("V_H2", found.hydrogen.volume_m3_s * 6e4)
    case.check("V_air", found.oxidant.volume_m3_s * 6e4)
    case.check("m_H2O", found.product_water_kg_s * 1e3)
    case.check("V_H2_20C", volume_flow(found.hydrogen.amount_mol_s, AT_20_C) * 6e4)


def test_steam_tables() -> None:
    case = CASES["SB-15"]

    case.check("p_sat_60C", saturation_pressure(333.15) / 1e3)
    case.check("p_sat_70C", saturation_pressure(343.15) / 1e3)


@pytest.mark.parametrize(("kelvin", "mpa"), [(300.0, 0.353658941e-2), (500.0, 0.263889776e1)])
def test_verification_values_of_if97(kelvin: float, mpa: float) -> None:
    """IAPWS-IF97, table 35, nine digits; from memory."""
    assert saturation_pressure(kelvin) / 1e6 == pytest.approx(mpa, rel=1e-8)
