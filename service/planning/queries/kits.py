"""What a record lacks, with what its plan picked and nobody put on: where that is must be said."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.queries.missing import KIT, REMARK, Missing, missing_of
from service.planning.queries.plans import plan_of_record
from service.platform.arithmetic.vocabulary import Whereabouts
from service.proof.queries.build_verdicts import ClosedVerdicts
from service.records.queries.records import RecordHead
from service.records.queries.working_piles import WorkingPile
from service.records.tables import Step, StepKind
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType


def missing_with_kit(
    session: Session, head: RecordHead, pile: WorkingPile, closed: ClosedVerdicts | None
) -> tuple[Missing, ...]:
    """Return what a record lacks, and what was picked for it and lies in store still.

    Three statements more than `missing_of` at most.
    """
    return (*missing_of(session, head, pile, closed), *_left_over(session, head.id))


def _left_over(session: Session, record_id: int) -> tuple[Missing, ...]:
    plan = plan_of_record(session, record_id)
    if plan is None:
        return ()
    picks = plan.document.picks
    ids = [pick.part for pick in picks if pick.part is not None and not pick.taken_from]
    rows = session.execute(
        select(Part.id, PartType.kind, Part.serial, Lot.label, Part.item_number)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(ids), Part.whereabouts == Whereabouts.IN_STORE)
        .order_by(PartType.kind, Part.serial_key, Part.id)
    )
    said = set(
        session.scalars(
            select(Step.deviation).where(
                Step.record_id == record_id,
                Step.kind == StepKind.NOT_DONE,
                Step.undone_at.is_(None),
            )
        )
    )
    sentences = {
        part_id: f"Plan {plan.id} picked {kind} {part_label(serial, lot, item)}, which is not put"
        " on."
        for part_id, kind, serial, lot, item in rows
    }
    return tuple(
        Missing(REMARK, sentence, "putting-on", f"{KIT}{part_id}", part_id)
        for part_id, sentence in sentences.items()
        if sentence not in said
    )
