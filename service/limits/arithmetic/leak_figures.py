"""The figures of a design its tightness is tested with: circuits, limits of the six paths.

Pressures are gauge. Limits are in mbar·L/s of the test gas at 20 °C. Common practice, no source.
"""

from dataclasses import dataclass, replace

from service.limits.arithmetic.leak_objects import LeakObject, ObjectLimit
from service.limits.arithmetic.leak_paths import SET_UPS, TO_OUTSIDE, Circuit, Path
from service.limits.arithmetic.leak_recipes import Recipe, Wetness
from service.limits.arithmetic.permeation import Permeation
from service.physics.arithmetic.gases import gas_named, throughput
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within
from service.platform.arithmetic.units import Measure, to_si

RATE_TEMPERATURE_K = 293.15
"""Gas at 20 °C is meant wherever a leak rate is given in mbar·L/s."""
RIG_SHARE = 0.1
"""What the rig alone may lose of the least limit; above, it should be mended first."""
MOST_TEST_KPA = 500.0
TEST_BAND_PERCENT = 10.0
"""How far the pressure at the start may lie from a set-up's, ±, before anybody asks."""
HOLD_MINUTES = 5.0
"""How long a pressure is held at the least: below it the gas has not settled."""


def mbar_l_s(rate_mol_s: float) -> float:
    """Convert a leak rate in mol/s to mbar·L/s of gas at 20 °C.

    >>> round(mbar_l_s(mol_s(0.05)), 12)
    0.05
    """
    return throughput(rate_mol_s, RATE_TEMPERATURE_K) / to_si(1.0, "mbar·L/s", Measure.LEAK_RATE)


def mol_s(rate_mbar_l_s: float) -> float:
    """Convert a leak rate in mbar·L/s of gas at 20 °C to mol/s."""
    return to_si(rate_mbar_l_s, "mbar·L/s", Measure.LEAK_RATE) / throughput(1.0, RATE_TEMPERATURE_K)


@dataclass(frozen=True, slots=True)
class CircuitFigures:
    """One circuit: its volume (of the ends, and more for each cell), gauge pressures in kPa."""

    circuit: Circuit
    volume_l: float
    volume_per_cell_l: float
    test_pressure_kpa: float
    running_pressure_kpa: float | None = None
    test_band_percent: float = TEST_BAND_PERCENT

    def __post_init__(self) -> None:
        """Refuse what is no circuit."""
        name = f"of the {self.circuit} circuit"
        not_below_zero(f"the volume {name}", self.volume_l, "L", "volume_l")
        not_below_zero(
            f"the volume {name} for each cell", self.volume_per_cell_l, "L", "volume_per_cell_l"
        )
        more_than_zero(f"the whole volume {name}", self.volume(1), "L")
        more_than_zero(
            f"the test pressure {name} (gauge)", self.test_pressure_kpa, "kPa", "test_pressure_kpa"
        )
        within(
            f"the test pressure {name} (gauge)",
            self.test_pressure_kpa,
            "kPa",
            0,
            MOST_TEST_KPA,
            "test_pressure_kpa",
        )
        if self.running_pressure_kpa is not None:
            within(
                f"the running pressure {name} (gauge)",
                self.running_pressure_kpa,
                "kPa",
                0.0,
                1000.0,
                "running_pressure_kpa",
            )

        within(
            f"the band of the test pressure {name}",
            self.test_band_percent,
            "%",
            0.1,
            50.0,
            "test_band_percent",
        )

    def may_be(self, kpa: float) -> bool:
        """Say whether a test may begin at so many kPa gauge without a question."""
        off = abs(kpa - self.test_pressure_kpa)
        return off <= self.test_band_percent / 100 * self.test_pressure_kpa * (1 + 1e-9)

    def volume(self, cells: int) -> float:
        """Return the volume in L with so many cells."""
        return self.volume_l + cells * self.volume_per_cell_l


@dataclass(frozen=True, slots=True)
class PathLimit:
    """What may leak along one path of the whole stack, mbar·L/s of the test gas at 20 °C."""

    path: Path
    most_mbar_l_s: float
    source: str

    def __post_init__(self) -> None:
        """Refuse a limit without a figure or a source."""
        more_than_zero(
            f"the limit of the leak rate {self.path}",
            self.most_mbar_l_s,
            "mbar·L/s",
            "most_mbar_l_s",
        )
        if not self.source.strip():
            raise Inconsistent(f"Name the source of the limit of the leak rate {self.path}.")


