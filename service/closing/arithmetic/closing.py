"""The arithmetic of a closing: from readings and parts to pressures, heights, stresses, verdicts.

Pure and the same for the same inputs. What cannot be computed is left out and named in words.
Sources: as in the formulas named in the outcome.
"""

from collections.abc import Sequence
from dataclasses import replace

from service.closing.arithmetic.assembly import Built, build
from service.closing.arithmetic.closing_inputs import ClosingInputs
from service.closing.arithmetic.closing_map import levelled
from service.closing.arithmetic.closing_verdicts import judged_by
from service.closing.arithmetic.outcome import ClosingOutcome
from service.closing.arithmetic.readings import (
    NutsRead,
    greatest_share,
    nuts_read,
    relaxed_rods,
    rod_outcomes,
)
from service.closing.arithmetic.states import closed_outcome, wanted_outcome, warm_outcome
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.limits import Quantity
from service.physics.arithmetic import clamping, pressure_map, springs
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.disc_springs import RECOMMENDED_TRAVEL
from service.physics.arithmetic.springs import ClosedState, close_stack
from service.platform.arithmetic.errors import TradeError

FORMULA = "closing 1"
FORMULAS = (FORMULA, clamping.FORMULA, springs.FORMULA, pressure_map.FORMULA)
"""Names and versions of what computes a closing; kept with its outcome."""


def closing(inputs: ClosingInputs) -> ClosingOutcome:
    """What do the readings so far make of this stack?

    Never raises for what is incomplete: that is named in ``not_computed``. Force comes from the
    nuts read so far; the closed state follows once every nut has a reading, in whatever pass.
    Where nothing of the clamp is known, the nuts that were read count all the same.
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
    found = replace(
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
        lacking = tuple(f"closed state: {what}" for what in built.lacking)
        found = replace(found, not_computed=(*found.not_computed, *lacking))
    else:
        found = _wanted(found, inputs, clamp, built.assembly)
        found = _with_closed(found, inputs, clamp, built, nuts)
    return judged_by(replace(found, remarks=_remarks(found)), inputs.figures)


def _nothing(inputs: ClosingInputs) -> ClosingOutcome:
    return ClosingOutcome(
        rods_count=len(inputs.rods),
        rods_read=0,
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
    )


def _and_not(found: ClosingOutcome, *sentences: str) -> ClosingOutcome:
    return replace(found, not_computed=(*found.not_computed, *sentences))


def _wanted(
    found: ClosingOutcome, inputs: ClosingInputs, clamp: ClampFigures, assembly: Assembly
) -> ClosingOutcome:
    limit = inputs.figures.limit(Quantity.GDL_PRESSURE)
    if limit is None or limit.middle is None:
        return _and_not(
            found, "torque for the wanted GDL pressure: its least and most value are not both set"
        )
    percent = inputs.readings[-1].deviation_percent if inputs.readings else None
    try:
        wanted = wanted_outcome(assembly, clamp, limit.middle, percent)
    except TradeError as trouble:
        return _and_not(found, f"torque for the wanted GDL pressure: {trouble}")
    return replace(found, wanted=wanted)


def _with_closed(
    found: ClosingOutcome, inputs: ClosingInputs, clamp: ClampFigures, built: Built, nuts: NutsRead
) -> ClosingOutcome:
    assembly = built.assembly
    if assembly is None or nuts.preloads is None or not found.is_complete:
        return _and_not(found, f"closed state: {found.nuts_read}")
    try:
        closed = close_stack(assembly, nuts.preloads.total, clamp.law)
    except TradeError as trouble:
        return _and_not(found, f"closed state: {trouble}")
    spread = levelled(inputs, clamp, nuts.of_rods(), assembly, closed)
    found = replace(
        found,
        closed=closed_outcome(built, assembly, closed),
        map=spread.map,
        levelling=spread.levelling,
        not_computed=(*found.not_computed, *spread.not_computed),
    )
    return _with_warm(found, inputs, clamp, built, closed)


def _with_warm(
    found: ClosingOutcome,
    inputs: ClosingInputs,
    clamp: ClampFigures,
    built: Built,
    closed: ClosedState,
) -> ClosingOutcome:
    cold, hot = inputs.temperature_c, clamp.running_temperature_c
    cold = clamp.assembly_temperature_c if cold is None else cold
    if hot is None:
        return _and_not(found, "warm state: the figures name no running temperature")
    if built.no_expansion:
        names = ", ".join(built.no_expansion)
        return _and_not(found, f"warm state: the thermal expansion is not known of {names}")
    if built.assembly is None:
        return found
    try:
        return replace(found, warm=warm_outcome(built.assembly, closed, cold, hot))
    except TradeError as trouble:
        return _and_not(found, f"warm state: {trouble}")


def _remarks(found: ClosingOutcome) -> tuple[str, ...]:
    said = []
    if found.proof_percent is not None and found.proof_percent.value > 100:
        said.append("A rod bears more than its proof load: it would stay longer.")
    closed = found.closed
    if closed is None:
        return tuple(said)
    stopped = [
        number
        for number, stops in zip(closed.cells.numbers, closed.cells.on_stop, strict=True)
        if stops
    ]
    if stopped:
        which = "Every cell stands" if len(stopped) == len(closed.cells.numbers) else _some(stopped)
        said.append(
            f"{which} on the hard stop: more torque raises neither GDL pressure nor line load"
            " there."
        )
    share = closed.spring_travel_percent
    if share is not None and share > 100 * RECOMMENDED_TRAVEL:
        said.append(
            f"The disc springs are pressed to {share:.0f}\u2009% of flat; up to 75\u2009% they last"
            " (DIN EN 16984)."
        )
    if closed.protrusion_mm is not None and closed.protrusion_mm.value < 0:
        short = -closed.protrusion_mm.value
        said.append(f"The rods are {short:.1f}\u2009mm too short for the nuts.")
    if found.map is not None and found.map.lost_percent > 0:
        said.append(f"{found.map.lost_percent:.1f}\u2009% of the active area carry no pressure.")
    return tuple(said)


def _some(cells: Sequence[int]) -> str:
    if len(cells) == 1:
        return f"Cell {cells[0]} stands"
    return f"Cells {', '.join(map(str, cells))} stand"
