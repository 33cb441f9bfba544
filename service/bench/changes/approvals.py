"""Deciding on records: approving, sending back, taking up again, making void.

Whoever wrote, worked on or witnessed a record does not decide on it, whatever roles they have.
"""

from collections.abc import Sequence

from sqlalchemy import func, select, update

from service.bench.changes.correction_entries import copy_row
from service.bench.queries.inserted_events import (
    ABOUT_A_BUILD,
    InsertedEvent,
    InsertedOpening,
    inserted_event,
    inserted_opening,
)
from service.closing.changes.results import keep_closings_of
from service.people.changes.people import check_password
from service.people.queries.signers import remarks_beside
from service.people.tables import Role
from service.platform import changes
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether, Stale
from service.platform.permissions import Act, RecordFacts, need
from service.records.changes import journal
from service.records.queries.content import verify
from service.records.queries.inserted import opened_since
from service.records.queries.records import (
    may_void_alone,
    people_on,
    record_head,
    void_proposed,
)
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
    VoidProposal,
)
from service.runs.queries.run_checks import why_not_released
from service.runs.tables import RunReading
from service.stacks.changes import supersede
from service.stacks.changes.build_features import keep_makeups_of_stack
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables import Build, BuildPeriod, CellBridge, HourReading, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.changes.holds import PlacedBy, lift_holds_by_word
from service.store.changes.inspections import ask_no_more
from service.store.tables import Concession, Lot, Part

MOVES_A_PART = (
    StepKind.LIFTED_OFF,
    StepKind.PUT_ON,
    StepKind.FIXING_REMOVED,
    StepKind.FIXING_FITTED,
)
NOT_WAITING = {
    RecordState.OPEN: "it is not handed in yet.",
    RecordState.SENT_BACK: "it was sent back and is not handed in again yet.",
    RecordState.APPROVED: "it is approved already; what is wrong in it needs a correction.",
    RecordState.VOID: "it is void.",
}


def approve(work: Work, record_id: int, *, content_sha256: str, password: str) -> int:
    """Sign a record's content as it was handed in; give the decision's number.

    ``content_sha256`` is the hash the approver saw. What rests on an event entered after later ones
    is derived anew. Raises NotAllowed for whoever had a part in the record, Refused for a wrong
    password or a content that no longer holds, RefusedTogether where the stack's history
    contradicts it, Stale where another content has been handed in since.
    """
    record = _to_decide(work, record_id)
    if content_sha256 != record.content_sha256:
        raise Stale(
            f"record {record_id}",
            0,
            record.version,
            ["It was handed in again; its content is another one than you were shown."],
        )
    check_password(work, password)
    verification = verify(work.session, [record_id])[record_id]
    if not verification.holds:
        raise Refused(
            "content",
            content_sha256,
            f"this content cannot be signed. {verification.why}",
            "Send the record back; the audit trail and a backup show what it was.",
        )
    head = record_head(work.session, record_id)
    inserted = inserted_event(work.session, head)
    if inserted is not None and inserted.conflicts:
        raise RefusedTogether(
            [Refused("record", f"record {record_id}", why) for why in inserted.conflicts]
        )
    decision_id = sign(work, record, Meaning.APPROVED, content_sha256)
    if opening := inserted_opening(work.session, head):
        _take_its_place(work, opening)
    record.state = RecordState.APPROVED
    work.session.flush()
    follows = _settle_what_follows(work, record, inserted) if inserted else []
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "approved",
            (
                ("state", RecordState.HANDED_IN, RecordState.APPROVED),
                ("content signed", None, content_sha256),
                *follows,
            ),
            did=Event.RECORD_APPROVED,
        ),
    )
    return decision_id


