"""A closing as kept at hand-in beside what the same inputs give today. Nothing of it is kept."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_as_data
from service.closing.arithmetic.outcome import ClosingOutcome
from service.closing.queries.build_torques import measured_height_mm
from service.closing.queries.closing_inputs import ClosingGround, closing_ground
from service.closing.queries.closing_results import KeptResult, kept_results
from service.limits.arithmetic.figures import DesignFigures
from service.platform.arithmetic.canonical import canonical_json


@dataclass(frozen=True, slots=True)
class ClosingAgain:
    """What was kept when the record was handed in last, and what comes out today.

    ``inputs`` are those kept, else those of the rows as they stand; ``figures`` those of today, by
    which ``now`` is computed. ``why_again`` says in
    sentences what differs between then and now.
    """

    kept: KeptResult | None
    earlier: tuple[KeptResult, ...]
    ground: ClosingGround
    inputs: ClosingInputs
    figures: DesignFigures
    now: ClosingOutcome
    why_again: tuple[str, ...]
    measured_mm: float | None


def closing_again(session: Session, record_id: int) -> ClosingAgain:
    """Compute a closing today from what was kept. 14 statements. Raises NotFound."""
    ground = closing_ground(session, record_id)
    results = kept_results(session, [record_id])[record_id]
    kept = next((one for one in results if one.counts), None)
    then = kept.readable_inputs if kept else None
    inputs = again_with(then, ground) if then else ground.inputs
    return ClosingAgain(
        kept,
        tuple(one for one in results if one is not kept),
        ground,
        then or ground.inputs,
        inputs.figures,
        closing(inputs),
        tuple(_why_again(kept, then, ground)) if kept else (),
        measured_height_mm(session, record_id),
    )


def again_with(inputs: ClosingInputs, ground: ClosingGround) -> ClosingInputs:
    """Return the kept inputs with the figures in force today."""
    if ground.limits is None:
        return inputs
    return replace(inputs, figures=ground.limits.figures, limits=ground.limits.name)


def _why_again(
    kept: KeptResult, then: ClosingInputs | None, ground: ClosingGround
) -> Iterator[str]:
    if not kept.holds:
        yield "What was kept is no longer what was hashed: it was changed behind the program."
    if ground.limits is not None and ground.limits.id != kept.limit_set_id:
        yield (
            f"Kept by version {kept.limit_version} of the limits; version"
            f" {ground.limits.version} is in force today."
        )
    formulas = ", ".join(FORMULAS)
    if formulas != kept.formulas:
        yield f"Kept by {kept.formulas}; today it is {formulas}."
    if then is None:
        yield "What it was computed from cannot be read any more; today's rows are taken."
        return
    today = replace(ground.inputs, figures=then.figures, limits=then.limits)
    if canonical_json(inputs_as_data(today)) != canonical_json(json.loads(kept.inputs_text)):
        yield (
            "Readings, parts or what part types give were corrected or changed since hand-in; the"
            " recomputation takes what was kept then."
        )
