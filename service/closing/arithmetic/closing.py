"""The arithmetic of a closing: from readings and parts to pressures, heights, stresses, verdicts.

Pure and the same for the same inputs. What cannot be computed is left out and named in words.
Sources: as in the formulas named in the outcome.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, takewhile

from service.closing.arithmetic.assembly import Built, build
from service.closing.arithmetic.clamp_changes import torque_for_pressure, warmed
from service.closing.arithmetic.closing_inputs import (
    MOST_OFF_PERCENT,
    PRELOAD_KINDS,
    ClosingInputs,
    RodReading,
)
from service.closing.arithmetic.corner_heights import CornersOutcome, corners_outcome
from service.closing.arithmetic.held_closings import state_at_height
from service.closing.arithmetic.levelling import Spread, spread_of
from service.closing.arithmetic.outcome import (
    ClosedOutcome,
    ClosingOutcome,
    GapColumns,
    OfCell,
    RodOutcome,
    RodRelaxation,
    WantedOutcome,
    WarmOutcome,
    judged_by,
)
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.limits import Quantity
from service.physics.arithmetic import clamping, pressure_map, springs
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.clamping import Preloads, TorqueValue, preloads, relaxation
from service.physics.arithmetic.disc_springs import RECOMMENDED_TRAVEL, SpringColumn
from service.physics.arithmetic.rod_stress import rod_stress
from service.physics.arithmetic.springs import ClosedGap, ClosedState, close_stack
from service.physics.arithmetic.threads import strength
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import Estimate, combined
from service.store.arithmetic.instruments import instrument_accuracy

# The closed, warm and wanted states of a stack, in the units of the record.
#
# Sources: as in springs and clamp_changes.


def in_unit(estimate: Estimate, factor: float) -> Estimate:
    """Return value and uncertainty times a factor, without their parts."""
    return Estimate(estimate.value * factor, estimate.u * factor)


def _maybe(estimate: Estimate | None, factor: float) -> Estimate | None:
    return None if estimate is None else in_unit(estimate, factor)


def _value(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def closed_outcome(built: Built, assembly: Assembly, closed: ClosedState) -> ClosedOutcome:
    """Return the closed state with the cells' own numbers."""
    pressed = [
        OfCell(number, Estimate(gap.gdl_pressure_pa / 1e6, gap.u_gdl_pressure_pa / 1e6))
        for number, gap, cell in zip(built.cells, closed.cells, assembly.cells, strict=True)
        if cell.bed is not None
    ]
    springs = assembly.rods.springs
    share = None
    if isinstance(springs, SpringColumn):
        share = 100 * springs.share_of_travel(closed.rod_force_n.value)
    gdl = closed.gdl_pressure_pa
    return ClosedOutcome(
        _maybe(gdl, 1e-6),
        () if gdl is None else gdl.scaled(1e-6).parts,
        min(pressed, key=lambda share: share.value.value, default=None),
        max(pressed, key=lambda share: share.value.value, default=None),
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
    """Return what the clamp does from one temperature of the whole stack to another, °C.

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
    """Return the torque for this mean GDL pressure. ``percent`` is the driver's deviation.

    Raises as `torque_for_pressure` does.
    """
    law = clamp.law
    if percent is None:
        near = torque_for_pressure(assembly, pressure_mpa * 1e6, law).torque_nm.value
        percent = instrument_accuracy("torque driver", near).percent
    torque = torque_for_pressure(assembly, pressure_mpa * 1e6, law, percent / 100)
    return WantedOutcome(pressure_mpa, in_unit(torque.torque_nm, 1.0), torque.force_n)


# What the nuts' readings make: preloads, their sum, share of the proof load, loss by relaxation.
#
# Only a set or residual torque says what preload is; a breakaway torque does not. Source: as in
# clamping.


def torque_value(reading: RodReading) -> TorqueValue:
    """Return a reading with its driver's deviation: its own, or the usual one."""
    percent = reading.deviation_percent
    if percent is None:
        percent = instrument_accuracy("torque driver", reading.torque_nm).percent
    return TorqueValue(reading.torque_nm, percent / 100, reading.step_nm)


@dataclass(frozen=True, slots=True)
class NutsRead:
    """The last reading of each nut that gives a preload, by rod; all preloads in N.

    ``own`` leaves out what the nuts share (driver, mean friction).
    """

    readings: tuple[RodReading, ...]
    preloads: Preloads | None
    own: Preloads | None
    without: tuple[str, ...]

    def of_rods(self) -> dict[int, Estimate]:
        """Return the preload of each rod, with only its own uncertainty."""
        if self.preloads is None or self.own is None:
            return {}
        pairs = zip(self.readings, self.preloads.rods, self.own.rods, strict=True)
        return {rod.rod: Estimate(load.value, effects.u) for rod, load, effects in pairs}


def nuts_read(inputs: ClosingInputs, clamp: ClampFigures) -> NutsRead:
    """Return the preload of each nut after its last reading."""
    last: dict[int, RodReading] = {}
    for reading in inputs.readings:
        if reading.gives_preload:
            last[reading.rod] = reading
    last_readings = tuple(last[rod] for rod in sorted(last))
    breakaway = sorted(
        {reading.rod for reading in inputs.readings if reading.kind not in PRELOAD_KINDS}
    )
    without: tuple[str, ...] = ()
    if breakaway:
        rods = ", ".join(map(str, breakaway))
        without = (f"preload from the breakaway torque of rod {rods}: it says none",)
    off = sorted(
        {reading.rod for reading in inputs.readings if reading.kind in PRELOAD_KINDS} - last.keys()
    )
    if off:
        rods = ", ".join(map(str, off))
        bound = f"{MOST_OFF_PERCENT:g}\u2009%"
        without += (f"preload of rod {rods}: its driver may be more than {bound} off there",)
    if not last_readings:
        return NutsRead((), None, None, without)
    values = [torque_value(reading) for reading in last_readings]
    bare = [TorqueValue(value.torque_nm, 0.0, value.step_nm) for value in values]
    return NutsRead(
        last_readings, preloads(values, clamp.law), preloads(bare, clamp.law_of_each), without
    )


def rod_outcomes(nuts: NutsRead, clamp: ClampFigures) -> tuple[RodOutcome, ...]:
    """Return each nut's preload in N and share of its proof load in %."""
    if nuts.preloads is None:
        return ()
    of, law = clamp.thread_size, clamp.law
    rated = strength(clamp.strength_class, of)
    return tuple(
        RodOutcome(
            reading.rod,
            reading.torque_nm,
            reading.kind,
            reading.pass_number,
            Estimate(load.value, load.u),
            _plain(rod_stress(load, of, rated, law).share_of_proof.scaled(100)),
        )
        for reading, load in zip(nuts.readings, nuts.preloads.rods, strict=True)
    )


def greatest_share(rods: Sequence[RodOutcome]) -> Estimate | None:
    """Return the share of the proof load of the rod that bears most, %."""
    return max((rod.proof_percent for rod in rods), key=lambda percent: percent.value, default=None)


@dataclass(frozen=True, slots=True)
class Relaxed:
    """What the nuts lost; ``not_known`` says in words where it cannot be told."""

    rods: tuple[RodRelaxation, ...]
    mean_percent: Estimate | None
    not_known: tuple[str, ...]


def relaxed_rods(inputs: ClosingInputs, clamp: ClampFigures) -> Relaxed:
    """Compute what each nut lost between its first reading and the re-torque reading.

    The re-torque reading is the first one taken the settling time, or more, after the last one
    before it; it is set against that one, and only where both are of one kind. A nut tightened by a
    click tool says nothing of it.
    """
    losses, not_known = [], []
    for place in sorted(inputs.rods, key=lambda rod: rod.number):
        pair = _pair(inputs, place.number, clamp)
        if pair is None:
            continue
        first, again = pair
        if first.kind is not again.kind:
            not_known.append(
                f"relaxation of rod {place.number}: first read as {first.kind}, then as"
                f" {again.kind} torque, which cannot be compared"
            )
            continue
        losses.append(_relaxed(first, again, clamp))
    return Relaxed(tuple(losses), _mean([loss.lost_percent for loss in losses]), tuple(not_known))


def _pair(
    inputs: ClosingInputs, rod: int, clamp: ClampFigures
) -> tuple[RodReading, RodReading] | None:
    usable = [
        reading
        for reading in inputs.readings
        if reading.rod == rod and reading.gives_preload and not reading.press
    ]
    for first, again in pairwise(usable):
        full = inputs.passes is None or first.pass_number >= inputs.passes
        if full and 0 < clamp.settling_minutes <= again.minutes - first.minutes:
            return first, again
    return None


def _relaxed(first: RodReading, again: RodReading, clamp: ClampFigures) -> RodRelaxation:
    same = bool(first.driver) and first.driver == again.driver
    lost = relaxation(torque_value(first), torque_value(again), clamp.law, same_driver=same)
    return RodRelaxation(
        first.rod,
        first.kind,
        first.torque_nm,
        again.torque_nm,
        again.minutes - first.minutes,
        _plain(lost.lost.scaled(100)),
        _plain(lost.preload_left),
    )


def _mean(lost: Sequence[Estimate]) -> Estimate | None:
    """The mean; what may be common to the nuts is taken as common, the cautious choice."""
    if not lost:
        return None
    count = len(lost)
    return _plain(
        combined(
            sum(loss.value for loss in lost) / count, {"all": sum(loss.u for loss in lost) / count}
        )
    )


def _plain(estimate: Estimate) -> Estimate:
    return Estimate(estimate.value, estimate.u)


FORMULA = "closing 3"
FORMULAS = (FORMULA, clamping.FORMULA, springs.FORMULA, pressure_map.FORMULA)
"""Names and versions of what computes a closing; kept with its outcome."""


def closing(inputs: ClosingInputs) -> ClosingOutcome:
    """Return what the readings so far make of this stack.

    Never raises for what is incomplete: that is named in ``not_computed``. Force comes from the
    nuts read so far; the closed state follows once every nut has a reading, in whatever pass.
    Where nothing of the clamp is known, the nuts that were read count all the same. Map and
    verdicts wait until every nut is read in the last pass.
    """
    clamp = inputs.figures.clamp
    nothing = _nothing(inputs)
    if clamp is None:
        return replace(
            nothing,
            rods_read=len({reading.rod for reading in inputs.readings}),
            not_computed=("clamp: the design has no figures for it in force",),
        )
    nuts = nuts_read(inputs, clamp)
    rods = rod_outcomes(nuts, clamp)
    lost = relaxed_rods(inputs, clamp)
    outcome = replace(
        nothing,
        rods_read=len(nuts.readings),
        rods=rods,
        force_n=None if nuts.preloads is None else nuts.preloads.total,
        proof_percent=greatest_share(rods),
        relaxation=lost.rods,
        mean_lost_percent=lost.mean_percent,
        not_computed=(*nuts.without, *lost.not_known),
    )
    built = build(inputs, clamp)
    if built.assembly is None:
        lacking = tuple(f"closed state: {lack}" for lack in built.lacking)
        outcome = replace(outcome, not_computed=(*outcome.not_computed, *lacking))
    else:
        outcome = _wanted(outcome, inputs, clamp, built.assembly)
        outcome = _with_closed(outcome, inputs, clamp, built, nuts)
    remarks = (*outcome.remarks, *_remarks(outcome))
    return judged_by(replace(outcome, remarks=remarks), inputs.figures)


def _read_last(inputs: ClosingInputs) -> tuple[int | None, frozenset[int]]:
    """The pass that is being read, and the rods read in it since it was begun."""
    usable = [reading for reading in inputs.readings if reading.kind in PRELOAD_KINDS]
    if not usable:
        return None, frozenset()
    number = usable[-1].pass_number
    run = takewhile(lambda reading: reading.pass_number == number, reversed(usable))
    return number, frozenset(reading.rod for reading in run)


def _is_last_pass_read(inputs: ClosingInputs) -> bool:
    """Be true once every nut has a reading in the design's last pass, or after it."""
    if inputs.passes is None or inputs.held is not None:
        return True
    read = {
        reading.rod
        for reading in inputs.readings
        if reading.kind in PRELOAD_KINDS and reading.pass_number >= inputs.passes
    }
    return read == {rod.number for rod in inputs.rods}


def _corners(inputs: ClosingInputs) -> tuple[CornersOutcome, ...]:
    clamp = inputs.figures.clamp
    pitch_mm = None if clamp is None else 1e3 * clamp.thread_size.pitch_m
    rods = [(rod.number, rod.x_mm, rod.y_mm) for rod in inputs.rods]
    return tuple(corners_outcome(measured, rods, pitch_mm) for measured in inputs.corners)


def _nothing(inputs: ClosingInputs) -> ClosingOutcome:
    pass_number, read = _read_last(inputs)
    return ClosingOutcome(
        rods_count=len(inputs.rods),
        rods_read=0,
        corners=_corners(inputs),
        held=inputs.held,
        rods_pressed=len({reading.rod for reading in inputs.readings if reading.press}),
        rods=(),
        force_n=None,
        proof_percent=None,
        closed=None,
        warm=None,
        relaxation=(),
        mean_lost_percent=None,
        map=None,
        levelling=None,
        wanted=None,
        judged=(),
        verdict=None,
        limits=inputs.limits,
        formulas=FORMULAS,
        not_computed=(),
        remarks=(),
        pass_number=pass_number,
        read_in_pass=len(read),
        passes=inputs.passes,
        is_last_pass_read=_is_last_pass_read(inputs),
    )


def _and_not(outcome: ClosingOutcome, *sentences: str) -> ClosingOutcome:
    return replace(outcome, not_computed=(*outcome.not_computed, *sentences))


def _wanted(
    outcome: ClosingOutcome, inputs: ClosingInputs, clamp: ClampFigures, assembly: Assembly
) -> ClosingOutcome:
    limit = inputs.figures.limit(Quantity.GDL_PRESSURE)
    if limit is None or limit.middle is None:
        return _and_not(
            outcome, "torque for the wanted GDL pressure: its least and most value are not both set"
        )
    percent = inputs.readings[-1].deviation_percent if inputs.readings else None
    try:
        wanted_torque = wanted_outcome(assembly, clamp, limit.middle, percent)
    except TradeError as trouble:
        return _and_not(outcome, f"torque for the wanted GDL pressure: {trouble}")
    return replace(outcome, wanted=wanted_torque)


def _with_closed(
    outcome: ClosingOutcome,
    inputs: ClosingInputs,
    clamp: ClampFigures,
    built: Built,
    nuts: NutsRead,
) -> ClosingOutcome:
    assembly = built.assembly
    if assembly is not None and inputs.held is not None:
        return _held_closed(outcome, inputs, clamp, built, nuts)
    if assembly is None or nuts.preloads is None or not outcome.is_complete:
        return _and_not(outcome, f"closed state: {outcome.nuts_read}")
    try:
        closed = close_stack(assembly, nuts.preloads.total, clamp.law)
    except TradeError as trouble:
        return _and_not(outcome, f"closed state: {trouble}")
    if outcome.is_last_pass_read:
        spread = spread_of(inputs, clamp, nuts.of_rods(), assembly, closed)
    else:
        why = f"pressure map: it comes when every nut is read in pass {inputs.passes}"
        spread = Spread(None, (why,))
    outcome = replace(
        outcome,
        closed=closed_outcome(built, assembly, closed),
        map=spread.map,
        not_computed=(*outcome.not_computed, *spread.not_computed),
    )
    return _with_warm(outcome, inputs, clamp, built, closed)


def _held_closed(
    outcome: ClosingOutcome,
    inputs: ClosingInputs,
    clamp: ClampFigures,
    built: Built,
    nuts: NutsRead,
) -> ClosingOutcome:
    """Compute the closed state from the measured height, with the forces beside it as a check."""
    held, assembly = inputs.held, built.assembly
    if held is None or assembly is None:
        return outcome
    try:
        closed = state_at_height(assembly, held.after_mm, clamp.law)
    except TradeError as trouble:
        return _and_not(outcome, f"closed state: {trouble}")
    whole = {rod.number for rod in inputs.rods} == {reading.rod for reading in nuts.readings}
    forces = [f"{_kn(closed.force_n)} by the measured height"]
    if held.force_n is not None:
        forces.append(f"{_kn(held.force_n)} by the press")
    if nuts.preloads is not None and whole:
        forces.append(f"{_kn(nuts.preloads.total)} by the nuts' torques")
    outcome = replace(
        outcome,
        closed=closed_outcome(built, assembly, closed),
        remarks=(f"Force of all rods: {'; '.join(forces)}. A check: none of them rules.",),
    )
    return _with_warm(outcome, inputs, clamp, built, closed)


def _kn(force: Estimate) -> str:
    return f"{force.value / 1e3:.3g} ± {force.expanded / 1e3:.2g}\u2009kN"


def _with_warm(
    outcome: ClosingOutcome,
    inputs: ClosingInputs,
    clamp: ClampFigures,
    built: Built,
    closed: ClosedState,
) -> ClosingOutcome:
    cold, hot = inputs.temperature_c, clamp.running_temperature_c
    cold = clamp.assembly_temperature_c if cold is None else cold
    if hot is None:
        return _and_not(outcome, "warm state: the figures name no running temperature")
    if built.no_expansion:
        names = ", ".join(built.no_expansion)
        return _and_not(outcome, f"warm state: the thermal expansion is not known of {names}")
    if built.assembly is None:
        return outcome
    try:
        return replace(outcome, warm=warm_outcome(built.assembly, closed, cold, hot))
    except TradeError as trouble:
        return _and_not(outcome, f"warm state: {trouble}")


def _remarks(outcome: ClosingOutcome) -> tuple[str, ...]:
    sentences = []
    if outcome.rods_pressed:
        sentences.append(
            f"{outcome.rods_pressed} of {outcome.rods_count} nuts were not read, but tightened by a"
            " click tool: they count with its setting and its error."
        )
    if outcome.proof_percent is not None and outcome.proof_percent.value > 100:
        sentences.append("A rod bears more than its proof load: it would stay longer.")
    closed = outcome.closed
    if closed is None:
        return tuple(sentences)
    stopped = [
        number
        for number, stops in zip(closed.cells.numbers, closed.cells.on_stop, strict=True)
        if stops
    ]
    if stopped:
        which = "Every cell stands" if len(stopped) == len(closed.cells.numbers) else _some(stopped)
        sentences.append(
            f"{which} on the hard stop: more torque raises neither GDL pressure nor line load"
            " there."
        )
    share = closed.spring_travel_percent
    if share is not None and share > 100 * RECOMMENDED_TRAVEL:
        sentences.append(
            f"The disc springs are pressed to {share:.0f}\u2009% of flat; up to 75\u2009% they last"
            " (DIN EN 16984)."
        )
    if closed.protrusion_mm is not None and closed.protrusion_mm.value < 0:
        short = -closed.protrusion_mm.value
        sentences.append(f"The rods are {short:.1f}\u2009mm too short for the nuts.")
    if outcome.map is not None and outcome.map.lost_percent > 0:
        sentences.append(
            f"{outcome.map.lost_percent:.1f}\u2009% of the active area carry no pressure."
        )
    return tuple(sentences)


def _some(cells: Sequence[int]) -> str:
    if len(cells) == 1:
        return f"Cell {cells[0]} stands"
    return f"Cells {', '.join(map(str, cells))} stand"
