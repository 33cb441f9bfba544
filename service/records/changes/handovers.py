"""At the bench: work left by one person and taken on by another."""

from datetime import datetime

from service.platform import changes
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.rebuild_records import active_person, involve
from service.records.tables import Handover, Involvement, StepKind


def hand_over(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    from_person_id: int,
    to_person_id: int,
    pile: str,
    covers: str,
    done_at: datetime | None = None,
    note: str = "",
) -> int:
    """Record who hands the work over to whom, in which state; give the entry's id.

    Raises Refused for the same person twice, for somebody not known, and where the state of the
    pile or the covers fitted are not said.
    """
    record = journal.lock_record(work, record_id, version)
    at = journal.done_at_of(work, record, done_at)
    left_by = active_person(work, "from_person_id", from_person_id)
    taken_on_by = active_person(work, "to_person_id", to_person_id)
    if from_person_id == to_person_id:
        right = "Somebody else takes the work on."
        raise Refused("to_person_id", taken_on_by, "nobody hands over to themself.", right)
    state = changes.words("pile", pile, "Such as: cells 1 to 4 stand, clamp off.", most=4000)
    fitted = changes.words("covers", covers, "Such as: all ports and the open end.", most=4000)
    text = changes.optional_words("note", note, most=4000)
    step = journal.add_step(work, record, StepKind.HANDOVER, at, note=text)
    work.session.add(
        Handover(
            record_id=record_id,
            step_id=step.id,
            from_person_id=from_person_id,
            to_person_id=to_person_id,
            pile=state,
            covers=fitted,
        )
    )
    for person in (from_person_id, to_person_id):
        involve(work, record_id, person, Involvement.WORKED)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"handed over by {left_by} to {taken_on_by}",
            (
                ("hands over", None, left_by),
                ("takes over", None, taken_on_by),
                ("state of the pile", None, state),
                ("covers fitted", None, fitted),
                ("done at", None, at),
            ),
        ),
    )
    return step.id
