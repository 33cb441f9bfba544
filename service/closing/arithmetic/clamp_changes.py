"""What happens to a closed clamp: warmth, relaxation, more cells; and the torque that is wanted.

The nuts stay where they are; rods, springs and pile find a new balance. Soft layers come back along
their unloading curve. SI units. Source: bolt and sleeve (strength of materials), with the
materials' own curves in place of one stiffness.
"""

from dataclasses import dataclass

import numpy as np
import scipy  # optimize takes long to load: with the first call

from service.physics.arithmetic.clamped_parts import Assembly, with_cells
from service.physics.arithmetic.clamping import Law, torque_for
from service.physics.arithmetic.gap_balance import Gap, GapColumns, GapStates
from service.physics.arithmetic.springs import ClosedState, close_stack, spring_height
from service.platform.arithmetic.errors import NoSolution, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within

# A bracket for the search: a force that grew 64-fold has left every curve long before.
_MOST_GROWTH = 64.0


@dataclass(frozen=True, slots=True)
class ClampChange:
    """A clamp before and after something happened to it: N, Pa, N/m, m.

    Pressures and line loads are means over the cells with an MEA, None where there is none.
    """

    force_before_n: float
    force_after_n: float
    gdl_pressure_before_pa: float | None
    gdl_pressure_after_pa: float | None
    line_load_before_n_m: float | None
    line_load_after_n_m: float | None
    height_change_m: float
    states: GapStates

    @property
    def force_change_n(self) -> float:
        """Negative where the clamp lost force."""
        return self.force_after_n - self.force_before_n

    @property
    def share_lost(self) -> float:
        """Force lost as a share of what it was; negative where it grew."""
        return -self.force_change_n / self.force_before_n


def warmed(assembly: Assembly, closed: ClosedState, warmer_k: float) -> ClampChange:
    """Return how the clamp stands when the whole stack is this many K warmer than when closed.

    Raises NoSolution where the clamp comes loose, OutOfRange where a layer or spring is pressed
    beyond what it is known for.
    """
    within("the change of temperature", warmer_k, "K", -150.0, 150.0, "warmer_k")
    columns = GapColumns(assembly.gaps).after(closed.states, warmer_k)
    growth = warmer_k * sum(layer.height_m * layer.expansion_1_k for layer in assembly.rigid)
    rod = warmer_k * assembly.rods.expansion_1_k * (closed.grip_m - closed.rod_stretch_m)
    return _balanced(assembly, closed, columns, growth, rod)


def relaxed(assembly: Assembly, closed: ClosedState, height_lost_m: float) -> ClampChange:
    """Return how the clamp stands when the pile has lost this height (m) since it was closed.

    Creep of gaskets and GDL, embedding, a warm cycle: the height is taken away, force follows.
    """
    not_below_zero("the height lost", height_lost_m, "m", "height_lost_m")
    columns = GapColumns(assembly.gaps).after(closed.states)
    return _balanced(assembly, closed, columns, -height_lost_m, 0.0)


def _length(assembly: Assembly, columns: GapColumns, closed: ClosedState, force: float) -> float:
    """Height of pile and springs at a force, without growth."""
    states = columns.under(force, closed.states.gap_m)
    pile = assembly.rigid_height_m - force * assembly.rigid_compliance + float(states.gap_m.sum())
    rods = assembly.rods
    travel = rods.springs.travel(force / rods.count) if rods.springs else 0.0
    return pile + spring_height(rods) - travel


def _rod(assembly: Assembly, closed: ClosedState, force: float) -> float:
    """Length of the rods between the nuts at a force, without growth."""
    rods = assembly.rods
    stretch = force / rods.count * closed.grip_m / (rods.area_m2 * rods.modulus_pa)
    return closed.grip_m - closed.rod_stretch_m + stretch


