"""Records in a list for machines: newest first, paged by number."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.errors import NotFound
from service.records.queries.content import record_content
from service.records.tables.people import Person
from service.records.tables.rebuild_records import RebuildRecord, RecordKind, RecordState
from service.records.tables.stacks import Stack


@dataclass(frozen=True, slots=True)
class BriefRecord:
    """One record, briefly."""

    id: int
    stack_serial: str
    kind: RecordKind
    state: RecordState
    reason: str
    performed_from: datetime
    written_at: datetime
    written_by: str
    handed_in_at: datetime | None
    content_sha256: str | None


@dataclass(frozen=True, slots=True)
class BriefRecords:
    """One page; ``older`` continues, None at the end."""

    rows: tuple[BriefRecord, ...]
    older: int | None


@dataclass(frozen=True, slots=True)
class RecordAsText:
    """A record's canonical JSON: as frozen at hand-in, else as its rows stand now."""

    id: int
    state: RecordState
    version: int
    content_sha256: str | None
    canonical: str


def brief_records(
    session: Session,
    *,
    stack_id: int | None = None,
    states: Sequence[RecordState] = (),
    older: int | None = None,
    limit: int = 50,
) -> BriefRecords:
    """Which records are there, newest first? One statement."""
    statement = (
        select(
            RebuildRecord.id,
            Stack.serial,
            RebuildRecord.kind,
            RebuildRecord.state,
            RebuildRecord.reason,
            RebuildRecord.performed_from,
            RebuildRecord.written_at,
            Person.name,
            RebuildRecord.handed_in_at,
            RebuildRecord.content_sha256,
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Person, Person.id == RebuildRecord.written_by_id)
        .order_by(RebuildRecord.id.desc())
        .limit(limit + 1)
    )
    if stack_id is not None:
        statement = statement.where(RebuildRecord.stack_id == stack_id)
    if states:
        statement = statement.where(RebuildRecord.state.in_(states))
    if older is not None:
        statement = statement.where(RebuildRecord.id < older)
    rows = [BriefRecord(*row) for row in session.execute(statement)]
    return BriefRecords(tuple(rows[:limit]), rows[limit - 1].id if len(rows) > limit else None)


def record_as_text(session: Session, record_id: int) -> RecordAsText:
    """What does a record say? Raises NotFound."""
    row = session.execute(
        select(
            RebuildRecord.state,
            RebuildRecord.version,
            RebuildRecord.content_sha256,
            RebuildRecord.content,
        ).where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    canonical = row.content or record_content(session, [record_id])[record_id].canonical
    return RecordAsText(record_id, row.state, row.version, row.content_sha256, canonical)
