"""One record: who had a part in it, its head, its witnesses, its being void."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select, union
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction
from service.designs.tables import Design
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform import permissions
from service.platform.audit import Event
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import known, param, param_list, statement
from service.platform.tables import Attachment, AuditEntry
from service.records.queries.inserted import inserted_before
from service.records.tables import (
    BumpTest,
    Handover,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordPerson,
    RecordPersonRemoved,
    RecordState,
    Step,
    TorqueReading,
    VoidProposal,
    WitnessConfirmation,
    WitnessWaiver,
)
from service.stacks.queries.work_began import began_at
from service.stacks.tables import Build, HourReading, Stack
from service.store.tables import Concession

NOT_CONFIRMED = "named, not confirmed"
"""What stands beside a witness who has not confirmed with their own password."""
WRITING = (
    Event.RECORD_BEGUN,
    Event.RECORD_CHANGED,
    Event.RECORD_ENTRY,
    Event.RECORD_UNDONE,
    Event.RECORD_HANDED_IN,
    Event.RECORD_TAKEN_UP,
    Event.ATTACHMENT_ADDED,
    Event.ATTACHMENT_REMOVED,
)
"""Acts in the trail which make somebody one of those who wrote a record."""


def people_on(
    session: Session, record_ids: Collection[int], *, with_corrections: bool = True
) -> dict[int, frozenset[int]]:
    """Return who wrote, worked on, witnessed, conceded in or corrected each record. One statement.

    Counted in: who began it, is or was ever named in its head, made or undid any entry, accepted a
    departure, gave a concession or waiver it uses, took a reading, checked or witnessed a line of
    make-safe,
    added a file, handed it in, or (``with_corrections``) proposed a correction of it. Entries that
    were undone count as well.
    """
    rows = session.execute(_people_on(with_corrections), {"record_ids": list(record_ids)})
    people: dict[int, set[int]] = defaultdict(set)
    for record_id, person_id in rows:
        if person_id is not None:
            people[record_id].add(person_id)
    return {record_id: frozenset(people[record_id]) for record_id in record_ids}


@statement
def _people_on(with_corrections: bool) -> Any:
    wanted = param_list("record_ids")
    entered: tuple[tuple[Any, Any], ...] = (
        (RecordPerson, RecordPerson.person_id),
        (RecordPersonRemoved, RecordPersonRemoved.person_id),
        (Step, Step.by_id),
        (Step, Step.undone_by_id),
        (MakeSafeLine, MakeSafeLine.person_id),
        (MakeSafeLine, MakeSafeLine.witness_id),
        (BumpTest, BumpTest.person_id),
        (Handover, Handover.from_person_id),
        (Handover, Handover.to_person_id),
        (TorqueReading, TorqueReading.by_id),
        (HourReading, HourReading.by_id),
        (Attachment, Attachment.added_by_id),
    )
    if with_corrections:
        entered = (*entered, (Correction, Correction.written_by_id))
    parts: list[Select[*tuple[Any, ...]]] = [
        select(table.record_id, person).where(table.record_id.in_(wanted))
        for table, person in entered
    ]
    parts += [
        select(RebuildRecord.id, person).where(RebuildRecord.id.in_(wanted))
        for person in (RebuildRecord.written_by_id, RebuildRecord.handed_in_by_id)
    ]
    parts.append(
        select(Concession.used_in_record_id, Concession.given_by_id).where(
            Concession.used_in_record_id.in_(wanted)
        )
    )
    parts += [
        select(WitnessWaiver.record_id, WitnessWaiver.given_by_id).where(
            WitnessWaiver.record_id.in_(wanted)
        ),
        select(MakeSafeLine.record_id, WitnessWaiver.given_by_id)
        .join(WitnessWaiver, WitnessWaiver.id == MakeSafeLine.waiver_id)
        .where(MakeSafeLine.record_id.in_(wanted)),
    ]
    parts.append(
        select(AuditEntry.record_id, AuditEntry.person_id).where(
            AuditEntry.record_id.in_(wanted), AuditEntry.act.in_([act.value for act in WRITING])
        )
    )
    return union(*parts)


@dataclass(frozen=True, slots=True)
class Removed:
    """Somebody who was named in a record's head, and who took them out of it when."""

    person: str
    login: str
    involvement: Involvement
    removed_by: str
    removed_by_login: str
    removed_at: datetime


def removed_from(session: Session, record_id: int) -> tuple[Removed, ...]:
    """Return who was taken out of a record's head, in order. One statement."""
    remover = aliased(Person)
    rows = session.execute(
        select(
            *columns(
                Removed,
                RecordPersonRemoved,
                Person,
                person=Person.name,
                removed_by=remover.name,
                removed_by_login=remover.login,
            )
        )
        .join(Person, Person.id == RecordPersonRemoved.person_id)
        .join(remover, remover.id == RecordPersonRemoved.removed_by_id)
        .where(RecordPersonRemoved.record_id == record_id)
        .order_by(RecordPersonRemoved.id)
    )
    return read_all(Removed, rows)


@dataclass(frozen=True, slots=True)
class ToWitness:
    """A witness named in a record; ``lines`` of make-safe, or the whole, wait for their word."""

    person_id: int
    login: str
    name: str
    lines: tuple[int, ...]
    waits: bool

    @property
    def words(self) -> str:
        """What they are asked to confirm."""
        if not self.lines:
            return "that you witnessed the work"
        which = ", ".join(map(str, self.lines))
        return f"make-safe {'line' if len(self.lines) == 1 else 'lines'} {which}"


WORD = aliased(WitnessConfirmation)


