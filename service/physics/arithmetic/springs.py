"""A stack as springs: what the clamp's force does to every cell, and how high the stack closes.

Every layer carries the same axial force, the sum of the rods. Heights add up; rods and the springs
on them close the loop. Compression plates are stiff, and all rods are stretched alike. SI units.
Source: springs in series; VDI 2230 (rods); common practice, no source, for the rest.
"""

from dataclasses import dataclass
from math import hypot

import numpy as np

from service.physics.arithmetic.clamped_parts import Assembly, Rods
from service.physics.arithmetic.clamping import Law
from service.physics.arithmetic.gap_balance import Flags, GapColumns, GapStates
from service.physics.arithmetic.rod_stress import RodStress, rod_stress
from service.platform.arithmetic.estimates import Estimate, combined
from service.platform.arithmetic.material_curves import Array
from service.platform.arithmetic.preconditions import more_than_zero

FORMULA = "spring network 1"
FORCE, GDL_CURVE, GASKET_CURVE = "force", "GDL curve", "gasket curve"
MEA_THICKNESS, GASKET_HEIGHT, RIGID_HEIGHT = "MEA thickness", "gasket height", "rigid layers"


@dataclass(frozen=True, slots=True)
class ClosedGap:
    """One cell or coolant layer of a closed stack. Shares of the force add up to 1."""

    number: int
    gap_m: float
    gdl_strain: float
    gdl_pressure_pa: float
    u_gdl_pressure_pa: float
    gasket_squeeze: float
    line_load_n_m: float
    u_line_load_n_m: float
    share_gdl: float
    share_gasket: float
    share_stop: float
    on_stop: bool


@dataclass(frozen=True, slots=True)
class ClosedState:
    """A closed stack under its clamp: what goes on the record, each with its uncertainty.

    ``closed_height_m`` is from outer face to outer face of the rigid layers, ``grip_m`` adds the
    springs under the nuts. ``nut_travel_m`` and ``nut_turn_deg`` count from finger-tight.
    ``protrusion_m`` is the thread beyond the nut, None where the rods' length is not given.
    """

    force_n: Estimate
    rod_force_n: Estimate
    gdl_pressure_pa: Estimate | None
    least_gdl_pressure_pa: float | None
    greatest_gdl_pressure_pa: float | None
    line_load_n_m: Estimate | None
    closed_height_m: Estimate
    grip_m: float
    rod_stretch_m: float
    spring_travel_m: float
    nut_travel_m: float
    nut_turn_deg: float
    protrusion_m: Estimate | None
    rod_stress: RodStress
    stiffness_n_m: float
    cells: tuple[ClosedGap, ...]
    coolant: tuple[ClosedGap, ...]
    states: GapStates


def close_stack(assembly: Assembly, force: Estimate, law: Law | None = None) -> ClosedState:
    """Compute how the stack stands under this force (N, the sum of its rods).

    ``law`` adds the twist to the rods' stress. Uncertainty: of the force with its parts, of the
    materials' curves, of thicknesses; each of the latter is taken as common to all cells (one
    gauge, one lot), the cautious choice. Raises OutOfRange where a layer is pressed beyond the
    curve of its material, or springs beyond flat.
    """
    more_than_zero("the clamping force", force.value, "N", "force_n")
    columns = GapColumns(assembly.gaps)
    states = columns.under(force.value)
    columns.check(states, assembly.gap_name)
    if assembly.rods.springs:
        assembly.rods.springs.check(force.value / assembly.rods.count)
    rods, each = assembly.rods, force.scaled(1 / assembly.rods.count)
    effects = _effects(columns, states, force, assembly)
    count = len(assembly.cells)
    closed = closed_height(assembly, states)
    travel = rods.springs.travel(each.value) if rods.springs else 0.0
    grip = closed + spring_height(rods) - travel
    stretch = each.value * grip / (rods.area_m2 * rods.modulus_pa)
    # The nut travels what the pile loses in height, the springs give and the rod stretches.
    squashed = float(np.sum(columns.snug - states.gap_m)) + force.value * assembly.rigid_compliance
    nut_travel = squashed + travel + stretch
    height = combined(closed, {name: float(effect.height) for name, effect in effects.items()})
    is_bed, is_gasket = columns.area[:count] > 0, columns.length[:count] > 0
    pressures = states.stress_pa[:count][is_bed]
    stress = {name: effect.stress[:count] for name, effect in effects.items()}
    line = {name: effect.line[:count] for name, effect in effects.items()}
    return ClosedState(
        force,
        each,
        _mean(states.stress_pa[:count], stress, is_bed),
        float(pressures.min()) if pressures.size else None,
        float(pressures.max()) if pressures.size else None,
        _mean(states.line_load_n_m[:count], line, is_gasket),
        height,
        grip,
        stretch,
        travel,
        nut_travel,
        360 * nut_travel / rods.thread.pitch_m,
        _protrusion(rods, grip - stretch, height),
        rod_stress(each, rods.thread, rods.strength, law),
        1 / (pile_compliance(assembly, states) + rod_compliance(assembly, force.value, grip)),
        _listed(columns, states, effects, 0, count),
        _listed(columns, states, effects, count, columns.count),
        states,
    )


def closed_height(assembly: Assembly, states: GapStates) -> float:
    """Return the height in m of the clamped pile between the outer faces of its rigid layers."""
    rigid = assembly.rigid_height_m - states.force_n * assembly.rigid_compliance
    return rigid + float(np.sum(states.gap_m))


