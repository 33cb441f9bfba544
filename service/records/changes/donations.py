"""At the bench: parts taken from another stack, lifted off there in a record of its own.

The donor's record closes their time there, with the donor's own cells, state and set points; the
receiver's names it. Hours follow the parts; those of the stacks are never added.
"""

from datetime import datetime

from sqlalchemy import select

from service.platform import changes
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.records.changes import journal
from service.records.changes.rebuild_records import begin_record
from service.records.tables import RebuildRecord, RecordKind, RecordState, Step, StepKind
from service.stacks.queries.stacks import find_stack
from service.stacks.tables import Stack
from service.store.queries.stack_holds import TAKEN_OUT

DONOR_KINDS = (RecordKind.REBUILD, RecordKind.TEARDOWN)


def take_parts_from(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    donor_record_id: int | None = None,
    donor_stack: str = "",
    donor_kind: RecordKind | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Name the record of another stack that parts are lifted off in; give the entry's id.

    ``donor_stack``: its serial instead; the record of it that is being written, else one is begun,
    of ``donor_kind``. Raises Refused for neither or both, this stack itself, a void record and one
    that is named already.
    """
    record = journal.lock_record(work, record_id, version)
    at = journal.done_at_of(work, record, done_at)
    if (donor_record_id is None) == (not donor_stack.strip()):
        right = "The record its parts are lifted off in, or the serial of the stack."
        raise Refused("donor_record_id", donor_record_id or "", "name one of the two.", right)
    if donor_record_id is None:
        donor_record_id = _record_of(work, record, donor_stack, donor_kind, at)
    step = _name(work, record, donor_record_id, at, note)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote("named another stack", (("parts come from", None, step.note),)),
    )
    return step.id


def name_where_it_came_from(work: Work, record: RebuildRecord, part_id: int, at: datetime) -> None:
    """Name the record a part was lifted off in, unless it is this stack's or is named already."""
    donor = work.session.execute(
        select(RebuildRecord.id, RebuildRecord.stack_id)
        .join(Step, Step.record_id == RebuildRecord.id)
        .where(Step.part_id == part_id, Step.kind.in_(TAKEN_OUT), Step.undone_at.is_(None))
        .order_by(Step.id.desc())
        .limit(1)
    ).first()
    if donor and donor.stack_id != record.stack_id and not _is_named(work, record, donor.id):
        _name(work, record, donor.id, at, "")


def _record_of(
    work: Work, record: RebuildRecord, serial: str, kind: RecordKind | None, at: datetime
) -> int:
    try:
        stack_id = find_stack(work.session, serial)
    except NotFound:
        raise Refused("donor_stack", serial, "there is no such stack.", "Its serial.") from None
    if stack_id == record.stack_id:
        raise _itself(serial)
    begun = work.session.scalar(
        select(RebuildRecord.id).where(
            RebuildRecord.stack_id == stack_id,
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
        )
    )
    if begun is not None:
        return begun
    if kind not in DONOR_KINDS:
        right = "“rebuild”: it is closed again without them. “teardown”: it is taken apart."
        raise Refused("donor_kind", kind or "", "it is not said what becomes of the stack.", right)
    stack = work.session.get_one(Stack, record.stack_id)
    reason = f"Parts for {stack.serial}, record {record.id}."
    return begin_record(work, stack_id=stack_id, kind=kind, reason=reason, performed_from=at)


def _itself(serial: str) -> Refused:
    right = "Another stack; what is lifted off here goes back without a word."
    return Refused("donor_record_id", serial, "that is this stack itself.", right)


def _is_named(work: Work, record: RebuildRecord, donor_id: int) -> bool:
    named = select(Step.id).where(
        Step.record_id == record.id, Step.donor_id == donor_id, Step.undone_at.is_(None)
    )
    return work.session.scalar(named) is not None


def _name(work: Work, record: RebuildRecord, donor_id: int, at: datetime, note: str) -> Step:
    donor = work.session.execute(
        select(RebuildRecord.state, RebuildRecord.stack_id, Stack.serial)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(RebuildRecord.id == donor_id)
    ).first()
    if donor is None:
        raise Refused("donor_record_id", donor_id, "there is no such record.", "One of the list.")
    if donor.stack_id == record.stack_id:
        raise _itself(donor.serial)
    if donor.state is RecordState.VOID:
        raise Refused("donor_record_id", donor_id, "it is void.", "A record that counts.")
    if _is_named(work, record, donor_id):
        raise Refused("donor_record_id", donor_id, "it is named here already.", "Put its parts on.")
    more = changes.optional_words("note", note, most=4000)
    words = f"{donor.serial}, record {donor_id}"
    return journal.add_step(
        work,
        record,
        StepKind.DONOR,
        at,
        donor_id=donor_id,
        note=f"{words}. {more}" if more else words,
    )