def _take_its_place(work: Work, opening: InsertedOpening) -> None:
    """Put the build of an opening before a later one between that and the build it opened."""
    closed_at = work.session.scalar(
        select(BuildPeriod.closed_at).where(
            BuildPeriod.build_id == opening.base_id, BuildPeriod.known_until.is_(None)
        )
    )
    build_id = opening.build_id or 0
    supersede.settle_period(work, opening.base_id, closed_at, opening.opened_at, opening.record_id)
    supersede.settle_period(work, build_id, opening.closed_at, opening.before, opening.next_id)
    signed = func.coalesce(RebuildRecord.signed_base_build_id, RebuildRecord.base_build_id)
    work.session.execute(
        update(RebuildRecord)
        .where(opening.comes_after(RebuildRecord))
        .values(signed_base_build_id=signed, base_build_id=build_id)
    )
    again = {"build_id": build_id, "known_from": work.now, "known_until": None}
    readings: dict[int, int] = {}
    for table, began, _ended, _what in ABOUT_A_BUILD:
        later = select(table).where(
            table.build_id == opening.base_id,
            table.known_until.is_(None),
            began >= opening.closed_at,
        )
        for row in work.session.scalars(later).all():
            supersede.close_out(work, row)
            if table is RunReading:
                times = row.began_at, row.ended_at
                why = why_not_released(work.session, build_id, *times)
                readings[row.id] = copy_row(work, row, **again, not_released=why).id
            elif table is CellBridge:
                copy_row(work, row, **again)
            else:
                reading_id = readings.get(row.reading_id, row.reading_id)
                copy_row(work, row, **again, reading_id=reading_id)


def _settle_what_follows(
    work: Work, record: RebuildRecord, inserted: InsertedEvent
) -> list[Change]:
    """Derive anew what rests on an event entered after later ones; give what changed."""
    keep_closings_of(work, record.stack_id, (), rests_on=record.id)
    keep_makeups_of_stack(work, record.stack_id)
    judge_stack(work, record.stack_id)
    return [(row.what, row.before, row.after) for row in inserted.rows]


def send_back(work: Work, record_id: int, *, reason: str) -> int:
    """Give a record back to those who wrote it, with the reason; give the decision's number.

    Its physical facts count until it is handed in again. Raises Refused where the stack has a
    later record, which was built upon this one: a correction is the way then.
    """
    record = _to_decide(work, record_id)
    why = changes.reason(reason)
    later = work.session.scalar(
        select(RebuildRecord.id)
        .where(
            RebuildRecord.stack_id == record.stack_id,
            RebuildRecord.id > record.id,
            RebuildRecord.performed_from >= record.performed_from,
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(RebuildRecord.id)
        .limit(1)
    )
    if later is not None:
        raise Refused(
            "record",
            f"record {record_id}",
            f"record {later} of the same stack came after it and builds upon it.",
            "Write a correction of what is wrong in it.",
        )
    decision_id = sign(work, record, Meaning.SENT_BACK, record.content_sha256, why)
    record.state = RecordState.SENT_BACK
    work.session.flush()
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "sent back",
            (("state", RecordState.HANDED_IN, RecordState.SENT_BACK),),
            why,
            Event.RECORD_SENT_BACK,
        ),
    )
    return decision_id


def take_up(work: Work, record_id: int) -> None:
    """Open a record again which was sent back; the decision keeps the hash it had.

    What was not done is to be done again: its reasons are struck out.
    """
    need(work.by, Act.RECORD_WRITE)
    record = _held(work, record_id)
    if record.state is not RecordState.SENT_BACK:
        raise Refused(
            "record",
            f"record {record_id}",
            f"it is {record.state}.",
            "Only a record that was sent back can be taken up again.",
        )
    before = record.content_sha256
    record.state, record.content_sha256 = RecordState.OPEN, None
    work.session.flush()
    work.session.execute(
        update(Step)
        .where(
            Step.record_id == record_id, Step.kind == StepKind.NOT_DONE, Step.undone_at.is_(None)
        )
        .values(undone_at=work.now, undone_by_id=work.by.id)
    )
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "taken up again",
            (("state", RecordState.SENT_BACK, RecordState.OPEN), ("content", before, None)),
            did=Event.RECORD_TAKEN_UP,
        ),
    )


