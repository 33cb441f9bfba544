"""How the stacks of a design are run: what set points are computed from, in the units people use.

Source: as in set_points.
"""

from dataclasses import dataclass

from service.limits.arithmetic.clamp_figures import celsius
from service.limits.arithmetic.set_points import OXYGEN_IN_AIR, CellWindow, Feed, Operation, Oxidant
from service.physics.arithmetic.gases import NORMAL, reference
from service.physics.arithmetic.water import WATER, coolant_at
from service.platform.arithmetic.preconditions import ZERO_CELSIUS_K, within


@dataclass(frozen=True, slots=True)
class FeedFigures:
    """One gas: stoichiometry, humidity in % (None: dry) at the inlet's temperature and absolute
    pressure.
    """

    stoichiometry: float
    humidity_percent: float | None = None
    inlet_temperature_c: float = 65.0
    inlet_pressure_kpa: float = 101.325

    def __post_init__(self) -> None:
        """Refuse °C given as K; the rest by the computation's own rules."""
        celsius("the inlet temperature", self.inlet_temperature_c, "inlet_temperature_c")
        _ = self.feed

    @property
    def feed(self) -> Feed:
        """The same in SI."""
        return Feed(
            self.stoichiometry,
            None if self.humidity_percent is None else self.humidity_percent / 100,
            self.inlet_temperature_c + ZERO_CELSIUS_K,
            self.inlet_pressure_kpa * 1e3,
        )


@dataclass(frozen=True, slots=True)
class OperationFigures:
    """Current, feeds, the window of a cell's voltage, the coolant and its rise."""

    current_a: float
    hydrogen: FeedFigures
    oxidant: FeedFigures
    least_cell_v: float
    rated_cell_v: float
    greatest_cell_v: float
    coolant_temperature_c: float
    coolant_rise_k: float
    coolant: str = WATER
    oxidant_gas: Oxidant = Oxidant.AIR
    oxygen_percent: float = 100 * OXYGEN_IN_AIR
    reference: str = NORMAL.name

    def __post_init__(self) -> None:
        """Refuse what no stack is run at, by the computation's own rules."""
        celsius("the coolant's temperature", self.coolant_temperature_c, "coolant_temperature_c")
        within(
            "the share of oxygen in the air", self.oxygen_percent, "%", 15.0, 25.0, "oxygen_percent"
        )
        _ = self.operation

    @property
    def operation(self) -> Operation:
        """The same in SI, for set_points."""
        return Operation(
            self.current_a,
            self.hydrogen.feed,
            self.oxidant.feed,
            CellWindow(self.least_cell_v, self.rated_cell_v, self.greatest_cell_v),
            coolant_at(self.coolant, self.coolant_temperature_c + ZERO_CELSIUS_K),
            self.coolant_rise_k,
            self.oxidant_gas,
            self.oxygen_percent / 100,
            reference(self.reference),
        )
