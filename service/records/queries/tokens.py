"""Who a machine's token speaks for."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.permissions import Person
from service.platform.queries.answers import read_as
from service.records.tables import people


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
            people.ApiToken.last_used_at,
            people.ApiToken.id.label("token_id"),
            people.PersonRole.role,
            people.Person.id,
            people.Person.login,
            people.Person.name,
        )
        .join(people.Person, people.Person.id == people.ApiToken.person_id)
        .outerjoin(people.PersonRole, people.PersonRole.person_id == people.Person.id)
        .where(
            people.ApiToken.token_sha256 == digest,
            people.ApiToken.revoked_at.is_(None),
            people.Person.active,
        )
    ).all()
    if not rows:
        return None
    roles = frozenset(row.role for row in rows if row.role is not None)
    return read_as(TokenHolder, rows[0], person=read_as(Person, rows[0], roles=roles))
