"""Test gases and hydrogen: what of a leak measured with one passes of the other.

SI units. Viscosities computed with CoolProp 8.0.0 at 101.325 kPa. Sources: leak detector manuals
(viscous flow by viscosity and squares of pressure, molecular flow by molar mass and difference of
pressure; Knudsen number 0.01 and 1 as bounds); Poiseuille; kinetic theory.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import exp, log, pi, sqrt

import numpy as np
from scipy.constants import Avogadro, Boltzmann, elementary_charge

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import (
    ZERO_CELSIUS_K,
    absolute_pressure,
    kelvin,
    more_than_zero,
    not_below_zero,
    within,
)

# Amounts of gas and the litres they fill at a reference condition that is always named.
#
# Ideal gas. Valid for: test and feed gases near room temperature and below 1 MPa, where the ideal
# gas is right to 1 %. Source: CODATA gas constant; DIN 1343 (0 °C, 101.325 kPa).


GAS_CONSTANT = float(Avogadro * Boltzmann)
"""J/(mol·K)"""


FARADAY = float(Avogadro * elementary_charge)
"""C/mol"""


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference condition for litres of gas: K and Pa, and the name written beside the flow."""

    name: str
    temperature_k: float
    pressure_pa: float

    @property
    def molar_volume(self) -> float:
        """m³/mol of an ideal gas."""
        return GAS_CONSTANT * self.temperature_k / self.pressure_pa


NORMAL = Reference("0 °C, 101.325 kPa", ZERO_CELSIUS_K, 101_325.0)


AT_20_C = Reference("20 °C, 101.325 kPa", 293.15, 101_325.0)


AT_70_F = Reference("21.1 °C, 101.325 kPa", 294.261, 101_325.0)


AT_25_C = Reference("25 °C, 101.325 kPa", 298.15, 101_325.0)


AT_0_C_1_BAR = Reference("0 °C, 100 kPa", ZERO_CELSIUS_K, 100_000.0)


REFERENCES = (NORMAL, AT_20_C, AT_70_F, AT_25_C, AT_0_C_1_BAR)


def reference(name: str) -> Reference:
    """Return the reference condition of this name. Raises OutOfRange for any other name."""
    for condition in REFERENCES:
        if condition.name == name:
            return condition
    allowed = "; ".join(condition.name for condition in REFERENCES)
    raise OutOfRange("the reference condition", name or "missing", "", allowed, "reference")


def volume_flow(amount_mol_s: float, condition: Reference = NORMAL) -> float:
    """Compute the m³/s this flow (mol/s) fills at a reference condition.

    >>> round(volume_flow(1 / (2 * FARADAY)) * 6e7, 3)
    6.969

    Source of the example: hydrogen for 1 A in one cell, in cm³/min at 0 °C (Faraday's law).
    """
    return amount_mol_s * condition.molar_volume


def amount_flow(volume_m3_s: float, condition: Reference = NORMAL) -> float:
    """Compute the mol/s of this flow (m³/s at a reference condition).

    >>> round(amount_flow(1e-6 / 60) * 1e7, 3)
    7.436

    Source of the example: 1 cm³/min at 0 °C is 7.436e-7 mol/s (gas-flow conversion factors, NIST).
    """
    return volume_m3_s / condition.molar_volume


def throughput(amount_mol_s: float, temperature_k: float = ZERO_CELSIUS_K) -> float:
    """Compute the Pa·m³/s of this flow (mol/s), with the gas at this temperature.

    A leak rate in sccm goes with gas at 0 °C; the same leak measured at 20 °C has 7 % more Pa·m³/s.
    """
    return (
        amount_mol_s * GAS_CONSTANT * kelvin("the gas temperature", temperature_k, "temperature_k")
    )


_AT_K = (273.15, 293.15, 313.15, 333.15, 353.15, 373.15)
VISCOUS_BELOW, MOLECULAR_ABOVE = 0.01, 1.0


