"""What the lab knew: now, or at a time in the past."""

from datetime import datetime
from typing import Any, Protocol

from sqlalchemy import ColumnElement, and_, or_


class HasKnown(Protocol):
    """A table whose rows say from when to when the lab knew them so."""

    known_from: Any
    known_until: Any


def known(
    table: type[HasKnown] | Any, at: datetime | ColumnElement[datetime] | None = None
) -> ColumnElement[bool]:
    """Return rows as known now, or as they were known at a time (from its first moment on)."""
    until: ColumnElement[bool] = table.known_until.is_(None)
    if at is None:
        return until
    return and_(table.known_from <= at, or_(until, table.known_until > at))