def pile_compliance(assembly: Assembly, states: GapStates) -> float:
    """Compute by how many m the pile gives per N more, in this state."""
    with np.errstate(divide="ignore"):
        gaps = np.where(states.on_stop, 0.0, 1 / states.stiffness_n_m)
    return float(np.sum(gaps)) + assembly.rigid_compliance


def rod_compliance(assembly: Assembly, force_n: float, grip_m: float) -> float:
    """Compute by how many m rods and the springs on them give per N of the whole force."""
    rods = assembly.rods
    stretch = grip_m / (rods.area_m2 * rods.modulus_pa)
    springs = rods.springs.compliance(force_n / rods.count) if rods.springs else 0.0
    return (stretch + springs) / rods.count


def spring_height(rods: Rods) -> float:
    """Return the height of the springs on a rod without load, m."""
    return rods.springs.free_height_m if rods.springs else 0.0


def _protrusion(rods: Rods, unstretched_grip_m: float, height: Estimate) -> Estimate | None:
    if rods.length_m is None:
        return None
    beyond = rods.length_m - rods.before_m - unstretched_grip_m - rods.nut_height_m
    return Estimate(beyond, height.u, height.parts)


@dataclass(frozen=True, slots=True)
class _Effect:
    """What one standard uncertainty of one source does: to each gap, and to the height."""

    stress: Array
    line: Array
    height: float


def _effects(
    columns: GapColumns, states: GapStates, force: Estimate, assembly: Assembly
) -> dict[str, _Effect]:
    """Implicit differentiation of the balance of each gap."""
    # In each gap g the soft parts carry F = A σ(1 - (g + r)/t) + L q(1 - (g + d)/h). A source that
    # adds dF at one gap moves it by dg = dF / stiffness (minus where F itself grows); what it does
    # to stress and line load is its own part less slope × dg. On the hard stop the gap does not
    # move.
    moves = ~states.on_stop
    with np.errstate(divide="ignore", invalid="ignore"):
        give = np.where(moves, 1 / states.stiffness_n_m, 0.0)
    zero = np.zeros(columns.count)
    u_bed = _curve_u(columns, bed=True)
    u_gasket = _curve_u(columns, bed=False)
    thicker = states.stress_slope * (states.gap_m + columns.recess) / columns.thickness**2
    thicker = thicker * columns.u_thickness
    higher = states.line_slope * (states.gap_m + columns.groove) / columns.height**2
    higher = higher * columns.u_height

    def effect(d_gap: Array, stress: Array, line: Array, rigid: float = 0.0) -> _Effect:
        return _Effect(
            stress - states.stress_slope / columns.thickness * d_gap,
            line - states.line_slope / columns.height * d_gap,
            float(np.sum(d_gap)) + rigid,
        )

    parts = force.parts or ((FORCE, force.u),)
    effects = {
        name: effect(-give * u, zero, zero, -u * assembly.rigid_compliance) for name, u in parts
    }
    d_stress, d_line = states.stress_pa * u_bed, states.line_load_n_m * u_gasket
    effects[GDL_CURVE] = effect(give * columns.area * d_stress, d_stress, zero)
    effects[GASKET_CURVE] = effect(give * columns.length * d_line, zero, d_line)
    effects[MEA_THICKNESS] = effect(give * columns.area * thicker, thicker, zero)
    effects[GASKET_HEIGHT] = effect(give * columns.length * higher, zero, higher)
    # Half plates come from one lot and share their error; end parts do not.
    rigid = sum(layer.count * layer.u_thickness_m for layer in assembly.half_plates)
    others = hypot(*(layer.count * layer.u_thickness_m for layer in assembly.ends))
    effects[RIGID_HEIGHT] = _Effect(zero, zero, hypot(rigid, others))
    return effects


def _curve_u(columns: GapColumns, *, bed: bool) -> Array:
    curve_u = np.zeros(columns.count)
    for soft, index in columns.beds if bed else columns.gaskets:
        curve_u[index] = soft.u_relative
    return curve_u


def _mean(values: Array, effects: dict[str, Array], counted: Flags) -> Estimate | None:
    if not counted.any():
        return None
    parts = {name: float(np.mean(effect[counted])) for name, effect in effects.items()}
    return combined(float(np.mean(values[counted])), parts)


def _listed(
    columns: GapColumns, states: GapStates, effects: dict[str, _Effect], start: int, end: int
) -> tuple[ClosedGap, ...]:
    u_stress = np.sqrt(sum(effect.stress**2 for effect in effects.values()))
    u_line = np.sqrt(sum(effect.line**2 for effect in effects.values()))
    force = states.force_n
    rows = zip(
        range(1, end - start + 1),
        states.gap_m[start:end].tolist(),
        states.strain[start:end].tolist(),
        states.stress_pa[start:end].tolist(),
        u_stress[start:end].tolist(),
        states.squeeze[start:end].tolist(),
        states.line_load_n_m[start:end].tolist(),
        u_line[start:end].tolist(),
        (columns.area * states.stress_pa / force)[start:end].tolist(),
        (columns.length * states.line_load_n_m / force)[start:end].tolist(),
        (states.stop_load_n / force)[start:end].tolist(),
        states.on_stop[start:end].tolist(),
        strict=True,
    )
    return tuple(ClosedGap(*row) for row in rows)
