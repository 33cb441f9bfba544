"""Set points for a count of cells: gas flows, product water, heat, coolant, voltage window, power.

SI units; volume flows at a reference condition that is named beside them. Sources: Faraday's law;
thermoneutral voltages from the formation enthalpies of water (CODATA key values, 1989).
"""

from dataclasses import dataclass
from enum import StrEnum

from service.physics.arithmetic.gases import FARADAY, NORMAL, Reference, volume_flow
from service.physics.arithmetic.water import CoolantState, saturation_pressure
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import (
    absolute_pressure,
    kelvin,
    more_than_zero,
    within,
)

FORMULA = "set points 1"
MOLAR_MASS_HYDROGEN, MOLAR_MASS_WATER = 2.01588e-3, 18.01528e-3
MOLAR_MASS_OXYGEN, MOLAR_MASS_AIR = 31.9988e-3, 28.97e-3
ENTHALPY_VAPOUR, ENTHALPY_LIQUID = 241_826.0, 285_830.0
THERMONEUTRAL_LHV = ENTHALPY_VAPOUR / (2 * FARADAY)
"""V; all product water leaves as vapour."""
THERMONEUTRAL_HHV = ENTHALPY_LIQUID / (2 * FARADAY)
"""V; all product water is liquid."""
OXYGEN_IN_AIR = 0.2095


class Oxidant(StrEnum):
    """What the cathode is fed with."""

    AIR = "air"
    OXYGEN = "oxygen"


@dataclass(frozen=True, slots=True)
class Feed:
    """How a gas is fed: stoichiometry, relative humidity at a temperature (K) and absolute
    pressure (Pa) of the stack's inlet. Humidity None for dry gas.
    """

    stoichiometry: float
    humidity: float | None = None
    temperature_k: float = 338.15
    pressure_pa: float = 101_325.0

    def __post_init__(self) -> None:
        """Refuse starving, gauge pressure, °C, and more vapour than gas."""
        if self.stoichiometry < 1:
            raise OutOfRange(
                "the stoichiometry",
                f"{self.stoichiometry:g}",
                "",
                "1 or more; less starves cells",
                "stoichiometry",
            )
        within("the stoichiometry", self.stoichiometry, "", 1.0, 100.0, "stoichiometry")
        if self.humidity is None:
            return
        within("the relative humidity", self.humidity, "", 0.0, 1.0, "humidity")
        kelvin("the inlet temperature", self.temperature_k, "temperature_k")
        absolute_pressure("the inlet pressure", self.pressure_pa, field="pressure_pa")
        if self.vapour_share >= 1:
            raise Inconsistent(
                f"At {self.temperature_k:g} K water alone has"
                f" {saturation_pressure(self.temperature_k) / 1e3:.1f} kPa, more than the inlet's"
                f" {self.pressure_pa / 1e3:.1f} kPa absolute. Is that a gauge pressure?",
                "humidity",
                "temperature_k",
                "pressure_pa",
            )

    @property
    def vapour_share(self) -> float:
        """Share of vapour in the wet gas, by amount."""
        if self.humidity is None:
            return 0.0
        return self.humidity * saturation_pressure(self.temperature_k) / self.pressure_pa


@dataclass(frozen=True, slots=True)
class CellWindow:
    """Voltages of one cell in V: least allowed, rated, greatest allowed (open circuit)."""

    least_v: float
    rated_v: float
    greatest_v: float

    def __post_init__(self) -> None:
        """Refuse a window that is none."""
        within("the greatest cell voltage", self.greatest_v, "V", 0.0, 1.3, "greatest_v")
        if not 0 <= self.least_v < self.rated_v < self.greatest_v:
            raise Inconsistent(
                f"Least, rated and greatest cell voltage must rise:"
                f" {self.least_v:g}, {self.rated_v:g}, {self.greatest_v:g} V.",
                "least_v",
                "rated_v",
                "greatest_v",
            )


@dataclass(frozen=True, slots=True)
class Operation:
    """What is wanted of the stack: current in A, feeds, cell window, rise of the coolant in K."""

    current_a: float
    hydrogen: Feed
    oxidant: Feed
    window: CellWindow
    coolant: CoolantState
    coolant_rise_k: float
    oxidant_gas: Oxidant = Oxidant.AIR
    oxygen_share: float = OXYGEN_IN_AIR
    reference: Reference = NORMAL

    def __post_init__(self) -> None:
        """Refuse what no stack is run at."""
        more_than_zero("the current", self.current_a, "A", "current_a")
        within(
            "the rise of the coolant's temperature",
            self.coolant_rise_k,
            "K",
            0.1,
            60.0,
            "coolant_rise_k",
        )
        within("the share of oxygen in the air", self.oxygen_share, "", 0.15, 0.25, "oxygen_share")


