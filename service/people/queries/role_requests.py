"""Roles an admin asked for themself, or for an account that looks like their own."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import String, cast, func, select
from sqlalchemy.orm import Session, aliased

from service.people.queries.passwords import not_waiting
from service.people.tables import Person, PersonRole, Role, RoleRequest
from service.platform.queries.answers import columns, read_all

ASKER = aliased(Person)


@dataclass(frozen=True, slots=True)
class WaitingRole:
    """One role that waits for a second admin; alone its asker may grant it from ``alone_from``."""

    id: int
    person_id: int
    role: Role
    asked_by_id: int
    asked_by: str
    asked_at: datetime
    alone_from: datetime


def roles_waiting(session: Session, person_id: int) -> tuple[WaitingRole, ...]:
    """Return the roles asked for a person that wait. One statement."""
    rows = session.execute(
        select(*columns(WaitingRole, RoleRequest, asked_by=ASKER.name + " (" + ASKER.login + ")"))
        .join(ASKER, ASKER.id == RoleRequest.asked_by_id)
        .where(RoleRequest.person_id == person_id, RoleRequest.decided_at.is_(None))
        .order_by(RoleRequest.id)
    )
    return read_all(WaitingRole, rows)


def waiting_columns() -> Sequence[Any]:
    """Return what waits as columns of any statement: who asked for which role, and since when."""
    person = aliased(Person)
    words = (
        select(
            func.aggregate_strings(
                person.name + " (" + person.login + "), " + cast(RoleRequest.role, String), "; "
            )
        )
        .select_from(RoleRequest)
        .join(person, person.id == RoleRequest.person_id)
        .where(RoleRequest.decided_at.is_(None))
        .scalar_subquery()
    )
    earliest = (
        select(func.min(RoleRequest.alone_from))
        .where(RoleRequest.decided_at.is_(None))
        .scalar_subquery()
    )
    return words.label("roles_waiting"), earliest.label("roles_alone_from")


def waiting_in_words(row: Any) -> str:
    """Say to everybody which roles wait, from a row with `waiting_columns`; empty: none."""
    if not row.roles_waiting:
        return ""
    return (
        f"An admin asked for a role for themself: {row.roles_waiting}. A second admin confirms it;"
        f" where there is none it can take effect from {row.roles_alone_from:%Y-%m-%d %H:%M} UTC."
    )


def other_admins(session: Session, but: Sequence[int]) -> bool:
    """Say whether another admin is there who could decide. One statement."""
    admin = session.scalar(
        select(Person.id)
        .join(PersonRole, PersonRole.person_id == Person.id)
        .where(
            PersonRole.role == Role.ADMIN,
            Person.active,
            Person.password_hash != "",
            Person.id.not_in(but),
            not_waiting(),
        )
        .limit(1)
    )
    return admin is not None


def granted_alone(session: Session, person_id: int) -> tuple[str, ...]:
    """Return sentences on roles a person has since one admin alone gave them. One statement."""
    rows = session.execute(
        select(RoleRequest.role, RoleRequest.decided_at)
        .where(
            RoleRequest.person_id == person_id,
            RoleRequest.granted.is_(True),
            RoleRequest.decided_by_id.in_((RoleRequest.asked_by_id, RoleRequest.person_id)),
        )
        .order_by(RoleRequest.id)
    )
    return tuple(
        f"The role {role} was given {at:%Y-%m-%d %H:%M} UTC without a second admin."
        for role, at in rows
    )


A_DAY = timedelta(hours=24)
