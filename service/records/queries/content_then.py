"""Which rows belong to a record's content: those known when it was handed in."""

from typing import Any

from sqlalchemy import ColumnElement, Select, and_, or_, select

from service.records.tables.attachments import Attachment
from service.records.tables.holds import Concession
from service.records.tables.rebuild_records import RebuildRecord

R = RebuildRecord


def known_then(table: Any) -> ColumnElement[bool]:
    """As known when the record was handed in."""
    return and_(
        table.known_from <= R.handed_in_at,
        or_(table.known_until.is_(None), table.known_until > R.handed_in_at),
    )


def attached_then() -> ColumnElement[bool]:
    """Attached when the record was handed in."""
    return and_(
        Attachment.added_at <= R.handed_in_at,
        or_(Attachment.removed_at.is_(None), Attachment.removed_at > R.handed_in_at),
    )


def of_record(table: Any, column: Any) -> Select[Any]:
    """What the rows of the record itself name."""
    return select(column).where(table.record_id == R.id).correlate(R)


def conceded_then(column: Any) -> Select[Any]:
    """Of the concessions used in the record and given when it was handed in."""
    return (
        select(column)
        .where(Concession.used_in_record_id == R.id, Concession.given_at <= R.handed_in_at)
        .correlate(R)
    )
