"""Who is signed in, who may try again."""

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.people.tables import Person, PersonRole, Role, SignInAttempt, SignInSession
from service.platform import permissions
from service.platform.queries.answers import columns, read_as


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A session that still holds, and whose it is."""

    session_id: int
    seen_at: datetime
    person: permissions.Person


@dataclass(frozen=True, slots=True)
class Failures:
    """Wrong passwords since a time, for one login and from one address."""

    of_login: int
    of_address: int


def secret_sha256(secret: str) -> str:
    """Hash the secret of a session or token; the secret itself is never kept.

    The secrets are 256 random bits, so a plain SHA-256 is enough (no dictionary exists).
    """
    return hashlib.sha256(secret.encode()).hexdigest()


def signed_in_with(
    session: Session, secret: str, now: datetime, longest: timedelta, idle: timedelta
) -> SignedIn | None:
    """Find whose session a secret opens, unless it has ended, grown old or lain idle.

    One statement; a person shut out meanwhile is not signed in any more.
    """
    rows = session.execute(
        select(
            SignInSession.id,
            SignInSession.seen_at,
            Person.id,
            Person.login,
            Person.name,
            PersonRole.role,
        )
        .join(Person, Person.id == SignInSession.person_id)
        .outerjoin(PersonRole, PersonRole.person_id == Person.id)
        .where(
            SignInSession.token_sha256 == secret_sha256(secret),
            SignInSession.ended_at.is_(None),
            SignInSession.begun_at > now - longest,
            SignInSession.seen_at > now - idle,
            Person.active,
        )
    ).all()
    if not rows:
        return None
    session_id, seen_at, person_id, login, name, _ = rows[0]
    roles = frozenset(Role(row[5]) for row in rows if row[5] is not None)
    return SignedIn(session_id, seen_at, permissions.Person(person_id, login, name, roles))


def failures_since(session: Session, login: str, address: str, since: datetime) -> Failures:
    """Count wrong passwords: of a login since it last came in, of an address altogether."""
    tried = login.strip().lower()[:200]
    last_success = (
        select(func.max(SignInAttempt.at))
        .where(SignInAttempt.login == tried, SignInAttempt.succeeded, SignInAttempt.at > since)
        .scalar_subquery()
    )
    failed = select(func.count()).select_from(SignInAttempt).where(~SignInAttempt.succeeded)
    of_login = failed.where(
        SignInAttempt.login == tried, SignInAttempt.at > func.coalesce(last_success, since)
    )
    of_address = failed.where(SignInAttempt.address == address[:200], SignInAttempt.at > since)
    row = session.execute(
        select(
            *columns(
                Failures,
                of_login=of_login.scalar_subquery(),
                of_address=of_address.scalar_subquery(),
            )
        )
    ).one()
    return read_as(Failures, row)


def anybody_is_known(session: Session) -> bool:
    """Say whether the first person has been added yet."""
    return session.scalar(select(Person.id).limit(1)) is not None