@dataclass(frozen=True, slots=True)
class Gas:
    """A gas: molar mass in kg/mol, viscosity in Pa·s at 0, 20, … 100 °C."""

    name: str
    molar_mass: float
    viscosities: tuple[float, ...]

    def viscosity(self, temperature_k: float) -> float:
        """Return the viscosity in Pa·s, 0 to 100 °C.

        Between the table's rows as a power of temperature.
        """
        kelvin("the gas temperature", temperature_k, "temperature_k")
        within("the gas temperature", temperature_k, "K", _AT_K[0], _AT_K[-1], "temperature_k")
        rows = np.log(self.viscosities)
        return exp(float(np.interp(log(temperature_k), np.log(_AT_K), rows)))

    def free_path(self, pressure_pa: float, temperature_k: float) -> float:
        """Return mean free path in m: µ/p √(π R T / 2 M)."""
        absolute_pressure("the pressure", pressure_pa, field="pressure_pa")
        speed = sqrt(pi * GAS_CONSTANT * temperature_k / (2 * self.molar_mass))
        return self.viscosity(temperature_k) / pressure_pa * speed


def _gas(name: str, grams: float, *micro: float) -> Gas:
    return Gas(name, grams / 1e3, tuple(value * 1e-6 for value in micro))


HYDROGEN = _gas("hydrogen", 2.01588, 8.377, 8.7968, 9.2077, 9.6107, 10.0065, 10.3957)
HELIUM = _gas("helium", 4.002602, 18.6945, 19.6176, 20.5239, 21.4146, 22.2908, 23.1536)
NITROGEN = _gas("nitrogen", 28.01348, 16.6287, 17.5729, 18.4905, 19.3832, 20.2529, 21.1011)
AIR = _gas("air", 28.96546, 17.2184, 18.2057, 19.1652, 20.0991, 21.0089, 21.8965)
ARGON = _gas("argon", 39.948, 21.0167, 22.3065, 23.5648, 24.7933, 25.9936, 27.1673)
TEST_GASES = (NITROGEN, HELIUM, AIR, ARGON)
CROSSOVER_GASES = (*TEST_GASES, HYDROGEN)
"""Gases the way between anode and cathode is tested with: hydrogen too, once it may be let in."""


def gas_named(name: str, among: tuple[Gas, ...] = TEST_GASES) -> Gas:
    """Return the gas of this name. Raises OutOfRange for one no tightness is tested with.

    Oxygen and hydrogen are no test gases: hydrogen is let in after the test is passed.
    """
    for gas in among:
        if gas.name == name:
            return gas
    allowed = ", ".join(gas.name for gas in among)
    raise OutOfRange("the test gas", name or "missing", "", allowed, "gas")


class Regime(StrEnum):
    """How gas passes a leak."""

    VISCOUS = "viscous"
    TRANSITION = "between viscous and molecular"
    MOLECULAR = "molecular"


@dataclass(frozen=True, slots=True)
class Across:
    """Absolute pressures before and behind a leak in Pa, and the temperature in K."""

    inside_pa: float
    outside_pa: float
    temperature_k: float

    def __post_init__(self) -> None:
        """Refuse gauge pressures, °C and a leak nothing drives."""
        not_below_zero("the pressure outside", self.outside_pa, "Pa", "outside_pa")
        absolute_pressure("the pressure inside", self.inside_pa, field="inside_pa")
        if self.inside_pa <= self.outside_pa:
            absolute_pressure(
                "the pressure inside", self.inside_pa, self.outside_pa, field="inside_pa"
            )
            raise Inconsistent(
                "The pressures inside and outside are the same: nothing drives a leak.",
                "inside_pa",
                "outside_pa",
            )
        kelvin("the temperature", self.temperature_k, "temperature_k")


