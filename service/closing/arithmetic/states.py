"""The closed, warm and wanted states of a stack, in the units of the record.

Sources: as in springs and clamp_changes.
"""

from collections.abc import Sequence

from service.closing.arithmetic.assembly import Built
from service.closing.arithmetic.clamp_changes import torque_for_pressure, warmed
from service.closing.arithmetic.outcome import (
    ClosedOutcome,
    GapColumns,
    OfCell,
    WantedOutcome,
    WarmOutcome,
)
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.disc_springs import SpringColumn
from service.physics.arithmetic.springs import ClosedGap, ClosedState
from service.platform.arithmetic.estimates import Estimate
from service.store.arithmetic.instrument_accuracy import instrument_accuracy


def in_unit(estimate: Estimate, factor: float) -> Estimate:
    """Value and uncertainty times a factor, without their parts."""
    return Estimate(estimate.value * factor, estimate.u * factor)


def _maybe(estimate: Estimate | None, factor: float) -> Estimate | None:
    return None if estimate is None else in_unit(estimate, factor)


def _value(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def closed_outcome(built: Built, assembly: Assembly, closed: ClosedState) -> ClosedOutcome:
    """The closed state with the cells' own numbers."""
    pressed = [
        OfCell(number, Estimate(gap.gdl_pressure_pa / 1e6, gap.u_gdl_pressure_pa / 1e6))
        for number, gap, it in zip(built.cells, closed.cells, assembly.cells, strict=True)
        if it.bed is not None
    ]
    springs = assembly.rods.springs
    share = None
    if isinstance(springs, SpringColumn):
        share = 100 * springs.share_of_travel(closed.rod_force_n.value)
    gdl = closed.gdl_pressure_pa
    return ClosedOutcome(
        _maybe(gdl, 1e-6),
        () if gdl is None else gdl.scaled(1e-6).parts,
        min(pressed, key=lambda it: it.value.value, default=None),
        max(pressed, key=lambda it: it.value.value, default=None),
        _maybe(closed.line_load_n_m, 1e-3),
        in_unit(closed.closed_height_m, 1e3),
        _maybe(closed.protrusion_m, 1e3),
        1e3 * closed.grip_m,
        1e3 * closed.rod_stretch_m,
        1e3 * closed.spring_travel_m,
        share,
        1e3 * closed.nut_travel_m,
        closed.nut_turn_deg,
        closed.stiffness_n_m / 1e3,
        _columns(closed.cells, built.cells, built.frames_m),
        _columns(closed.coolant, range(1, len(closed.coolant) + 1), [0.0] * len(closed.coolant)),
    )


def _columns(
    gaps: Sequence[ClosedGap], numbers: Sequence[int], frames_m: Sequence[float]
) -> GapColumns:
    return GapColumns(
        tuple(numbers),
        tuple(1e3 * (gap.gap_m + frame) for gap, frame in zip(gaps, frames_m, strict=True)),
        tuple(gap.gdl_pressure_pa / 1e6 for gap in gaps),
        tuple(gap.u_gdl_pressure_pa / 1e6 for gap in gaps),
        tuple(100 * gap.gdl_strain for gap in gaps),
        tuple(gap.line_load_n_m / 1e3 for gap in gaps),
        tuple(gap.u_line_load_n_m / 1e3 for gap in gaps),
        tuple(100 * gap.gasket_squeeze for gap in gaps),
        tuple(100 * gap.share_gdl for gap in gaps),
        tuple(100 * gap.share_gasket for gap in gaps),
        tuple(gap.on_stop for gap in gaps),
    )


def warm_outcome(
    assembly: Assembly, closed: ClosedState, from_c: float, to_c: float
) -> WarmOutcome:
    """What the clamp does from one temperature of the whole stack to another, °C.

    Raises as `warmed` does.
    """
    change = warmed(assembly, closed, to_c - from_c)
    return WarmOutcome(
        from_c,
        to_c,
        change.force_before_n,
        change.force_after_n,
        _value(change.gdl_pressure_before_pa, 1e-6),
        _value(change.gdl_pressure_after_pa, 1e-6),
        _value(change.line_load_before_n_m, 1e-3),
        _value(change.line_load_after_n_m, 1e-3),
        1e3 * change.height_change_m,
    )


def wanted_outcome(
    assembly: Assembly, clamp: ClampFigures, pressure_mpa: float, percent: float | None
) -> WantedOutcome:
    """Which torque gives this mean GDL pressure? ``percent`` is the driver's deviation.

    Raises as `torque_for_pressure` does.
    """
    law = clamp.law
    if percent is None:
        near = torque_for_pressure(assembly, pressure_mpa * 1e6, law).torque_nm.value
        percent = instrument_accuracy("torque driver", near).percent
    found = torque_for_pressure(assembly, pressure_mpa * 1e6, law, percent / 100)
    return WantedOutcome(pressure_mpa, in_unit(found.torque_nm, 1.0), found.force_n)
