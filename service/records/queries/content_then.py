"""Which rows belong to a record's content: those known when it was handed in, else known now."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, literal, or_, select

from service.platform.tables import Attachment, UtcDateTime
from service.records.tables import RebuildRecord
from service.store.tables import Concession

R = RebuildRecord
THEN = func.coalesce(R.handed_in_at, literal(datetime(9999, 12, 31, tzinfo=UTC), UtcDateTime()))
"""When the record was handed in; later than any entry where it never was."""


def known_then(table: Any) -> ColumnElement[bool]:
    """Restrict rows to those known then."""
    return and_(
        table.known_from <= THEN,
        or_(table.known_until.is_(None), table.known_until > THEN),
    )


def attached_then() -> ColumnElement[bool]:
    """Restrict rows to those attached then."""
    return and_(
        Attachment.added_at <= THEN,
        or_(Attachment.removed_at.is_(None), Attachment.removed_at > THEN),
    )


def of_record(table: Any, column: Any) -> Select[Any]:
    """Return what the rows of the record itself name."""
    return select(column).where(table.record_id == R.id).correlate(R)


def conceded_then(column: Any) -> Select[Any]:
    """Restrict rows to concessions used in the record and given then."""
    return (
        select(column)
        .where(Concession.used_in_record_id == R.id, Concession.given_at <= THEN)
        .correlate(R)
    )