def _balanced(
    assembly: Assembly, closed: ClosedState, columns: GapColumns, pile: float, rod: float
) -> ClampChange:
    """The balance after pile and rods grew by so many m."""
    before = closed.force_n.value

    def out(force: float) -> float:
        grown = _length(assembly, columns, closed, force) + pile
        return grown - _rod(assembly, closed, force) - rod

    # Pile and springs longer than the rods: the force is too small. The difference falls as it
    # grows.
    if out(0.0) <= 0:
        raise NoSolution("The clamp comes loose", "the rods are longer than the pile")
    high = before
    while out(high) > 0:
        high *= 1.5
        if high > before * _MOST_GROWTH:
            raise NoSolution("The force grows without bound", last=f"{high:.0f} N")
    after = float(scipy.optimize.brentq(out, 0.0, high, xtol=1e-6, rtol=1e-12))
    states = columns.under(after, closed.states.gap_m)
    columns.check(states, assembly.gap_name)
    if assembly.rods.springs:
        assembly.rods.springs.check(after / assembly.rods.count)
    cells = slice(0, len(assembly.cells))
    is_bed, is_gasket = columns.area[cells] > 0, columns.length[cells] > 0
    height = float(np.sum(states.gap_m - closed.states.gap_m))
    return ClampChange(
        before,
        after,
        _value(closed.gdl_pressure_pa),
        float(states.stress_pa[cells][is_bed].mean()) if is_bed.any() else None,
        _value(closed.line_load_n_m),
        float(states.line_load_n_m[cells][is_gasket].mean()) if is_gasket.any() else None,
        height - (after - before) * assembly.rigid_compliance + pile,
        states,
    )


def _value(estimate: Estimate | None) -> float | None:
    return None if estimate is None else estimate.value


@dataclass(frozen=True, slots=True)
class WantedPressure:
    """Force in N on the whole stack and torque in N·m on each nut for a mean GDL pressure."""

    force_n: float
    torque_nm: Estimate
    closed: ClosedState


def torque_for_pressure(
    assembly: Assembly, pressure_pa: float, law: Law, deviation: float = 0.0
) -> WantedPressure:
    """Compute the torque that gives this mean pressure (Pa) on the GDL of all cells.

    ``deviation`` is the driver's, as a share. Raises OutOfRange where the hard stops carry the rest
    before the pressure is reached, or where no cell has an MEA.
    """
    more_than_zero("the wanted GDL pressure", pressure_pa, "Pa", "pressure_pa")
    beds = [gap for gap in assembly.cells if gap.bed is not None]
    if not beds:
        raise OutOfRange("the number of cells with an MEA", 0, "", "one or more")
    columns = GapColumns(beds)
    loads, _stiffness = columns.load(columns.stop)
    most_force = float(loads.max())

    def mean(force: float) -> float:
        return float(columns.under(force).stress_pa.mean())

    most = mean(most_force)
    if pressure_pa > most:
        raise OutOfRange(
            "the wanted GDL pressure",
            f"{pressure_pa / 1e6:.3g}",
            "MPa",
            f"up to {most / 1e6:.3g} MPa; there the hard stops carry the rest",
        )
    force = float(
        scipy.optimize.brentq(
            lambda f: mean(f) - pressure_pa, 0.0, most_force, xtol=1e-3, rtol=1e-12
        )
    )
    torque = torque_for(force / assembly.rods.count, law, deviation)
    return WantedPressure(force, torque, close_stack(assembly, Estimate(force), law))


@dataclass(frozen=True, slots=True)
class CellsChange:
    """A stack before and after cells were added (or taken away) on the same rods, same torque."""

    before: ClosedState
    after: ClosedState
    assembly_after: Assembly

    @property
    def height_change_m(self) -> float:
        """By how much the closed stack is higher."""
        return self.after.closed_height_m.value - self.before.closed_height_m.value


def change_of_cells(
    assembly: Assembly, force: Estimate, by: int, cell: Gap, coolant: Gap | None = None
) -> CellsChange:
    """Return what changes when ``by`` cells like ``cell`` join the same rods at the same force.

    Every layer carries the same force, so torque and pressure of a like cell stay; height, thread
    left, nut travel, stiffness and the answer to warmth do not.
    """
    after = with_cells(assembly, by, cell, coolant)
    return CellsChange(close_stack(assembly, force), close_stack(after, force), after)