def propose_void(work: Work, record_id: int, *, reason: str) -> int:
    """Propose that a record with entries be made void; give the proposal's number.

    It lapses with the next change of the record. Raises Refused for a record without entries, which
    its author makes void, and for one handed in or approved.
    """
    need(work.by, Act.RECORD_VOID_PROPOSE)
    work.refuse_nobody("signed by", "it is proposed by a person.")
    record = _held(work, record_id)
    why = changes.reason(reason)
    _refuse_void(record)
    journal.finish_entry(
        work, record, journal.TrailNote("void proposed", (), why, Event.RECORD_VOID_PROPOSED)
    )
    proposal = VoidProposal(
        record_id=record_id,
        record_version=record.version,
        proposed_by_id=work.by.id,
        proposed_at=work.now,
        reason=why,
    )
    work.session.add(proposal)
    work.session.flush()
    return proposal.id


def make_void(work: Work, record_id: int, *, reason: str = "", password: str = "") -> int:
    """Make a record void that is being written: what it did to parts and builds is taken back.

    Its author does it alone while it has no entries, with the reason. Else somebody with no part in
    it confirms what somebody else proposed, with the password again. Its entries stay readable,
    struck out. Raises Refused for a record handed in or approved, and where a part has gone on
    since, so that it cannot be where it was before.
    """
    record = _held(work, record_id)
    work.refuse_nobody("signed by", "a decision is signed by a person.")
    if may_void_alone(work.session, work.by, record):
        need(work.by, Act.RECORD_VOID_PROPOSE)
        why = changes.reason(reason)
        _refuse_void(record)
    else:
        proposal = void_proposed(work.session, record_id)
        involved = people_on(work.session, [record_id])[record_id]
        if proposal is not None:
            involved |= {proposal.by_id}
        need(work.by, Act.RECORD_VOID, RecordFacts(record.state, record.written_by_id, involved))
        _refuse_void(record)
        if proposal is None:
            raise Refused(
                "record",
                f"record {record_id}",
                "nobody proposed to make it void as it stands now.",
                "One person proposes it with the reason, another one confirms it.",
            )
        check_password(work, password)
        why = f"{proposal.reason} (proposed by {proposal.by})"
    return _void(work, record, why)


def _refuse_void(record: RebuildRecord) -> None:
    record_id = record.id
    if record.state not in (RecordState.OPEN, RecordState.SENT_BACK):
        raise Refused(
            "record",
            f"record {record_id}",
            f"it is {record.state}.",
            "Send it back first."
            if record.state is RecordState.HANDED_IN
            else "Write a correction of what is wrong in it.",
        )


def _void(work: Work, record: RebuildRecord, why: str) -> int:
    before = record.state
    if opened_since(work.session, record) is None:
        _put_parts_back(work, record)
    _take_facts_back(work, record)
    _strike_out(work, record)
    decision_id = sign(work, record, Meaning.VOID, record.content_sha256, why)
    record.state = RecordState.VOID
    keep_makeups_of_stack(work, record.stack_id)
    judge_stack(work, record.stack_id)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "made void", (("state", before, RecordState.VOID),), why, Event.RECORD_VOID
        ),
    )
    return decision_id


def sign(
    work: Work,
    record: RebuildRecord,
    meaning: Meaning,
    content_sha256: str | None,
    reason: str = "",
    *,
    correction_id: int | None = None,
) -> int:
    """Write a decision with name, roles and what stands beside it now; give its number."""
    had_a_part = people_on(work.session, [record.id])[record.id]
    remarks = remarks_beside(work.session, work.by.id, had_a_part, work.now)
    decision = Decision(
        record_id=record.id,
        correction_id=correction_id,
        meaning=meaning,
        person_id=work.by.id,
        person_name=work.by.name,
        person_roles=", ".join(role.value for role in Role if role in work.by.roles),
        at=work.now,
        content_sha256=content_sha256,
        reason=reason,
        remarks=" ".join(remarks) or None,
    )
    work.session.add(decision)
    work.session.flush()
    return decision.id


