"""Parts a finding leaves undecided: not inspected until somebody says what they are.

Accepting, rejecting or conceding the part decides it, and so does what it is after a hold. Undoing
the finding gives back what the part was, unless somebody has decided or another finding asks too.
"""

from sqlalchemy import select

from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.permissions import Act, need
from service.records.tables import Step
from service.store.changes.parts import label
from service.store.tables import Hold, Inspection, Part

LEFT_AS_THEY_ARE = (Usability.REJECTED,)


def ask_to_decide(work: Work, part_id: int, step: Step, *, finding: str) -> None:
    """Leave a part undecided from now on, in the transaction of the finding that asks for it.

    A part on hold stays so, and is not inspected once its last hold is lifted.
    """
    need(work.by, Act.RECORD_WRITE)
    part = work.session.get_one(Part, part_id, with_for_update=True)
    if part.whereabouts is Whereabouts.SCRAPPED or part.usability in LEFT_AS_THEY_ARE:
        return
    open_before = _open(work, part_id)
    before = part.usability
    if part.usability is Usability.ON_HOLD:
        before = _once_lifted(work, part_id, Usability.NOT_INSPECTED)
    else:
        part.usability = Usability.NOT_INSPECTED
    work.session.add(
        Inspection(
            part_id=part_id,
            step_id=step.id,
            seen=finding,
            usability_before=open_before[0].usability_before if open_before else before,
            asked_at=work.now,
        )
    )
    work.session.flush()
    work.note(
        Event.PART_TO_BE_DECIDED,
        ("part", part_id, label(work, part)),
        [("whether it may be used", before, Usability.NOT_INSPECTED)],
        reason=f"To be looked at, by record {step.record_id}: {finding}",
        record_id=step.record_id,
    )


def ask_no_more(work: Work, record_id: int, *, step_id: int | None = None, reason: str) -> None:
    """Take back what an entry asked to decide, or all entries of a record, and nobody decided."""
    need(work.by, Act.RECORD_WRITE)
    steps = select(Step.id).where(Step.record_id == record_id)
    waiting = select(Inspection).where(
        Inspection.decided_at.is_(None),
        Inspection.step_id.in_(steps) if step_id is None else Inspection.step_id == step_id,
    )
    for inspection in work.session.scalars(waiting.order_by(Inspection.id).with_for_update()).all():
        part = work.session.get_one(Part, inspection.part_id, with_for_update=True)
        inspection.decided_at, inspection.decided_by_id = work.now, work.by.id
        work.session.flush()
        before = Usability.NOT_INSPECTED
        if _open(work, part.id) or part.usability not in (before, Usability.ON_HOLD):
            continue
        if part.usability is Usability.ON_HOLD:
            _once_lifted(work, part.id, inspection.usability_before)
        else:
            part.usability = inspection.usability_before
        work.note(
            Event.PART_TO_BE_DECIDED,
            ("part", part.id, label(work, part)),
            [("whether it may be used", before, inspection.usability_before)],
            reason=reason,
            record_id=record_id,
        )


def decided(work: Work, part_id: int) -> None:
    """Note that somebody has said what the part is: nothing waits to be decided any more."""
    for inspection in _open(work, part_id):
        inspection.decided_at, inspection.decided_by_id = work.now, work.by.id


def _open(work: Work, part_id: int) -> list[Inspection]:
    return list(
        work.session.scalars(
            select(Inspection)
            .where(Inspection.part_id == part_id, Inspection.decided_at.is_(None))
            .order_by(Inspection.id)
        )
    )


def _once_lifted(work: Work, part_id: int, usability: Usability) -> Usability:
    """Let a part be so once its last hold is lifted; give what it would have been."""
    standing = work.session.scalars(
        select(Hold).where(Hold.part_id == part_id, Hold.lifted_at.is_(None)).order_by(Hold.id)
    ).all()
    before = next((hold.usability_before for hold in standing if hold.usability_before), None)
    for hold in standing:
        hold.usability_before = usability
    return before or Usability.NOT_INSPECTED
