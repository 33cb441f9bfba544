"""What the membranes of a sound stack let through by themselves, apart from any leak.

Permeation is no leak: test gas dissolves in the membrane and passes it. It goes with the partial
pressure of the gas, so the figures of one cell at 101.325 kPa are scaled. Nothing is assumed of a
membrane: the design gives the range and its source. Common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.limits.arithmetic.leak_recipes import Wetness
from service.physics.arithmetic.gases import NORMAL, amount_flow
from service.physics.arithmetic.water import saturation_pressure
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero

ML_MIN = 1e-6 / 60
"""m³/s in one mL/min."""


class Permeating(StrEnum):
    """Gases that pass a membrane so fast that it matters; nitrogen is none of them."""

    HELIUM = "helium"
    HYDROGEN = "hydrogen"


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least and most of a flow, mol/s."""

    least_mol_s: float
    most_mol_s: float


@dataclass(frozen=True, slots=True)
class Permeation:
    """What one cell lets through: mL/min at 0 °C and 101.325 kPa, with 101.325 kPa of the gas."""

    gas: Permeating
    state: Wetness
    least_ml_min: float
    most_ml_min: float
    source: str

    def __post_init__(self) -> None:
        """Refuse what is no range, and one without a source."""
        name = f"permeation of {self.gas}, {self.state}"
        not_below_zero(f"the least {name}", self.least_ml_min, "mL/min", "least_ml_min")
        more_than_zero(f"the most {name}", self.most_ml_min, "mL/min", "most_ml_min")
        if self.least_ml_min > self.most_ml_min:
            raise Inconsistent(
                f"The least {name}, {self.least_ml_min:g} mL/min, is more than the most,"
                f" {self.most_ml_min:g} mL/min.",
                "least_ml_min",
            )
        if not self.source.strip():
            raise Inconsistent(f"Name the source of the {name}.")

    def of_cells(self, cells: int, pressure_pa: float, temperature_k: float) -> Bounds:
        """Compute what so many cells let through at this absolute pressure, mol/s.

        Water vapour takes its part of the pressure in a wet stack: all of it at the least, none
        of it at the most.

        >>> cell = Permeation(Permeating.HYDROGEN, Wetness.WET, 0.1, 0.7, "a test report")
        >>> round(cell.of_cells(10, 101_325.0, 293.15).most_mol_s * 1e6, 3)
        5.205
        """
        vapour = saturation_pressure(temperature_k) if self.state is Wetness.WET else 0.0
        least_share = max(0.0, pressure_pa - vapour) / NORMAL.pressure_pa
        share = pressure_pa / NORMAL.pressure_pa
        return Bounds(
            amount_flow(cells * self.least_ml_min * least_share * ML_MIN),
            amount_flow(cells * self.most_ml_min * share * ML_MIN),
        )