@dataclass(frozen=True, slots=True)
class LeakFigures:
    """Test gas, circuits and limits. ``path_length_mm`` is that of a leak, a gasket's width say.

    ``most_across_kpa`` is what the membrane bears between anode and cathode; None: not known.
    """

    gas: str
    circuits: tuple[CircuitFigures, ...]
    limits: tuple[PathLimit, ...]
    path_length_mm: float = 3.0
    hold_minutes: float = HOLD_MINUTES
    most_across_kpa: float | None = None
    recipes: tuple[Recipe, ...] = ()
    permeation: tuple[Permeation, ...] = ()
    objects: tuple[ObjectLimit, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a gas no tightness is tested with, and what is named twice."""
        gas_named(self.gas)
        more_than_zero("the length of the leak's path", self.path_length_mm, "mm", "path_length_mm")
        within("the least hold", self.hold_minutes, "min", 0.0, 1440.0, "hold_minutes")
        self._check_membrane()
        for names in (
            [str(entry.circuit) for entry in self.circuits],
            [str(entry.path) for entry in self.limits],
            [f"set-up {entry.set_up}" for entry in self.recipes],
            [f"permeation of {entry.gas}, {entry.state}" for entry in self.permeation],
            [f"{entry.path}, {entry.leak_object}" for entry in self.objects],
        ):
            for name in names:
                if names.count(name) > 1:
                    raise Inconsistent(f"“{name}” is named twice.")
        for recipe in self.recipes:
            tested = [self.circuit(circuit) for circuit in SET_UPS[recipe.set_up - 1].pressurised]
            pressures = [circuit.test_pressure_kpa for circuit in tested if circuit]
            recipe.check_within(self.most_across_kpa, min(pressures, default=None))

    def _check_membrane(self) -> None:
        if self.most_across_kpa is None:
            return
        more_than_zero(
            "the most pressure difference across the membrane",
            self.most_across_kpa,
            "kPa",
            "most_across_kpa",
        )
        for circuit in self.circuits:
            above = circuit.test_pressure_kpa > self.most_across_kpa
            if above and circuit.circuit is not Circuit.COOLANT:
                raise Inconsistent(
                    f"The {circuit.circuit} circuit is tested at {circuit.test_pressure_kpa:g} kPa,"
                    f" more than the {self.most_across_kpa:g} kPa the membrane bears.",
                    "most_across_kpa",
                )

    def gas_of(self, set_up: int) -> str:
        """Return the gas the limits hold for in a set-up: its recipe's own, else the design's."""
        recipe = self.recipe(set_up)
        return recipe.gas if recipe and recipe.gas else self.gas

    def circuit(self, circuit: Circuit) -> CircuitFigures | None:
        """Return figures of one circuit; None where there are none."""
        return next((figures for figures in self.circuits if figures.circuit is circuit), None)

    def recipe(self, set_up: int) -> Recipe | None:
        """Return the recipe of a set-up; None where there is none."""
        return next((recipe for recipe in self.recipes if recipe.set_up == set_up), None)

    def permeation_of(self, gas: str, state: Wetness | None) -> Permeation | None:
        """Return what a cell lets through of a gas; None where it is not known."""
        key = (gas, state)
        return next((entry for entry in self.permeation if (entry.gas, entry.state) == key), None)

    def of_object(self, leak_object: LeakObject, cells: int) -> "LeakFigures":
        """Return the figures a plate or a part of the pile of so many cells is judged by."""
        times = cells if leak_object is LeakObject.PART_OF_PILE else 1
        limits = tuple(
            PathLimit(limit.path, limit.most_mbar_l_s * times, limit.source)
            for limit in self.objects
            if limit.leak_object is leak_object
        )
        return replace(self, limits=limits, recipes=())

    def limit(self, path: Path) -> PathLimit | None:
        """Return the limit of one path; None where there is none."""
        return next((limit for limit in self.limits if limit.path is path), None)

    def limit_of_set_up(self, order: int) -> float | None:
        """Return what may be lost in one set-up, mbar·L/s; None where a limit is missing.

        The rig alone: a tenth of the least limit. All circuits joined: the sum of the three paths
        to the outside.
        """
        if order == SET_UPS[0].order:
            least = min((limit.most_mbar_l_s for limit in self.limits), default=None)
            return None if least is None else RIG_SHARE * least
        limits = [self.limit(path) for path in TO_OUTSIDE.values()]
        values = [limit.most_mbar_l_s for limit in limits if limit is not None]
        joined = order == SET_UPS[1].order
        return sum(values) if joined and len(values) == len(limits) else None
