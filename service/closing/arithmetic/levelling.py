"""Which nut to turn, and by how much, until the compression plate lies level.

Turning one nut stretches its rod, presses the plate down there and takes load off the rods around
it. SI units; turns in degrees, more than zero to tighten. Source: elastic interaction of bolts on
an elastic bed (springs in parallel); common practice, no source, for the choice of the target.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from service.closing.arithmetic.closing_inputs import ClosingInputs
from service.closing.arithmetic.outcome import MapOutcome
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds, balanced_plane, tilt_stiffness
from service.physics.arithmetic.gap_balance import GapColumns
from service.physics.arithmetic.pressure_map import (
    PressureMap,
    RodLoad,
    pressure_map,
    resultant_of,
    rod_loads,
)
from service.physics.arithmetic.springs import ClosedState
from service.platform.arithmetic.errors import Inconsistent, TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.material_curves import Array
from service.platform.arithmetic.preconditions import more_than_zero


@dataclass(frozen=True, slots=True)
class NutTurn:
    """What one nut needs: load in N now and wanted, the turn, and the torque it then stands at.

    ``torque_nm`` is None where no reading of the nut was given.
    """

    number: int
    load_n: float
    wanted_n: float
    turn_deg: float
    torque_nm: float | None


@dataclass(frozen=True, slots=True)
class OneNut:
    """The one nut whose turn helps most: how far off the middle the sum of the loads then acts."""

    number: int
    turn_deg: float
    off_before_m: float
    off_after_m: float


@dataclass(frozen=True, slots=True)
class Levelling:
    """Every nut's turn, greatest first, and the one nut to begin with."""

    turns: tuple[NutTurn, ...]
    first: OneNut


def level(
    rods: Sequence[RodLoad],
    area: ActiveArea,
    beds: Beds,
    *,
    rod_give_m_n: float,
    pitch_m: float,
    torques_nm: Mapping[int, float] | None = None,
) -> Levelling:
    """Compute which nuts must be turned, and how far, to level the plate at the same force.

    Wanted are loads as alike as the places of the rods allow, with their sum in the middle.
    ``rod_give_m_n`` is what a rod with its springs gives per N; ``beds`` holds the stiffness of
    the real pile. Raises Inconsistent where rods stand in one line.
    """
    more_than_zero("what a rod gives per N", rod_give_m_n, "m/N", "rod_give_m_n")
    more_than_zero("the pitch", pitch_m, "m", "pitch_m")
    resultant = resultant_of(rods)
    places = np.array([[1.0, rod.x_m, rod.y_m] for rod in rods]).T
    loads = np.array([rod.load_n for rod in rods])
    if np.linalg.matrix_rank(places, tol=1e-9) < 3:
        raise Inconsistent("The rods stand in one line: no turn of a nut levels the plate.")
    targets = _level_loads(places, loads)
    now = balanced_plane(resultant, area, beds)
    then = balanced_plane(np.array([resultant[0], 0.0, 0.0]), area, beds)
    # A turn moves a nut along the rod: it must make up for the rod's own give at the new load and
    # for the plate, which comes level and sinks or rises there, in all cells.
    sinking = places.T @ (then - now) * beds.cells
    travel = rod_give_m_n * (targets - loads) + sinking
    turns = [
        NutTurn(
            rod.number,
            rod.load_n,
            float(target),
            float(360 * way / pitch_m),
            _torque(torques_nm, rod, float(target)),
        )
        for rod, target, way in zip(rods, targets, travel, strict=True)
    ]
    turns.sort(key=lambda turn: -abs(turn.turn_deg))
    stiffness = tilt_stiffness(now, area, beds) / beds.cells
    first = _one_nut(rods, places, loads, stiffness, give=rod_give_m_n, pitch=pitch_m)
    return Levelling(tuple(turns), first)


def _torque(torques_nm: Mapping[int, float] | None, rod: RodLoad, target: float) -> float | None:
    if torques_nm is None or rod.number not in torques_nm or not rod.load_n:
        return None
    return torques_nm[rod.number] * target / rod.load_n