def confirmed_at(since: Any, record_id: Any, person_id: Any) -> Any:
    """Return the expression of when a witness first confirmed something written down then."""
    return (
        select(func.min(WORD.confirmed_at))
        .where(WORD.record_id == record_id, WORD.person_id == person_id, WORD.confirmed_at >= since)
        .scalar_subquery()
    )


def to_witness(session: Session, record_id: int) -> tuple[ToWitness, ...]:
    """Return the witnesses named in a record, and whether they still have to confirm.

    Three statements.
    """
    people = session.execute(
        select(Person.id, Person.login, Person.name)
        .join(RecordPerson, RecordPerson.person_id == Person.id)
        .where(
            RecordPerson.record_id == record_id,
            RecordPerson.involvement == Involvement.WITNESSED,
            known(RecordPerson),
        )
        .order_by(Person.name, Person.id)
    ).all()
    rows = session.execute(
        select(WitnessConfirmation.person_id, func.max(WitnessConfirmation.confirmed_at))
        .where(WitnessConfirmation.record_id == record_id)
        .group_by(WitnessConfirmation.person_id)
    )
    last: dict[int, datetime] = {row[0]: row[1] for row in rows}
    lines = session.execute(
        select(MakeSafeLine.witness_id, MakeSafeLine.line_number, Step.written_at)
        .join(Step, Step.id == MakeSafeLine.step_id)
        .where(
            MakeSafeLine.record_id == record_id,
            MakeSafeLine.witness_id.is_not(None),
            Step.undone_at.is_(None),
        )
        .order_by(MakeSafeLine.line_number)
    ).all()
    witnesses = []
    for person in people:
        at = last.get(person.id)
        waiting = tuple(
            dict.fromkeys(
                line.line_number
                for line in lines
                if line.witness_id == person.id and (at is None or line.written_at > at)
            )
        )
        witnesses.append(
            ToWitness(person.id, person.login, person.name, waiting, bool(waiting) or at is None)
        )
    return tuple(witnesses)


# Making void: by its author alone while there are no entries, else proposed by one and confirmed
# by another.


@dataclass(frozen=True, slots=True)
class VoidProposed:
    """The proposal that stands, by name and login."""

    by_id: int
    by: str
    at: datetime
    reason: str


def void_proposed(session: Session, record_id: int) -> VoidProposed | None:
    """Return the proposal to make a record void that stands; None: none, or it lapsed."""
    row = session.execute(
        select(
            *columns(
                VoidProposed,
                VoidProposal,
                by_id=VoidProposal.proposed_by_id,
                by=with_login(Person),
                at=VoidProposal.proposed_at,
            )
        )
        .join(Person, Person.id == VoidProposal.proposed_by_id)
        .join(RebuildRecord, RebuildRecord.id == VoidProposal.record_id)
        .where(
            VoidProposal.record_id == record_id,
            VoidProposal.record_version == RebuildRecord.version,
        )
        .order_by(VoidProposal.id.desc())
        .limit(1)
    ).first()
    return None if row is None else read_as(VoidProposed, row)


def may_void_alone(session: Session, person: permissions.Person, record: Any) -> bool:
    """Say whether somebody may make a record void alone: its author, while it has no entries."""
    if record.written_by_id != person.id:
        return False
    return session.scalar(select(Step.id).where(Step.record_id == record.id).limit(1)) is None


@dataclass(frozen=True, slots=True)
class RecordHead:
    """What the head of a record says. Torque in N·m, tolerance in % of the target."""

    id: int
    stack_id: int
    stack: str
    design_id: int
    design: str
    revision: str
    target_nm: float
    tolerance_percent: float
    passes: int
    kind: RecordKind
    state: RecordState
    reason: str
    notes: str
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    written_by_id: int
    written_by: str
    written_at: datetime
    version: int
    handed_in_at: datetime | None
    handed_in_by: str | None
    content_sha256: str | None
    base_build_id: int | None
    base_build: int | None
    build_id: int | None
    build: int | None
    inserted_before: int | None
    """the first record of a later event that was written before this one"""

    @property
    def is_being_written(self) -> bool:
        """Say whether entries can be made."""
        return self.state is RecordState.OPEN

    @property
    def opens(self) -> bool:
        """Say whether a record began from a closed build."""
        return self.base_build_id is not None


def record_head(session: Session, record_id: int) -> RecordHead:
    """Return what the head of a record says: one statement. Raises NotFound."""
    row = session.execute(_head(), {"record_id": record_id}).first()
    if row is None:
        raise NotFound("record", record_id)
    return read_as(RecordHead, row)


@statement
def _head() -> Any:
    writer, hander = aliased(Person), aliased(Person)
    base, own_build = aliased(Build), aliased(Build)
    return (
        select(
            *columns(
                RecordHead,
                RebuildRecord,
                Design,
                stack_id=Stack.id,
                stack=Stack.serial,
                design_id=Design.id,
                design=Design.name,
                target_nm=Design.target_torque_nm,
                tolerance_percent=Design.torque_tolerance_percent,
                passes=Design.tightening_passes,
                written_by_id=writer.id,
                performed_from=began_at(),
                written_by=with_login(writer),
                handed_in_by=with_login(hander),
                base_build=base.number,
                build_id=own_build.id,
                build=own_build.number,
                inserted_before=inserted_before(),
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(writer, writer.id == RebuildRecord.written_by_id)
        .outerjoin(hander, hander.id == RebuildRecord.handed_in_by_id)
        .outerjoin(base, base.id == RebuildRecord.base_build_id)
        .outerjoin(own_build, own_build.record_id == RebuildRecord.id)
        .where(RebuildRecord.id == param("record_id"))
    )
