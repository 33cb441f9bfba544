"""Published equations of a polarisation curve, evaluated with the constants printed beside them.

They say what a curve of that form looks like. Constants of different papers fit the same curve and
differ widely from each other, so curves are compared, never constants.
"""

from dataclasses import dataclass
from math import exp, log

from service.trade.errors import OutOfRange
from service.trade.plausible import kelvin, more_than_zero


@dataclass(frozen=True, slots=True)
class ExponentialEnd:
    """V = E − r i − A ln i − m exp(n i): i in mA/cm², E, A and m in V, r in kΩ cm², n in cm²/mA."""

    open_v: float
    tafel_v: float
    resistance_kohm_cm2: float
    end_v: float
    end_cm2_ma: float

    def voltage_v(self, current_density_ma_cm2: float) -> float:
        """Which voltage has the cell at this current density?

        >>> cell = ExponentialEnd(1.031, 0.03, 2.45e-4, 2.11e-5, 8e-3)
        >>> round(cell.voltage_v(500.0), 4)
        0.7209

        Source: form by Kim et al., J. Electrochem. Soc. 142 (1995) 2670; constants of the example
        Larminie & Dicks 2003, table 3.4, from memory.
        """
        at = more_than_zero("the current density", current_density_ma_cm2, "mA/cm²")
        return (
            self.open_v
            - self.resistance_kohm_cm2 * at
            - self.tafel_v * log(at)
            - self.end_v * exp(self.end_cm2_ma * at)
        )


@dataclass(frozen=True, slots=True)
class SemiEmpirical:
    """Constants of the model of Mann and others: ξ1 in V, ξ2 in V/K, ξ3 and ξ4 in V/K, the
    contact resistance in Ω, B in V, ψ without unit, area in cm², membrane in cm, limit in A/cm².
    """

    cells: int
    area_cm2: float
    membrane_cm: float
    limit_a_cm2: float
    xi_1: float
    xi_2: float
    xi_3: float
    xi_4: float
    contact_ohm: float
    concentration_v: float
    psi: float


@dataclass(frozen=True, slots=True)
class SemiEmpiricalVoltages:
    """The parts of a cell's voltage in V, the membrane's resistivity in Ω cm, the stack's in V."""

    reversible_v: float
    activation_v: float
    membrane_ohm_cm: float
    ohmic_v: float
    concentration_v: float
    cell_v: float
    stack_v: float


def semi_empirical(
    stack: SemiEmpirical,
    current_a: float,
    temperature_k: float,
    hydrogen_atm: float,
    oxygen_atm: float,
) -> SemiEmpiricalVoltages:
    """Which voltage does the model give at a current (A), a temperature (K) and partial pressures
    (atm)?

    Valid from above zero current up to the limiting current density; refuses what is outside.

    Source: Mann et al., J. Power Sources 86 (2000) 173; printed again in Blanco-Cocom et al.,
    Math. Comput. Simul. 185 (2021) 218.
    """
    at = kelvin("the cell temperature", temperature_k)
    more_than_zero("the current", current_a, "A")
    more_than_zero("the number of cells", stack.cells, "")
    more_than_zero("the active area", stack.area_cm2, "cm²")
    density = current_a / stack.area_cm2
    if density >= stack.limit_a_cm2:
        raise OutOfRange(
            "the current density",
            f"{density:g}",
            "A/cm²",
            f"below the limiting {stack.limit_a_cm2:g} A/cm²",
        )
    reversible = mann_reversible_voltage(at, hydrogen_atm, oxygen_atm)
    oxygen_mol_cm3 = oxygen_atm / (5.08e6 * exp(-498.0 / at))
    activation = -(
        stack.xi_1
        + stack.xi_2 * at
        + stack.xi_3 * at * log(oxygen_mol_cm3)
        + stack.xi_4 * at * log(current_a)
    )
    membrane = (
        181.6
        * (1 + 0.03 * density + 0.062 * (at / 303.0) ** 2 * density**2.5)
        / ((stack.psi - 0.634 - 3 * density) * exp(4.18 * (at - 303.0) / at))
    )
    ohmic = current_a * (membrane * stack.membrane_cm / stack.area_cm2 + stack.contact_ohm)
    concentration = -stack.concentration_v * log(1 - density / stack.limit_a_cm2)
    cell = reversible - activation - ohmic - concentration
    return SemiEmpiricalVoltages(
        reversible, activation, membrane, ohmic, concentration, cell, stack.cells * cell
    )


def mann_reversible_voltage(temperature_k: float, hydrogen_atm: float, oxygen_atm: float) -> float:
    """The reversible voltage as that model writes it, in V; partial pressures in atm.

    >>> round(mann_reversible_voltage(353.15, 1.5, 0.21), 4)
    1.1765
    """
    at = kelvin("the cell temperature", temperature_k)
    more_than_zero("the partial pressure of the hydrogen", hydrogen_atm, "atm")
    more_than_zero("the partial pressure of the oxygen", oxygen_atm, "atm")
    return (
        1.229 - 0.85e-3 * (at - 298.15) + 4.3085e-5 * at * (log(hydrogen_atm) + log(oxygen_atm) / 2)
    )
