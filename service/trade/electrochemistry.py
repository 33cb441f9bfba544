"""Voltages that follow from the reaction alone: reversible voltage, effect of the gases, Tafel.

Kelvin, pascal (absolute), volt. What a real cell gives is lower: see `polarisation`.
"""

from math import log

from service.trade.gas_flows import FARADAY, GAS_CONSTANT
from service.trade.plausible import absolute_pressure, kelvin, within

STANDARD_K = 298.15
STANDARD_PA = 1e5
ATMOSPHERE_PA = 101_325.0

ENTHALPY_J_MOL = -285_830.0
"""H2 + ½ O2 → H2O, liquid, 298.15 K; CODATA key values, 1989."""
ENTROPY_J_MOL_K = 69.95 - 130.680 - 205.152 / 2
"""CODATA key values, 1989, at 298.15 K and 1 bar."""
HEAT_CAPACITY_J_MOL_K = 75.35 - 28.84 - 29.38 / 2
"""Change of the heat capacity at 298.15 K; tables of physical chemistry, from memory."""

LINEAR_V, LINEAR_V_PER_K = 1.229, -0.846e-3


def gibbs_energy(temperature_k: float) -> float:
    """How much of the reaction's energy can become work, in J per mol of hydrogen? Water liquid.

    Heat capacities are taken as constant, which costs 0.1 mV at 80 °C.

    >>> round(gibbs_energy(353.15) / 1e3, 1)
    -228.3

    Source: Kirchhoff's law with the values above; the example is in Barbir, PEM Fuel Cells, table
    2-2 (-228.42 kJ/mol, from memory). Valid for 273 to 400 K.
    """
    at = _cell_temperature(temperature_k)
    enthalpy = ENTHALPY_J_MOL + HEAT_CAPACITY_J_MOL_K * (at - STANDARD_K)
    entropy = ENTROPY_J_MOL_K + HEAT_CAPACITY_J_MOL_K * log(at / STANDARD_K)
    return enthalpy - at * entropy


def reversible_voltage(temperature_k: float) -> float:
    """Which voltage would a cell without any loss have, gases at 1 bar, water liquid? In V.

    >>> round(reversible_voltage(298.15), 3), round(reversible_voltage(353.15), 3)
    (1.229, 1.183)

    Source: E = −ΔG / 2F.
    """
    return -gibbs_energy(temperature_k) / (2 * FARADAY)


def voltage_coefficient() -> float:
    """How much does the reversible voltage change with the temperature at 25 °C, in V/K?

    >>> round(voltage_coefficient() * 1e3, 3)
    -0.846

    Source: dE/dT = ΔS / 2F.
    """
    return ENTROPY_J_MOL_K / (2 * FARADAY)


def linear_reversible_voltage(temperature_k: float) -> float:
    """The same by the straight line through 25 °C that handbooks print, in V.

    >>> round(linear_reversible_voltage(353.15), 4)
    1.1825
    """
    return LINEAR_V + LINEAR_V_PER_K * (_cell_temperature(temperature_k) - STANDARD_K)


def gas_effect(
    temperature_k: float, hydrogen: float = 1.0, oxygen: float = 1.0, water: float = 1.0
) -> float:
    """How much do the gases raise the reversible voltage, in V?

    The activities are partial pressures over the standard pressure; 1 for liquid water. Only the
    reversible part: what pressure really gains is more, because the kinetics gain too.

    >>> round(gas_effect(353.15, oxygen=0.21) * 1e3, 1)
    -11.9

    Source: Nernst's equation.
    """
    at = _cell_temperature(temperature_k)
    for name, activity in (("hydrogen", hydrogen), ("oxygen", oxygen), ("water", water)):
        within(f"the activity of the {name}", activity, "", 1e-12, 1e3)
    return GAS_CONSTANT * at / (2 * FARADAY) * (log(hydrogen) + log(oxygen) / 2 - log(water))


def nernst_voltage(temperature_k: float, hydrogen_pa: float, oxygen_pa: float) -> float:
    """Which voltage would a cell without loss have with these partial pressures? In V.

    Water liquid. Raises OutOfRange for °C and for pressures that are no absolute ones.
    """
    absolute_pressure("the partial pressure of the hydrogen", hydrogen_pa)
    absolute_pressure("the partial pressure of the oxygen", oxygen_pa)
    return reversible_voltage(temperature_k) + gas_effect(
        temperature_k, hydrogen_pa / STANDARD_PA, oxygen_pa / STANDARD_PA
    )


def tafel_slope(temperature_k: float, transfer_coefficient: float) -> float:
    """How much voltage does a tenfold current cost by kinetics alone, in V per decade?

    >>> round(tafel_slope(298.15, 0.5) * 1e3, 1)
    118.3

    Source: b = ln 10 · R T / (α F); Bard & Faulkner, Electrochemical Methods.
    """
    within("the transfer coefficient", transfer_coefficient, "", 0.05, 4.0)
    at = _cell_temperature(temperature_k)
    return log(10) * GAS_CONSTANT * at / (transfer_coefficient * FARADAY)


def _cell_temperature(temperature_k: float) -> float:
    kelvin("the cell temperature", temperature_k)
    return within("the cell temperature", temperature_k, "K", 273.0, 400.0)
