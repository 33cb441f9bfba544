"""Events entered after later ones were: where in the life of their stack they belong.

Records of a stack are in the order in which their work began, whenever they were written; two that
began at the same time, in the order they were written.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, exists, or_, select
from sqlalchemy.orm import Session, aliased

from service.platform.arithmetic.dates import Span, span_of
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import param, statement
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.stacks.tables import Build, BuildPeriod

OTHER, THIS = aliased(RebuildRecord), aliased(RebuildRecord)


def came_before(other: Any, this: Any) -> ColumnElement[bool]:
    """Say whether the event of one record of a stack came before that of another."""
    return or_(
        other.performed_from < this.performed_from,
        and_(other.performed_from == this.performed_from, other.id < this.id),
    )


def event_before(record_id: Any, this_id: int, *, or_itself: bool = False) -> ColumnElement[bool]:
    """Say whether the event of one record, by its number, came before that of another."""
    before = (
        or_(came_before(OTHER, THIS), OTHER.id == THIS.id)
        if or_itself
        else came_before(OTHER, THIS)
    )
    return exists().where(OTHER.id == record_id, THIS.id == this_id, before)


@statement
def inserted_before() -> Any:
    """Return the first record of a later event that was written before this one; None: none."""
    later = aliased(RebuildRecord)
    return (
        select(later.id)
        .where(
            later.stack_id == RebuildRecord.stack_id,
            later.id < RebuildRecord.id,
            later.performed_from > RebuildRecord.performed_from,
            later.state != RecordState.VOID,
        )
        .order_by(later.performed_from, later.id)
        .limit(1)
        .correlate(RebuildRecord)
        .scalar_subquery()
    )


@dataclass(frozen=True, slots=True)
class EventKnown:
    """An event of a stack: when its work began, and when it was opened and closed."""

    id: int
    kind: RecordKind
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    written_at: datetime

    @property
    def ends_at(self) -> datetime:
        """Return the last of its times: what follows it comes after that."""
        return self.closed_at or self.opened_at or self.performed_from

    def may_overlap(self, span: Span) -> bool:
        """Say whether the dates leave open which of two events came first."""
        began = span_of(self.performed_from)
        is_open = bool(span.known or began.known) and span.begins < self.written_at
        return is_open and span.overlaps(Span(began.begins, span_of(self.ends_at).until))


def events_around(
    session: Session, stack_id: int, span: Span, but_id: int = 0
) -> tuple[EventKnown, ...]:
    """Return the events of a stack whose dates leave open whether they came before. One statement.

    What was written down before the span began came before it.
    """
    rows = session.execute(
        select(*columns(EventKnown, RebuildRecord))
        .where(
            RebuildRecord.stack_id == stack_id,
            RebuildRecord.id != but_id,
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(RebuildRecord.performed_from, RebuildRecord.id)
    )
    return tuple(event for event in read_all(EventKnown, rows) if event.may_overlap(span))


@dataclass(frozen=True, slots=True)
class OpenedSince:
    """The build a record is about, and the record that opened it since."""

    number: int
    opened_at: datetime
    record_id: int


OPENED_SINCE: Any = (
    select(*columns(OpenedSince, Build, BuildPeriod, record_id=BuildPeriod.opened_by_record_id))
    .join(Build, Build.id == BuildPeriod.build_id)
    .where(
        BuildPeriod.build_id == param("build_id"),
        BuildPeriod.known_until.is_(None),
        BuildPeriod.opened_by_record_id != param("record_id"),
    )
)


def opened_since(session: Session, record: Any) -> OpenedSince | None:
    """Return by which other record the build of this one was opened; None: it was not. One
    statement.
    """
    row = session.execute(
        OPENED_SINCE, {"build_id": record.base_build_id, "record_id": record.id}
    ).first()
    return read_as(OpenedSince, row) if row else None
