"""The audit trail, newest first: of one object, of one person, of a stretch of time, of all."""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, or_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.audit import Event
from service.platform.queries.answers import read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.tables import AuditEntry

MOST_ABOUT_ONE = 200


@dataclass(frozen=True, slots=True)
class Changed:
    """One field of an entry: before and after as the trail wrote them."""

    field: str
    before: str | float | bool | None
    after: str | float | bool | None


@dataclass(frozen=True, slots=True)
class TrailEntry:
    """One entry of the trail: who, when, what, before and after, and why."""

    id: int
    at: datetime
    person_id: int | None
    person_name: str
    act: str
    subject_kind: str
    subject_id: int | None
    subject_label: str
    stack_id: int | None
    record_id: int | None
    changes: tuple[Changed, ...]
    reason: str
    via: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of the trail; an empty answer leaves that out.

    ``act`` is one act (``part:moved``) or the kind of its subject (``part``). ``subject`` is a kind
    and an id: a stack or record takes in everything written about it, its parts' entries too.
    """

    person_id: int | None = None
    since: datetime | None = None
    until: datetime | None = None
    act: str = ""
    subject: tuple[str, int] | None = None


NEWEST = Order((AuditEntry.id,), descending=True)


def trail(session: Session, filters: Asked, turn: Turn = FIRST) -> Listing[TrailEntry]:
    """Return the entries that answer this, newest first. One statement."""
    return listing(session, _rows(filters), NEWEST, turn, partial(map, _entry))


def entries_about(session: Session, kind: str, subject_id: int) -> tuple[TrailEntry, ...]:
    """Return the newest entries about one object, oldest of them first: one statement."""
    listing_found = trail(session, Asked(subject=(kind, subject_id)), Turn(MOST_ABOUT_ONE))
    return listing_found.rows[::-1]


def people_in_trail(session: Session) -> tuple[tuple[int, str], ...]:
    """Return everybody who may stand in the trail, as a choice: (id, name)."""
    return tuple(session.execute(select(Person.id, Person.name).order_by(Person.name)))


def _conditions(filters: Asked) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if filters.person_id is not None:
        conditions.append(AuditEntry.person_id == filters.person_id)
    if filters.since is not None:
        conditions.append(AuditEntry.at >= filters.since)
    if filters.until is not None:
        conditions.append(AuditEntry.at < filters.until)
    if ":" in filters.act:
        conditions.append(AuditEntry.act == filters.act)
    elif filters.act:
        of_kind = [did.value for did in Event if did.value.startswith(f"{filters.act}:")]
        conditions.append(AuditEntry.act.in_(of_kind))
    if filters.subject is not None:
        kind, subject_id = filters.subject
        about_subject = and_(AuditEntry.subject_kind == kind, AuditEntry.subject_id == subject_id)
        wider = {"stack": AuditEntry.stack_id, "record": AuditEntry.record_id}.get(kind)
        conditions.append(
            about_subject if wider is None else or_(about_subject, wider == subject_id)
        )
    return conditions


def _rows(filters: Asked) -> Select[*tuple[Any, ...]]:
    return select(
        AuditEntry.id,
        AuditEntry.at,
        AuditEntry.person_id,
        AuditEntry.person_name,
        AuditEntry.act,
        AuditEntry.subject_kind,
        AuditEntry.subject_id,
        AuditEntry.subject_label,
        AuditEntry.stack_id,
        AuditEntry.record_id,
        AuditEntry.changes,
        AuditEntry.reason,
        AuditEntry.via,
    ).where(*_conditions(filters))


def _entry(row: Any) -> TrailEntry:
    return read_as(
        TrailEntry, row, changes=tuple(Changed(*change) for change in json.loads(row.changes))
    )
