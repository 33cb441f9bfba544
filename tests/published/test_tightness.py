"""Leak rates, their units, their uncertainty and other gases, against printed values."""

import pytest

from service.physics.arithmetic.gases import (
    AIR,
    AT_20_C,
    GAS_CONSTANT,
    HELIUM,
    HYDROGEN,
    NITROGEN,
    NORMAL,
    Across,
    Gas,
    amount_flow,
    molecular_factor,
    regime_of,
    throughput,
    viscous_factor,
    volume_flow,
)
from service.physics.arithmetic.tightness import GasReading, Instruments, pressure_decay
from service.platform.arithmetic.units import Measure, from_si, to_si
from tests.published.cases import cases

CASES = cases("tightness")
NO_DOUBT = Instruments(0.0, 0.0)
AT_20 = Across(2e5, 1e5, 293.15)


def test_worked_example_of_40_cfr_1065_644() -> None:
    case = CASES["LK-01"]
    start = GasReading(case["p1"] * 1e3, case["T1"])
    end = GasReading(case["p2"] * 1e3, case["T2"])

    found = pressure_decay(start, end, case["dt"], case["V"] / 1e3, NO_DOUBT)

    case.check("n_leak", -found.rate.value)  # pressure rises: gas came in
    case.check("n_leak_more_digits", -found.rate.value)
    case.check(
        "Q_at_20C", from_si(throughput(-found.rate.value, 293.15), "mbar·L/s", Measure.LEAK_RATE)
    )


def test_units_of_leak_rates() -> None:
    case, one = CASES["LK-02"], to_si(1.0, "mbar·L/s", Measure.LEAK_RATE)

    case.check("Pa_m3_s", one)
    case.check("sccm_0C", from_si(one, "sccm", Measure.LEAK_RATE))
    case.check("cm3_s", from_si(one, "atm·cm³/s", Measure.LEAK_RATE))
    case.check("Torr_L_s", from_si(one, "Torr·L/s", Measure.LEAK_RATE))


def test_one_cubic_centimetre_a_minute() -> None:
    case, one = CASES["LK-03"], to_si(1.0, "sccm", Measure.LEAK_RATE)

    case.check("Pa_m3_s", one)
    case.check("mbar_L_s", from_si(one, "mbar·L/s", Measure.LEAK_RATE))
    case.check("mol_s", amount_flow(1e-6 / 60, NORMAL))
    assert throughput(amount_flow(1e-6 / 60)) == pytest.approx(one, rel=1e-12)


@pytest.mark.parametrize(("name", "gas"), [("H2", HYDROGEN), ("N2", NITROGEN), ("air", AIR)])
def test_helium_leaks_as_other_gases(name: str, gas: Gas) -> None:
    case = CASES["LK-04"]

    case.check(f"visc_{name}", viscous_factor(HELIUM, AT_20, gas, AT_20))
    case.check(f"mol_{name}", molecular_factor(HELIUM, AT_20, gas, AT_20))


@pytest.mark.parametrize(("name", "gas"), [("N2", NITROGEN), ("air", AIR)])
def test_nitrogen_and_air_leaks_as_hydrogen(name: str, gas: Gas) -> None:
    case = CASES["LK-06"]

    case.check(f"visc_{name}_to_H2", viscous_factor(gas, AT_20, HYDROGEN, AT_20))
    case.check(f"mol_{name}_to_H2", molecular_factor(gas, AT_20, HYDROGEN, AT_20))


def test_viscous_leak_at_twice_the_pressure() -> None:
    case = CASES["LK-08"]
    test = Across(case["P1"] * 101_325.0, case["P2"] * 101_325.0, 293.15)
    use = Across(case["P1_new"] * 101_325.0, case["P2"] * 101_325.0, 293.15)

    case.check("Q_new", case["Q1"] * viscous_factor(HELIUM, test, HELIUM, use))
    case.check("Q_new_air", case["Q1"] * viscous_factor(HELIUM, test, AIR, use))


def test_fill_pressure_of_5_and_10_bar() -> None:
    """Printed: a rate of 1 becomes 4.1 in laminar and 2.3 in molecular flow.

    Source: "How does a leak rate change when changing the fill gas pressure?", newsletter of a
    maker of leak detectors, summer 2008; read.
    """
    test, use = Across(5e5, 1e5, 293.15), Across(10e5, 1e5, 293.15)

    assert viscous_factor(HELIUM, test, HELIUM, use) == pytest.approx(4.1, abs=0.05)
    assert molecular_factor(HELIUM, test, HELIUM, use) == pytest.approx(2.3, abs=0.06)


def test_bounds_of_the_regimes() -> None:
    """Free path by width of the hole: below 0.01 viscous, above 1 molecular.

    Source: a helium leak detector's manual, appendix on leak flow regime; read.
    """
    assert [regime_of(knudsen).value for knudsen in (0.009, 0.011, 0.99, 1.01)] == [
        "viscous",
        "between viscous and molecular",
        "between viscous and molecular",
        "molecular",
    ]


def test_free_path_in_air() -> None:
    """Printed: 65.4 nm in dry air at 20 °C (Jennings, J. Aerosol Sci. 1988, from memory)."""
    assert 1e9 * AIR.free_path(101_325.0, 293.15) == pytest.approx(65.4, abs=0.2)


def test_pressure_decay_with_temperatures() -> None:
    case = CASES["LK-10"]
    start = GasReading(case["p1"] * 1e5, case["T1"] + 273.15)
    end = GasReading(case["p2"] * 1e5, case["T2"] + 273.15)
    volume = case["V"] / 1e3

    found = pressure_decay(start, end, case["t"], volume, NO_DOUBT)
    apparent = pressure_decay(
        start, GasReading(end.pressure_pa, start.temperature_k), case["t"], volume, NO_DOUBT
    )

    in_mbar_litres = 10 * GAS_CONSTANT * start.temperature_k
    case.check("Q_corrected", found.rate.value * in_mbar_litres)
    case.check("Q_apparent", apparent.rate.value * in_mbar_litres)
    case.check("V_std", volume_flow(found.rate.value, NORMAL) * 6e7)
    assert volume_flow(1.0, AT_20_C) > volume_flow(1.0, NORMAL)


def test_uncertainty_of_the_corrected_rate() -> None:
    case = CASES["LK-18"]
    volume, start, end = 0.85e-3, GasReading(201_320.0, 295.55), GasReading(200_580.0, 295.05)

    found = pressure_decay(
        start, end, 600.0, volume, Instruments(10.0, 0.05, 0.020 / 0.85, u_duration_s=0.5)
    )

    in_mbar_litres = found.rate.scaled(10 * GAS_CONSTANT * start.temperature_k)
    case.check("Q", in_mbar_litres.value)
    case.check("u_Q", in_mbar_litres.u)
    assert in_mbar_litres.parts[0][0] == "thermometer"
