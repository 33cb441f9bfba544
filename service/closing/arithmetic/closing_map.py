"""The pressure map of a closing and the advice how to level it, in the units of the record.

Sources: as in pressure_map and levelling.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot

from service.closing.arithmetic.closing_inputs import ClosingInputs
from service.closing.arithmetic.levelling import beds_of, level
from service.closing.arithmetic.outcome import LevellingOutcome, MapOutcome, Turn
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds
from service.physics.arithmetic.pressure_map import PressureMap, RodLoad, pressure_map, rod_loads
from service.physics.arithmetic.springs import ClosedState, rod_compliance
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import Estimate


@dataclass(frozen=True, slots=True)
class Levelled:
    """Map and advice; what of them could not be computed, in words."""

    map: MapOutcome | None
    levelling: LevellingOutcome | None
    not_computed: tuple[str, ...] = ()


def levelled(
    inputs: ClosingInputs,
    clamp: ClampFigures,
    preloads: Mapping[int, Estimate],
    assembly: Assembly,
    closed: ClosedState,
) -> Levelled:
    """Return how the pressure is spread, and which nut is turned to level it.

    ``preloads`` by rod in N, each with only its own uncertainty.
    """
    area = clamp.area
    if area is None:
        return Levelled(
            None, None, ("pressure map: the figures name no width and height of the active area",)
        )
    try:
        places = {rod.number: (rod.x_mm / 1e3, rod.y_mm / 1e3) for rod in inputs.rods}
        rods = rod_loads(places, preloads)
        beds = beds_of(assembly, closed, area, clamp.gasket_outside_mm / 1e3)
        closing_map = _map(pressure_map(rods, area, beds), area)
    except TradeError as trouble:
        return Levelled(None, None, (f"pressure map: {trouble}",))
    try:
        return Levelled(closing_map, _levelling(inputs, rods, area, beds, (assembly, closed)))
    except TradeError as trouble:
        return Levelled(closing_map, None, (f"levelling: {trouble}",))


def _map(pressures: PressureMap, area: ActiveArea) -> MapOutcome:
    corners = tuple(
        Estimate(p / 1e6, u / 1e6)
        for p, u in zip(pressures.corners_pa, pressures.u_corners_pa, strict=True)
    )
    return MapOutcome(
        (1e3 * area.width_m, 1e3 * area.depth_m),
        (_settled(1e3 * pressures.resultant_m[0]), _settled(1e3 * pressures.resultant_m[1])),
        pressures.mean_pa / 1e6,
        pressures.least_pa / 1e6,
        pressures.greatest_pa / 1e6,
        _ratio(corners),
        pressures.deviation_pa / 1e6,
        100 * pressures.lost_share,
        corners,
        tuple(1e3 * x for x in pressures.xs_m),
        tuple(1e3 * y for y in pressures.ys_m),
        tuple(tuple(p / 1e6 for p in row) for row in pressures.pressures),
    )


def _ratio(corners: tuple[Estimate, ...]) -> Estimate:
    """Least by greatest corner; both corners' uncertainties as if apart, the cautious choice."""
    least = min(corners, key=lambda corner: corner.value)
    most = max(corners, key=lambda corner: corner.value)
    if not most.value:
        return Estimate(0.0)
    ratio = least.value / most.value
    return Estimate(ratio, hypot(least.u / most.value, ratio * most.u / most.value))


def _levelling(
    inputs: ClosingInputs,
    rods: tuple[RodLoad, ...],
    area: ActiveArea,
    beds: Beds,
    stack: tuple[Assembly, ClosedState],
) -> LevellingOutcome:
    assembly, closed = stack
    give = rod_compliance(assembly, closed.force_n.value, closed.grip_m) * assembly.rods.count
    levelling = level(
        rods,
        area,
        beds,
        rod_give_m_n=give,
        pitch_m=assembly.rods.thread.pitch_m,
        torques_nm={reading.rod: reading.torque_nm for reading in inputs.readings},
    )
    turns = [
        Turn(turn.number, turn.load_n, turn.wanted_n, _settled(turn.turn_deg), turn.torque_nm)
        for turn in levelling.turns
    ]
    turns.sort(key=lambda turn: (-abs(turn.turn_deg), turn.number))
    first = levelling.first
    off_before, off_after = _settled(1e3 * first.off_before_m), _settled(1e3 * first.off_after_m)
    if not off_before:
        return LevellingOutcome(tuple(turns), turns[0].number, 0.0, 0.0, 0.0)
    return LevellingOutcome(
        tuple(turns), first.number, _settled(first.turn_deg), off_before, off_after
    )


def _settled(value: float) -> float:
    """Without the noise of the arithmetic, so that equal nuts stay in their order."""
    # + 0.0 makes 0.0 of -0.0
    return round(value, 6) + 0.0