def viscous_factor(gas: Gas, test: Across, use_gas: Gas, use: Across) -> float:
    """Return the factor to another gas at other pressures in viscous flow (as amount, mol/s).

    >>> at = Across(2e5, 1e5, 293.15)
    >>> round(viscous_factor(NITROGEN, at, HYDROGEN, at), 2)
    2.0

    Source: Q ~ (p1² − p2²) / µ as throughput, hence divided by T as amount.
    """
    drive = (use.inside_pa**2 - use.outside_pa**2) / (test.inside_pa**2 - test.outside_pa**2)
    drag = gas.viscosity(test.temperature_k) / use_gas.viscosity(use.temperature_k)
    return drive * drag * test.temperature_k / use.temperature_k


def molecular_factor(gas: Gas, test: Across, use_gas: Gas, use: Across) -> float:
    """Return the factor to another gas at other pressures in molecular flow (as amount, mol/s).

    >>> at = Across(2e5, 1e5, 293.15)
    >>> round(molecular_factor(NITROGEN, at, HYDROGEN, at), 2)
    3.73

    Source: Q ~ (p1 − p2) √(T / M) as throughput, hence by 1/√(M T) as amount.
    """
    drive = (use.inside_pa - use.outside_pa) / (test.inside_pa - test.outside_pa)
    light = gas.molar_mass * test.temperature_k / (use_gas.molar_mass * use.temperature_k)
    return drive * sqrt(light)


@dataclass(frozen=True, slots=True)
class Hydrogen:
    """The hydrogen that would pass, in mol/s, by both laws.

    Many holes share a leak in a way nobody knows; each flows by one law or by a share of both. So
    the two laws bound their sum, whatever the Knudsen number of one round hole that leaks as much.
    """

    viscous_mol_s: float
    molecular_mol_s: float
    knudsen: float
    regime: Regime

    @property
    def least_mol_s(self) -> float:
        """What passes at least, mol/s."""
        return min(self.viscous_mol_s, self.molecular_mol_s)

    @property
    def most_mol_s(self) -> float:
        """What passes at most, mol/s."""
        return max(self.viscous_mol_s, self.molecular_mol_s)


def as_hydrogen(
    rate_mol_s: float, gas: Gas, test: Across, use: Across, path_length_m: float
) -> Hydrogen:
    """Compute how much hydrogen passes in use, where a test gas leaked this much (mol/s).

    The Knudsen number is that of one round hole as long as the leak's path (a gasket's width, say).
    Permeation through a membrane follows neither law.
    Raises OutOfRange for a rate that is no leak.
    """
    more_than_zero("the leak rate", rate_mol_s, "mol/s", "rate_mol_s")
    diameter = equivalent_diameter(rate_mol_s, gas, test, path_length_m)
    middle = (test.inside_pa + test.outside_pa) / 2
    knudsen = gas.free_path(middle, test.temperature_k) / diameter
    viscous = rate_mol_s * viscous_factor(gas, test, HYDROGEN, use)
    molecular = rate_mol_s * molecular_factor(gas, test, HYDROGEN, use)
    return Hydrogen(viscous, molecular, knudsen, regime_of(knudsen))


def regime_of(knudsen: float) -> Regime:
    """Return the law that holds at this Knudsen number (free path by width of the hole)."""
    if knudsen < VISCOUS_BELOW:
        return Regime.VISCOUS
    return Regime.MOLECULAR if knudsen > MOLECULAR_ABOVE else Regime.TRANSITION


def equivalent_diameter(rate_mol_s: float, gas: Gas, test: Across, path_length_m: float) -> float:
    """Compute the diameter in m of one round hole that leaks as much in viscous flow.

    Source: Poiseuille, n R T = π d⁴ (p1² − p2²) / (256 µ L).
    """
    more_than_zero("the length of the leak's path", path_length_m, "m", "path_length_m")
    throughput = rate_mol_s * GAS_CONSTANT * test.temperature_k
    drive = test.inside_pa**2 - test.outside_pa**2
    fourth = 256 * gas.viscosity(test.temperature_k) * path_length_m * throughput / (pi * drive)
    return float(fourth**0.25)
