"""Amounts of gas and the litres they fill at a reference condition that is always named.

Ideal gas. Valid for: test and feed gases near room temperature and below 1 MPa, where the ideal
gas is right to 1 %. Source: CODATA gas constant; DIN 1343 (0 °C, 101.325 kPa).
"""

from dataclasses import dataclass

from scipy.constants import Avogadro, Boltzmann, elementary_charge

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.preconditions import ZERO_CELSIUS_K, kelvin

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
    """Which reference condition has this name? Raises OutOfRange for any other name."""
    for known in REFERENCES:
        if known.name == name:
            return known
    allowed = "; ".join(known.name for known in REFERENCES)
    raise OutOfRange("the reference condition", name or "missing", "", allowed)


def volume_flow(amount_mol_s: float, at: Reference = NORMAL) -> float:
    """How many m³/s does this flow (mol/s) fill at a reference condition?

    >>> round(volume_flow(1 / (2 * FARADAY)) * 6e7, 3)
    6.969

    Source of the example: hydrogen for 1 A in one cell, in cm³/min at 0 °C (Faraday's law).
    """
    return amount_mol_s * at.molar_volume


def amount_flow(volume_m3_s: float, at: Reference = NORMAL) -> float:
    """How many mol/s are this flow (m³/s at a reference condition)?

    >>> round(amount_flow(1e-6 / 60) * 1e7, 3)
    7.436

    Source of the example: 1 cm³/min at 0 °C is 7.436e-7 mol/s (gas-flow conversion factors, NIST).
    """
    return volume_m3_s / at.molar_volume


def throughput(amount_mol_s: float, temperature_k: float = ZERO_CELSIUS_K) -> float:
    """How many Pa·m³/s is this flow (mol/s), with the gas at this temperature?

    A leak rate in sccm goes with gas at 0 °C; the same leak measured at 20 °C has 7 % more Pa·m³/s.
    """
    return amount_mol_s * GAS_CONSTANT * kelvin("the gas temperature", temperature_k)