def _level_loads(places: Array, loads: Array) -> Array:
    """Nearest to equal loads, with the same sum and no moment."""
    alike = np.full(loads.size, loads.mean())
    out = places @ alike - np.array([loads.sum(), 0.0, 0.0])
    # Least change (least squares) of equal loads that takes the moment out and keeps the sum.
    nearest = alike - np.linalg.pinv(places) @ out
    if (nearest < 0).any():
        raise Inconsistent(
            "The rods stand so far to one side that the plate cannot lie level without one pushing."
        )
    return np.asarray(nearest, dtype=np.float64)


def _one_nut(
    rods: Sequence[RodLoad],
    places: Array,
    loads: Array,
    stiffness: Array,
    *,
    give: float,
    pitch: float,
) -> OneNut:
    """Least squares over one turn at a time; linear about the present state."""
    # The plate rests on the pile and hangs on all rods: plane = (K_pile + Σ p pᵀ/give)⁻¹ p/give for
    # one m of travel of one nut; the other rods answer by what the plate takes from them.
    whole = stiffness + places @ places.T / give
    before = places @ loads
    off_before = float(np.hypot(before[1], before[2]) / before[0])
    best = OneNut(rods[0].number, 0.0, off_before, off_before)
    for index, rod in enumerate(rods):
        follows = np.zeros(loads.size)
        follows[index] = 1.0
        plane = np.linalg.solve(whole, places @ follows / give)
        change = places @ ((follows - places.T @ plane) / give)
        length = float(change[1:] @ change[1:])
        if not length:
            continue
        # the travel that makes the moments least, were they a straight line of it
        travel = -float(change[1:] @ before[1:]) / length
        after = before + travel * change
        off = float(np.hypot(after[1], after[2]) / after[0])
        if off < best.off_after_m:
            best = OneNut(rod.number, 360 * travel / pitch, off_before, off)
    return best


def beds_of(
    assembly: Assembly, closed: ClosedState, area: ActiveArea, gasket_outside_m: float = 0.0
) -> Beds:
    """Return the elastic bed of a closed stack.

    Means over its cells that do not stand on the hard stop.

    Raises Inconsistent where every cell stands on its stop (pressure there follows the gap, not
    the rods), where no cell has an MEA, or where the two areas differ by more than 2 %.
    """
    count = len(assembly.cells)
    columns = GapColumns(assembly.cells)
    free = ~closed.states.on_stop[:count] & (columns.area > 0)
    if not free.any():
        raise Inconsistent("Every cell stands on its hard stop, or has no MEA: no map from rods.")
    mean_area = float(columns.area[free].mean())
    if abs(mean_area / area.area_m2 - 1) > 0.02:
        raise Inconsistent(
            f"The active area is {1e4 * mean_area:.4g} cm² in the cells, but"
            f" {1e4 * area.area_m2:.4g} cm² on the map."
        )
    states = closed.states
    return Beds(
        float(np.mean((states.stress_slope[:count] / columns.thickness)[free])),
        float(np.mean(states.stress_pa[:count][free])),
        float(np.mean((states.line_slope[:count] / columns.height)[free])),
        float(np.mean(states.line_load_n_m[:count][free])),
        gasket_outside_m,
        int(free.sum()),
    )


# The pressure map of a closing, in the units of the record.
#
# Sources: as in pressure_map.


@dataclass(frozen=True, slots=True)
class Spread:
    """The map; what could not be computed, in words."""

    map: MapOutcome | None
    not_computed: tuple[str, ...] = ()


def spread_of(
    inputs: ClosingInputs,
    clamp: ClampFigures,
    preloads: Mapping[int, Estimate],
    assembly: Assembly,
    closed: ClosedState,
) -> Spread:
    """Return how the pressure is spread; ``preloads`` by rod in N, each with its own uncertainty.

    Torques alone give no advice how to level the plate: that takes measured heights.
    """
    area = clamp.area
    if area is None:
        return Spread(
            None, ("pressure map: the figures name no width and height of the active area",)
        )
    try:
        places = {rod.number: (rod.x_mm / 1e3, rod.y_mm / 1e3) for rod in inputs.rods}
        rods = rod_loads(places, preloads)
        beds = beds_of(assembly, closed, area, clamp.gasket_outside_mm / 1e3)
        return Spread(_map(pressure_map(rods, area, beds), area))
    except TradeError as trouble:
        return Spread(None, (f"pressure map: {trouble}",))


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


def _settled(value: float) -> float:
    """Without the noise of the arithmetic, so that equal nuts stay in their order."""
    # + 0.0 makes 0.0 of -0.0
    return round(value, 6) + 0.0