def _to_decide(work: Work, record_id: int) -> RebuildRecord:
    record = _held(work, record_id)
    involved = people_on(work.session, [record_id])[record_id]
    need(work.by, Act.RECORD_APPROVE, RecordFacts(record.state, record.written_by_id, involved))
    work.refuse_nobody("signed by", "a decision is signed by a person.")
    if record.state is not RecordState.HANDED_IN:
        raise Refused(
            "record",
            f"record {record_id}",
            NOT_WAITING[record.state],
            "Only a record that is handed in waits for a decision.",
        )
    return record


def _held(work: Work, record_id: int) -> RebuildRecord:
    return work.locked(RebuildRecord, record_id, "record")


def _standing_steps(work: Work, record: RebuildRecord) -> Sequence[Step]:
    """The entries that stand, the latest first."""
    return work.session.scalars(
        select(Step)
        .where(Step.record_id == record.id, Step.undone_at.is_(None))
        .order_by(Step.sequence.desc())
    ).all()


def _put_parts_back(work: Work, record: RebuildRecord) -> None:
    """Every part goes back to where it was before the record, unless it has gone on since."""
    first: dict[int, Step] = {}
    for step in _standing_steps(work, record):
        if step.kind in MOVES_A_PART and step.part_id is not None:
            first[step.part_id] = step
    parts = work.session.execute(
        select(Part, Lot.label, Stack.serial)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .where(Part.id.in_(first))
    ).all()
    for part, lot, serial in parts:
        step = first[part.id]
        was = step.whereabouts_before or Whereabouts.IN_STORE
        is_here = part.stack_id == record.stack_id
        if (
            not is_here
            and part.whereabouts is not Whereabouts.LIFTED_OFF
            and part.whereabouts != was
        ):
            place = f"fitted in {serial}" if serial else part.whereabouts
            raise Refused(
                "record",
                f"record {record.id}",
                f"{part_label(part.serial, lot, part.item_number)} is {place} by now, and cannot"
                f" be {was} as before.",
                "Bring it back first, or hand the record in and write a correction.",
            )
        part.whereabouts, part.place = was, step.place_before
        part.stack_id = record.stack_id if was is Whereabouts.FITTED else None
    work.session.flush()


def _take_facts_back(work: Work, record: RebuildRecord) -> None:
    """What counted since an earlier hand-in: the build it made, the build it opened."""
    build_id = work.session.scalar(select(Build.id).where(Build.record_id == record.id))
    if build_id is not None:
        supersede.settle_layers(work, build_id, (), present=False)
        supersede.settle_fixings(work, build_id, (), present=False)
        supersede.settle_period(work, build_id, None)
    opened = work.session.execute(
        select(BuildPeriod.build_id, BuildPeriod.closed_at).where(
            BuildPeriod.opened_by_record_id == record.id, BuildPeriod.known_until.is_(None)
        )
    ).first()
    if opened is not None:
        supersede.settle_period(work, opened.build_id, opened.closed_at)
        supersede.set_present(work, opened.build_id, present=True)


def _strike_out(work: Work, record: RebuildRecord) -> None:
    """Strike its entries out: none of them holds a part, a reading or a concession any more."""
    for table in (TorqueReading, HourReading):
        work.session.execute(
            update(table)
            .where(table.record_id == record.id, table.known_until.is_(None))
            .values(known_until=supersede.now_or_later(work, table))
        )
    if record.content_sha256 is None:  # else they are part of the content that stays as it was
        work.session.execute(
            update(Concession)
            .where(Concession.used_in_record_id == record.id)
            .values(used_in_record_id=None)
        )
    for step in _standing_steps(work, record):
        step.standing = False
        step.undone_at, step.undone_by_id = work.now, work.by.id
    work.session.flush()
    void = f"Record {record.id} was made void."
    lift_holds_by_word(work, PlacedBy(record_id=record.id), reason=void)
    ask_no_more(work, record.id, reason=void)
