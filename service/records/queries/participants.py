"""Who had a part in a record: nobody of them may approve it."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, select, union
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction
from service.designs.tables import Design
from service.people.tables import Person
from service.platform.audit import Event
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.tables import Attachment, AuditEntry
from service.records.tables import (
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordPerson,
    RecordPersonRemoved,
    RecordState,
    Step,
    TorqueReading,
)
from service.stacks.tables import Build, HourReading, Stack
from service.store.tables import Concession

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
    departure, gave a concession it uses, took a reading, checked or witnessed a line of make-safe,
    added a file, handed it in, or (``with_corrections``) proposed a correction of it. Entries that
    were undone count as well.
    """
    entered: tuple[tuple[Any, Any], ...] = (
        (RecordPerson, RecordPerson.person_id),
        (RecordPersonRemoved, RecordPersonRemoved.person_id),
        (Step, Step.by_id),
        (Step, Step.undone_by_id),
        (MakeSafeLine, MakeSafeLine.person_id),
        (MakeSafeLine, MakeSafeLine.witness_id),
        (TorqueReading, TorqueReading.by_id),
        (HourReading, HourReading.by_id),
        (Attachment, Attachment.added_by_id),
    )
    if with_corrections:
        entered = (*entered, (Correction, Correction.written_by_id))
    parts: list[Select[*tuple[Any, ...]]] = [
        select(table.record_id, who).where(table.record_id.in_(record_ids))
        for table, who in entered
    ]
    parts += [
        select(RebuildRecord.id, who).where(RebuildRecord.id.in_(record_ids))
        for who in (RebuildRecord.written_by_id, RebuildRecord.handed_in_by_id)
    ]
    parts.append(
        select(Concession.used_in_record_id, Concession.given_by_id).where(
            Concession.used_in_record_id.in_(record_ids)
        )
    )
    parts.append(
        select(AuditEntry.record_id, AuditEntry.person_id).where(
            AuditEntry.record_id.in_(record_ids),
            AuditEntry.act.in_([act.value for act in WRITING]),
        )
    )
    people: dict[int, set[int]] = defaultdict(set)
    for record_id, person_id in session.execute(union(*parts)):
        if person_id is not None:
            people[record_id].add(person_id)
    return {record_id: frozenset(people[record_id]) for record_id in record_ids}


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


# The head of a record: which stack, which design, why, when, by whom, in which state.


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
    writer, hander = aliased(Person), aliased(Person)
    base, made = aliased(Build), aliased(Build)
    row = session.execute(
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
                written_by=writer.name,
                handed_in_by=hander.name,
                base_build=base.number,
                build_id=made.id,
                build=made.number,
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(writer, writer.id == RebuildRecord.written_by_id)
        .outerjoin(hander, hander.id == RebuildRecord.handed_in_by_id)
        .outerjoin(base, base.id == RebuildRecord.base_build_id)
        .outerjoin(made, made.record_id == RebuildRecord.id)
        .where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return read_as(RecordHead, row)