@dataclass(frozen=True, slots=True)
class GasFlow:
    """A feed: dry gas in mol/s, kg/s and m³/s at the reference condition, water with it in kg/s."""

    amount_mol_s: float
    mass_kg_s: float
    volume_m3_s: float
    water_kg_s: float


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Set points for so many cells. Heat by LHV where all water leaves as vapour, by HHV where all
    of it is liquid; the truth lies between. Coolant by HHV, the more cautious.
    """

    cells: int
    reference: str
    hydrogen: GasFlow
    oxidant: GasFlow
    product_water_kg_s: float
    power_w: float
    heat_lhv_w: float
    heat_hhv_w: float
    coolant_kg_s: float
    coolant_m3_s: float
    least_voltage_v: float
    rated_voltage_v: float
    greatest_voltage_v: float
    efficiency_lhv: float
    efficiency_hhv: float


def set_points(cells: int, operation: Operation) -> SetPoints:
    """Compute flows, heat and voltages of so many active cells. Blank cells do not count.

    >>> from service.physics.arithmetic.water import CoolantState
    >>> water = CoolantState("water", 980.57, 4185.2)
    >>> found = set_points(20, Operation(100.0, Feed(1.5), Feed(2.0), CellWindow(0.5, 0.65, 1.0),
    ...                                  water, 5.0, oxygen_share=0.21))
    >>> round(found.hydrogen.volume_m3_s * 6e4, 2), round(found.oxidant.volume_m3_s * 6e4, 2)
    (20.91, 66.37)
    >>> round(found.heat_lhv_w), round(found.heat_hhv_w), round(found.coolant_m3_s * 6e4, 2)
    (1206, 1662, 4.86)

    Source: Faraday's law, n = I N / (z F); the example's flows are in L/min at 0 °C.
    """
    more_than_zero("the number of cells", cells, "", "cells")
    if cells != int(cells):
        raise OutOfRange("the number of cells", f"{cells:g}", "", "a whole number")
    charge = operation.current_a * cells / FARADAY
    rated = operation.window.rated_v
    power = operation.current_a * cells * rated
    heat_hhv = operation.current_a * cells * (THERMONEUTRAL_HHV - rated)
    coolant = heat_hhv / (operation.coolant.heat_capacity * operation.coolant_rise_k)
    share, oxidant_mass = operation.oxygen_share, MOLAR_MASS_AIR
    if operation.oxidant_gas is Oxidant.OXYGEN:
        share, oxidant_mass = 1.0, MOLAR_MASS_OXYGEN
    return SetPoints(
        cells,
        operation.reference.name,
        _fed(charge / 2, operation.hydrogen, MOLAR_MASS_HYDROGEN, operation.reference),
        _fed(charge / 4 / share, operation.oxidant, oxidant_mass, operation.reference),
        charge / 2 * MOLAR_MASS_WATER,
        power,
        operation.current_a * cells * (THERMONEUTRAL_LHV - rated),
        heat_hhv,
        coolant,
        coolant / operation.coolant.density,
        cells * operation.window.least_v,
        cells * rated,
        cells * operation.window.greatest_v,
        rated / THERMONEUTRAL_LHV,
        rated / THERMONEUTRAL_HHV,
    )


def _fed(used_mol_s: float, feed: Feed, molar_mass: float, reference: Reference) -> GasFlow:
    dry = used_mol_s * feed.stoichiometry
    share = feed.vapour_share
    water = dry * share / (1 - share) * MOLAR_MASS_WATER
    return GasFlow(dry, dry * molar_mass, volume_flow(dry, reference), water)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table before and after: values in the SI unit of ``unit``."""

    name: str
    unit: str
    before: float
    after: float

    @property
    def change(self) -> float:
        """After less before."""
        return self.after - self.before


def before_and_after(cells_before: int, cells_after: int, operation: Operation) -> tuple[Row, ...]:
    """Return what must be set anew when the number of cells changes. Limits of one cell stay."""
    before, after = set_points(cells_before, operation), set_points(cells_after, operation)
    condition = f"at {operation.reference.name}"
    names = (
        ("active cells", "", lambda s: float(s.cells)),
        (f"hydrogen {condition}", "m³/s", lambda s: s.hydrogen.volume_m3_s),
        (f"{operation.oxidant_gas} {condition}", "m³/s", lambda s: s.oxidant.volume_m3_s),
        ("water with the hydrogen", "kg/s", lambda s: s.hydrogen.water_kg_s),
        (f"water with the {operation.oxidant_gas}", "kg/s", lambda s: s.oxidant.water_kg_s),
        ("product water", "kg/s", lambda s: s.product_water_kg_s),
        ("heat, water as vapour (LHV)", "W", lambda s: s.heat_lhv_w),
        ("heat, water liquid (HHV)", "W", lambda s: s.heat_hhv_w),
        ("coolant", "m³/s", lambda s: s.coolant_m3_s),
        ("least stack voltage", "V", lambda s: s.least_voltage_v),
        ("rated stack voltage", "V", lambda s: s.rated_voltage_v),
        ("greatest stack voltage", "V", lambda s: s.greatest_voltage_v),
        ("power at the rated voltage", "W", lambda s: s.power_w),
    )
    return tuple(Row(name, unit, take(before), take(after)) for name, unit, take in names)
