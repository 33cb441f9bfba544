"""What a closing gave, kept beside its record at the moment the record is handed in.

It is written once and never changed: a record that comes back and is handed in again gets another
row, and a later version of a formula or of the limits is computed beside it, not in its place.
"""

from collections.abc import Collection

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_as_data
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_as_data
from service.closing.queries.closing_inputs import closing_ground
from service.closing.queries.closing_results import ClosingAnew, closings_anew
from service.closing.tables import ClosingResult
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Change
from service.platform.database import Work
from service.records.queries.working_piles import WorkingPile
from service.records.tables import (
    RebuildRecord,
)
from service.stacks.queries.release_standing import builds_corrected


def keep_closing_result(work: Work, record: RebuildRecord, pile: WorkingPile) -> list[Change]:
    """Compute a closing or a re-torque and keep it, inside the hand-in that gave it its time.

    Nothing is kept where no limits are in force, or no nut was read in the record itself.
    """
    stands_open = record.opened_at is not None and record.closed_at is None
    if record.handed_in_at is None or stands_open or not pile.layers:
        return []
    ground = closing_ground(work.session, record.id, pile)
    if ground.limits is None or not ground.is_read:
        return []
    row = _result(ground.inputs, closing(ground.inputs))
    row.record_id, row.limit_set_id = record.id, ground.limits.id
    row.computed_at = record.handed_in_at
    work.session.add(row)
    return [("result of the closing", None, row.results_sha256)]


def _result(inputs: ClosingInputs, outcome: ClosingOutcome) -> ClosingResult:
    computed_from = canonical_json(inputs_as_data(inputs))
    gave = canonical_json(outcome_as_data(outcome))
    return ClosingResult(
        inputs=computed_from,
        inputs_sha256=sha256_of(computed_from),
        results=gave,
        results_sha256=sha256_of(gave),
        formulas=", ".join(FORMULAS),
    )


def keep_closings_anew(work: Work, stack_id: int, correction_id: int) -> list[Change]:
    """Compute anew every closing a correction reaches, inside its approval; give what changed.

    With the limits it was kept with, so that the correction alone makes the difference; then each
    later closing that rests on one of them. What was kept before stays beside it.
    """
    builds = builds_corrected(work.session, correction_id)
    kept = keep_closings_of(work, stack_id, builds, correction_id)
    return [row for anew in kept for row in anew.rows]


def keep_closings_of(
    work: Work,
    stack_id: int,
    builds: Collection[int],
    correction_id: int | None = None,
    *,
    rests_on: int = 0,
) -> list[ClosingAnew]:
    """Compute anew and keep the closings of these builds, and each later one that rests on them.

    Or those that rest on the record of an event entered after later ones.
    """
    computed = list(closings_anew(work.session, stack_id, builds, rests_on=rests_on))
    for anew in computed:
        result = _result(anew.inputs, anew.outcome)
        result.record_id, result.limit_set_id = anew.kept.record_id, anew.kept.limit_set_id
        result.computed_at, result.correction_id = work.now, correction_id
        work.session.add(result)
    work.session.flush()
    return computed
