"""What a closing gave, kept beside its record at the moment the record is handed in.

It is written once and never changed: a record that comes back and is handed in again gets another
row, and a later version of a formula or of the limits is computed beside it, not in its place.
"""

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import inputs_as_data
from service.closing.arithmetic.outcome import outcome_as_data
from service.closing.queries.closing_inputs import closing_ground
from service.closing.tables import ClosingResult
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Change
from service.platform.database import Work
from service.records.queries.working_piles import WorkingPile
from service.records.tables import RebuildRecord


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
    inputs = canonical_json(inputs_as_data(ground.inputs))
    results = canonical_json(outcome_as_data(closing(ground.inputs)))
    kept = ClosingResult(
        record_id=record.id,
        limit_set_id=ground.limits.id,
        inputs=inputs,
        inputs_sha256=sha256_of(inputs),
        results=results,
        results_sha256=sha256_of(results),
        formulas=", ".join(FORMULAS),
        computed_at=record.handed_in_at,
    )
    work.session.add(kept)
    return [("result of the closing", None, kept.results_sha256)]
