"""Who a machine's token speaks for."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people import tables
from service.people.queries.passwords import not_waiting
from service.platform.permissions import Person
from service.platform.queries.answers import read_as


@dataclass(frozen=True, slots=True)
class TokenHolder:
    """The person a token speaks for, and when it was last noted as used."""

    token_id: int
    person: Person
    last_used_at: datetime | None


def holder_of(session: Session, token: str) -> TokenHolder | None:
    """Find the person of a token that is neither revoked nor of somebody shut out."""
    digest = sha256(token.encode()).hexdigest()
    rows = session.execute(
        select(
            tables.ApiToken.last_used_at,
            tables.ApiToken.id.label("token_id"),
            tables.PersonRole.role,
            tables.Person.id,
            tables.Person.login,
            tables.Person.name,
            not_waiting().label("is_confirmed"),
        )
        .join(tables.Person, tables.Person.id == tables.ApiToken.person_id)
        .outerjoin(tables.PersonRole, tables.PersonRole.person_id == tables.Person.id)
        .where(
            tables.ApiToken.token_sha256 == digest,
            tables.ApiToken.revoked_at.is_(None),
            tables.Person.active,
        )
    ).all()
    if not rows:
        return None
    roles = frozenset(row.role for row in rows if row.role is not None)
    person = read_as(Person, rows[0], roles=roles, entered=tables.Entered.PASSWORD)
    return read_as(TokenHolder, rows[0], person=person)
