"""What waits for a decision, for whom, and what an approver has to see besides the record."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.bench.queries.corrections import CorrectionView, corrections_waiting
from service.limits.queries import WaitingLimits, waiting_limits
from service.people.queries.people import with_login
from service.people.tables import Person as PersonRow
from service.platform.permissions import Act, Answer, Person, RecordFacts, may
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.records.queries.content import Verification, verify
from service.records.queries.records import people_on
from service.records.tables import Decision, Meaning, RebuildRecord, RecordKind, RecordState
from service.stacks.tables import Build, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Concession, Instrument, Lot, Part


@dataclass(frozen=True, slots=True)
class WaitingRecord:
    """A record handed in and not decided on; ``may`` says whether the asker may decide, or why not.

    ``verification``: whether its content still is what was handed in.
    """

    id: int
    stack: str
    kind: RecordKind
    reason: str
    build: int | None
    performed_from: datetime
    written_by: str
    handed_in_by: str
    handed_in_at: datetime
    may: Answer
    verification: Verification | None


@dataclass(frozen=True, slots=True)
class SentBackRecord:
    """A record which was sent back and waits for those who wrote it; ``why`` as it was said."""

    id: int
    stack: str
    kind: RecordKind
    written_by: str
    sent_back_by: str
    sent_back_at: datetime
    why: str


@dataclass(frozen=True, slots=True)
class WaitingCorrection:
    """A correction nobody has decided on; ``may`` as for a record."""

    correction: CorrectionView
    may: Answer


@dataclass(frozen=True, slots=True)
class LimitsToApprove:
    """Limits of a design nobody has approved; ``may`` as for a record."""

    limits: WaitingLimits
    may: Answer


@dataclass(frozen=True, slots=True)
class Waiting:
    """A page of everything that waits; the records counted."""

    records: Listing[WaitingRecord]
    corrections: Listing[WaitingCorrection]
    sent_back: Listing[SentBackRecord]
    limits: Listing[LimitsToApprove]


@dataclass(frozen=True, slots=True)
class ConcessionUsed:
    """A use that was allowed in spite of a hold or a missing calibration."""

    subject: str
    reason: str
    given_by: str
    given_at: datetime


LONGEST_WAITING = Order((RebuildRecord.handed_in_at, RebuildRecord.id))


LONGEST_SENT_BACK = Order((Decision.at, RebuildRecord.id))


@dataclass(frozen=True, slots=True)
class Turns:
    """Which page is asked for of each list of what waits."""

    records: Turn = FIRST
    corrections: Turn = FIRST
    sent_back: Turn = FIRST
    limits: Turn = FIRST


def waiting(session: Session, person: Person, turns: Turns = Turns()) -> Waiting:
    """Return what waits for a decision, longest first, and what of it this person may decide.

    A constant number of statements.
    """
    writer, hander = aliased(PersonRow), aliased(PersonRow)
    handed_in = RebuildRecord.state == RecordState.HANDED_IN
    statement = (
        select(
            Stack.serial,
            Build.number,
            RebuildRecord.written_by_id,
            *columns(
                WaitingRecord,
                RebuildRecord,
                written_by=with_login(writer),
                handed_in_by=with_login(hander),
            ),
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(writer, writer.id == RebuildRecord.written_by_id)
        .join(hander, hander.id == RebuildRecord.handed_in_by_id)
        .outerjoin(Build, Build.record_id == RebuildRecord.id)
        .where(handed_in)
    )
    corrections = corrections_waiting(session, turns.corrections)
    of_corrected = people_on(
        session, {each.record_id for each in corrections.rows}, with_corrections=False
    )
    limits = waiting_limits(session, turns.limits)
    return Waiting(
        listing(
            session,
            statement,
            LONGEST_WAITING,
            turns.records,
            partial(_waiting_records, session, person),
            total=select(func.count()).select_from(RebuildRecord).where(handed_in),
        ),
        corrections.of(
            WaitingCorrection(
                each,
                may(
                    person,
                    Act.CORRECTION_DECIDE,
                    RecordFacts(each.state, each.written_by_id, of_corrected[each.record_id]),
                ),
            )
            for each in corrections.rows
        ),
        _sent_back(session, turns.sent_back),
        limits.of(
            LimitsToApprove(
                each, may(person, Act.LIMITS_APPROVE, RecordFacts(written_by=each.made_by_id))
            )
            for each in limits.rows
        ),
    )


def _waiting_records(
    session: Session, person: Person, rows: Sequence[Any]
) -> Iterator[WaitingRecord]:
    ids = [row.id for row in rows]
    involved, verified = people_on(session, ids), verify(session, ids)
    for row in rows:
        facts = RecordFacts(RecordState.HANDED_IN, row.written_by_id, involved[row.id])
        yield read_as(
            WaitingRecord,
            row,
            stack=row.serial,
            build=row.number,
            may=may(person, Act.RECORD_APPROVE, facts),
            verification=verified.get(row.id),
        )


def may_decide(session: Session, person: Person, record_id: int, written_by_id: int) -> Answer:
    """Say whether somebody may decide on a record, or why not; one statement."""
    involved = people_on(session, [record_id])[record_id]
    return may(person, Act.RECORD_APPROVE, RecordFacts("", written_by_id, involved))


def may_decide_correction(session: Session, person: Person, correction: CorrectionView) -> Answer:
    """Say whether somebody may decide on a correction, or why not; one statement."""
    record_id = correction.record_id
    involved = people_on(session, [record_id], with_corrections=False)[record_id]
    facts = RecordFacts(correction.state, correction.written_by_id, involved)
    return may(person, Act.CORRECTION_DECIDE, facts)


def concessions_used(session: Session, record_id: int) -> tuple[ConcessionUsed, ...]:
    """Return the concessions used in this record. One statement."""
    own_lot = aliased(Lot)
    rows = session.execute(
        select(
            Part.id.label("part_id"),
            Part.serial,
            Part.item_number,
            own_lot.label.label("part_lot"),
            Lot.label.label("lot"),
            Instrument.label.label("instrument"),
            Concession.reason,
            with_login(PersonRow).label("given_by"),
            Concession.given_at,
        )
        .select_from(Concession)
        .join(PersonRow, PersonRow.id == Concession.given_by_id)
        .outerjoin(Part, Part.id == Concession.part_id)
        .outerjoin(own_lot, own_lot.id == Part.lot_id)
        .outerjoin(Lot, Lot.id == Concession.lot_id)
        .outerjoin(Instrument, Instrument.id == Concession.instrument_id)
        .where(Concession.used_in_record_id == record_id)
        .order_by(Concession.id)
    )
    return tuple(
        ConcessionUsed(
            part_label(row.serial, row.part_lot, row.item_number)
            if row.part_id
            else f"lot {row.lot}"
            if row.lot
            else str(row.instrument),
            row.reason,
            row.given_by,
            row.given_at,
        )
        for row in rows
    )


def _sent_back(session: Session, turn: Turn) -> Listing[SentBackRecord]:
    latest = (
        select(func.max(Decision.id))
        .where(Decision.record_id == RebuildRecord.id, Decision.meaning == Meaning.SENT_BACK)
        .correlate(RebuildRecord)
        .scalar_subquery()
    )
    statement = (
        select(
            *columns(
                SentBackRecord,
                RebuildRecord,
                stack=Stack.serial,
                written_by=with_login(PersonRow),
                sent_back_by=Decision.person_name,
                sent_back_at=Decision.at,
                why=Decision.reason,
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(PersonRow, PersonRow.id == RebuildRecord.written_by_id)
        .join(Decision, Decision.id == latest)
        .where(RebuildRecord.state == RecordState.SENT_BACK)
    )
    read = partial(read_all, SentBackRecord)
    return listing(session, statement, LONGEST_SENT_BACK, turn, read)
