"""Changeover plans as they were made: those of a stack, one of them, that of a record."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.planning.queries.documents import PlanDocument, read_document, still_holds
from service.planning.tables import ChangeoverPlan
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.prepared import param
from service.stacks.tables.stacks import Build, Stack


@dataclass(frozen=True, slots=True)
class ListedPlan:
    """One plan of a stack, as it is listed."""

    id: int
    build: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan as it was made; ``holds``: its content is what was hashed then."""

    id: int
    stack_id: int
    stack: str
    base_build_id: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None
    content_sha256: str
    holds: bool
    document: PlanDocument


PLANS = (
    select(*columns(ListedPlan, ChangeoverPlan, build=Build.number, made_by=Person.name))
    .join(Build, Build.id == ChangeoverPlan.base_build_id)
    .join(Person, Person.id == ChangeoverPlan.made_by_id)
    .where(ChangeoverPlan.stack_id == param("stack_id"))
    .order_by(ChangeoverPlan.id.desc())
)


def plans_of_stack(session: Session, stack_id: int) -> tuple[ListedPlan, ...]:
    """Which plans were made for a stack? The newest first. One statement."""
    rows: Any = session.execute(PLANS, {"stack_id": stack_id})
    return read_all(ListedPlan, rows)


def plan_by_number(session: Session, plan_id: int) -> KeptPlan:
    """One plan as it was made. One statement. Raises NotFound."""
    kept = _kept(session, ChangeoverPlan.id == plan_id)
    if kept is None:
        raise NotFound("changeover plan", plan_id)
    return kept


def plan_of_record(session: Session, record_id: int) -> KeptPlan | None:
    """The plan a record was begun by; None where it was begun without one. One statement."""
    return _kept(session, ChangeoverPlan.record_id == record_id)


def _kept(session: Session, which: Any) -> KeptPlan | None:
    row: Any = session.execute(
        select(
            ChangeoverPlan.content,
            *columns(KeptPlan, ChangeoverPlan, stack=Stack.serial, made_by=Person.name),
        )
        .join(Stack, Stack.id == ChangeoverPlan.stack_id)
        .join(Person, Person.id == ChangeoverPlan.made_by_id)
        .where(which)
    ).first()
    if row is None:
        return None
    holds = still_holds(row.content, row.content_sha256)
    return read_as(KeptPlan, row, holds=holds, document=read_document(row.content))
