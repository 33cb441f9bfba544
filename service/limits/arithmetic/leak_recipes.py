"""The recipe of a test of tightness in one set-up: what is kept in which step.

Circuits joined and vented, and the test pressure are those of the set-up and its figures; so is
the gas, unless the recipe has one of its own.
Pressures are gauge. Common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.limits.arithmetic.leak_paths import SET_UPS, Circuit
from service.physics.arithmetic.gases import CROSSOVER_GASES, TEST_GASES, gas_named
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero


class Wetness(StrEnum):
    """How the membranes and circuits are in a test."""

    DRY = "dry"
    WET = "wet"


@dataclass(frozen=True, slots=True)
class Recipe:
    """One set-up's recipe. ``guard_kpa`` bounds the difference across the membrane, if given.

    ``relief_kpa`` is the greatest setting of the relief valve, if given; ``gas`` the gas that the
    limits hold for in this set-up, None: the design's.
    """

    set_up: int
    state: Wetness
    ramp_kpa_min: float
    stabilise_min: float
    measure_min: float
    guard_kpa: float | None = None
    relief_kpa: float | None = None
    gas: str | None = None

    def __post_init__(self) -> None:
        """Refuse a step that cannot be kept."""
        name = f"of the recipe of set-up {self.set_up}"
        if self.gas is not None:
            of_anode = SET_UPS[self.set_up - 1].pressurised == (Circuit.ANODE,)
            gas_named(self.gas, CROSSOVER_GASES if of_anode else TEST_GASES)
        more_than_zero(f"the ramp {name}", self.ramp_kpa_min, "kPa/min", "ramp_kpa_min")
        not_below_zero(f"the stabilising time {name}", self.stabilise_min, "min", "stabilise_min")
        more_than_zero(f"the measuring time {name}", self.measure_min, "min", "measure_min")
        for key in ("guard_kpa", "relief_kpa"):
            value = getattr(self, key)
            if value is not None:
                more_than_zero(f"the {key.removesuffix('_kpa')} {name}", value, "kPa", key)

    def check_within(self, most_across_kpa: float | None, test_kpa: float | None) -> None:
        """Refuse a guard above what the membrane bears, and a relief below the test pressure."""
        for key, value in (("guard_kpa", self.guard_kpa), ("relief_kpa", self.relief_kpa)):
            if key == "guard_kpa" and value and most_across_kpa and value > most_across_kpa:
                raise Inconsistent(
                    f"The recipe of set-up {self.set_up} guards at {value:g} kPa, above the"
                    f" {most_across_kpa:g} kPa that the membrane bears.",
                    key,
                )
            if key == "relief_kpa" and value and test_kpa and value <= test_kpa:
                raise Inconsistent(
                    f"The relief of set-up {self.set_up}, {value:g} kPa, opens at the test"
                    f" pressure of {test_kpa:g} kPa.",
                    key,
                )
