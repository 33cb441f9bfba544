"""Who is known, with which roles; whose password and token are right."""

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Select, String, cast, func, select
from sqlalchemy.orm import Session

from service.people.queries.passwords import (
    PasswordStanding,
    is_confirmed,
    join_standing,
    standing_columns,
    standing_of_row,
)
from service.people.queries.role_requests import waiting_columns, waiting_in_words
from service.people.tables import (
    ApiToken,
    Person,
    PersonRole,
    Role,
    SignInAttempt,
    SignInSession,
    Tablet,
)
from service.platform import permissions
from service.platform.errors import NotFound
from service.platform.permissions import Act
from service.platform.queries.answers import columns, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import param

HASHER = PasswordHasher()  # Argon2id with the low-memory parameters of RFC 9106
NOBODYS_HASH = HASHER.hash("the password of nobody at all")


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """One person as the list of people shows them."""

    id: int
    login: str
    name: str
    active: bool
    can_sign_in: bool
    added_at: datetime
    mail: str | None
    roles: frozenset[Role]

    @property
    def roles_in_words(self) -> str:
        """The roles in one fixed order."""
        return ", ".join(role.value for role in Role if role in self.roles)


@dataclass(frozen=True, slots=True)
class KnownToken:
    """One API token; its secret was shown once and is not kept."""

    id: int
    label: str
    made_at: datetime
    last_used_at: datetime | None
    revoked_at: datetime | None


@dataclass(frozen=True, slots=True)
class Credential:
    """What signing in compares a password with."""

    person_id: int
    password_hash: str


def with_login(person: Any, name: Any = None) -> Any:
    """Return the expression of a name with its login, which no second account shares.

    ``name`` is the name as of then, where one was kept.
    """
    return func.coalesce(name, person.name) + " (" + person.login + ")"


BY_NAME = Order((func.lower(Person.name, type_=String()), Person.id))


def people(session: Session, turn: Turn = FIRST) -> Listing[KnownPerson]:
    """List the people of a page by name, in one statement."""
    return listing(session, _rows(), BY_NAME, turn, partial(map, _known_person))


def person_by_login(session: Session, login: str) -> KnownPerson:
    """Find one person; capital letters make no difference."""
    row = session.execute(
        _rows().where(func.lower(Person.login) == login.strip().lower())
    ).one_or_none()
    if row is None:
        raise NotFound("person", login)
    return _known_person(row)


def person_at_work(session: Session, person_id: int) -> permissions.Person:
    """Return somebody as permissions know them, by number. Raises NotFound."""
    row = session.execute(_rows().where(Person.id == person_id)).one_or_none()
    if row is None:
        raise NotFound("person", person_id)
    person = _known_person(row)
    return permissions.Person(
        person.id, person.login, person.name, person.roles, is_confirmed(session, person_id)
    )


def logins_of(session: Session, ids: Collection[int]) -> list[str]:
    """Return the logins of some people, in order. One statement."""
    return list(
        session.scalars(select(Person.login).where(Person.id.in_(ids)).order_by(Person.login))
    )


def _rows() -> Select[*tuple[Any, ...]]:
    roles = (
        select(func.aggregate_strings(cast(PersonRole.role, String), ","))
        .where(PersonRole.person_id == Person.id)
        .scalar_subquery()
    )
    return select(
        *columns(KnownPerson, Person, can_sign_in=(Person.password_hash != "")),
        roles.label("role_words"),
    )


def _known_person(row: Any) -> KnownPerson:
    words = row.role_words.split(",") if row.role_words else ()
    return read_as(KnownPerson, row, roles=frozenset(map(Role, words)))


def credential_of(session: Session, login: str) -> Credential | None:
    """Give the hash to compare with, if somebody of this login may sign in."""
    row = session.execute(
        select(*columns(Credential, Person, person_id=Person.id)).where(
            func.lower(Person.login) == login.strip().lower(),
            Person.active,
            Person.password_hash != "",
        )
    ).one_or_none()
    return None if row is None else read_as(Credential, row)


def password_matches(credential: Credential | None, password: str) -> bool:
    """Compare a password; for somebody unknown it takes the same time and is false."""
    try:
        HASHER.verify(credential.password_hash if credential else NOBODYS_HASH, password)
    except (VerificationError, InvalidHashError):
        return False
    return credential is not None


def password_is_right(session: Session, person_id: int, password: str) -> bool:
    """Compare a known person's password, as a signature asks for it."""
    stored = session.scalar(
        select(Person.password_hash).where(Person.id == person_id, Person.active)
    )
    return password_matches(Credential(person_id, stored) if stored else None, password)


def tokens_of(session: Session, person_id: int) -> list[KnownToken]:
    """List a person's API tokens, the latest first."""
    rows = session.execute(
        select(*columns(KnownToken, ApiToken))
        .where(ApiToken.person_id == person_id)
        .order_by(ApiToken.made_at.desc(), ApiToken.id.desc())
    )
    return [read_as(KnownToken, row) for row in rows]


# Who may do something, in words: said wherever somebody meets what they may not do.


MOST_NAMED = 3


OF_ONESELF = frozenset({Act.READ, Act.TOKEN_WRITE, Act.BADGE_WRITE, Act.MAIL_WRITE})
"""What nobody can do for somebody else."""


def who_may(session: Session, act: Act, to: str = "", *, but: int = 0) -> str:
    """Say whom to ask for something, by name: "To add a design, ask Qi Quality or Sam Super."

    ``to`` is what is to be done, as an imperative; ``but`` is who asks and is not named. Where
    nobody may, the sentence names the roles and the admins who give them.
    """
    roles = permissions.roles_who_may(act)
    names = _named(session, roles, but)
    of_roles = " or ".join(roles)
    if names:
        if len(names) > MOST_NAMED:
            names = (*names[: MOST_NAMED - 1], f"somebody else with the role {of_roles}")
        return f"{'To ' + to + ', ask' if to else 'Ask'} {_either(names)}."
    admins = _named(session, (Role.ADMIN,), 0) if Role.ADMIN not in roles else ()
    somebody = "Nobody else" if but else "Nobody"
    givers = f"; {_either(admins[:MOST_NAMED])} can add a person or give a role" if admins else ""
    return f"{somebody} here can {to or 'do this'} yet: it needs the role {of_roles}{givers}."


def whom_to_ask(session: Session, person: permissions.Person, act: Act) -> str:
    """Say by name who may what a person was refused; nothing for what is everybody's alone.

    Nothing, either, where a badge or PIN is what stands in the way. Two statements at most.
    """
    if act in OF_ONESELF or act not in permissions.ALLOWED_BY[person.entered]:
        return ""
    holds_a_role = person.roles.intersection(permissions.roles_who_may(act))
    return who_may(session, act, but=person.id if holds_a_role else 0)


def names_by_role(session: Session, most: int = 500) -> dict[Role, tuple[str, ...]]:
    """Return who can sign in with each role, by name. One statement."""
    names: dict[Role, tuple[str, ...]] = {}
    rows = session.execute(
        select(PersonRole.role, Person.name)
        .join(Person, Person.id == PersonRole.person_id)
        .where(Person.active, Person.password_hash != "")
        .order_by(*BY_NAME.keys)
        .limit(most)
    )
    for row in rows:
        names[row.role] = (*names.get(row.role, ()), row.name)
    return names


def _named(session: Session, roles: tuple[Role, ...], but: int) -> tuple[str, ...]:
    """Return the first names of people who can sign in and have one of the roles."""
    return tuple(
        session.scalars(
            select(Person.name)
            .where(
                Person.active,
                Person.password_hash != "",
                Person.id != but,
                Person.id.in_(select(PersonRole.person_id).where(PersonRole.role.in_(roles))),
            )
            .order_by(*BY_NAME.keys)
            .limit(MOST_NAMED + 1)
        )
    )


def _either(names: Sequence[str]) -> str:
    """Join names: "Anna, Berta or Cem"."""
    return " or ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


# Who is signed in, who may try again.


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A session that still holds, and whose it is; ``tablet`` is the shared one it is on."""

    session_id: int
    seen_at: datetime
    tablet: str | None
    tablet_id: int | None
    locked_at: datetime | None
    person: permissions.Person
    password: PasswordStanding | None
    announced: str


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


SIGNED_IN: Any = join_standing(
    select(
        SignInSession.id.label("session_id"),
        SignInSession.seen_at,
        SignInSession.entered,
        SignInSession.tablet_id,
        SignInSession.locked_at,
        Tablet.label.label("tablet"),
        Person.id,
        Person.login,
        Person.name,
        PersonRole.role,
        *standing_columns(),
        *waiting_columns(),
    )
    .join(Person, Person.id == SignInSession.person_id)
    .outerjoin(PersonRole, PersonRole.person_id == Person.id)
    .outerjoin(Tablet, Tablet.id == SignInSession.tablet_id)
    .where(
        SignInSession.token_sha256 == param("token_sha256"),
        SignInSession.ended_at.is_(None),
        SignInSession.begun_at > param("begun_after"),
        SignInSession.seen_at > param("seen_after"),
        Person.active,
    )
)


def signed_in_with(
    session: Session, secret: str, now: datetime, longest: timedelta, idle: timedelta
) -> SignedIn | None:
    """Find whose session a secret opens, unless it has ended, grown old or lain idle.

    One statement; a person shut out meanwhile is not signed in any more.
    """
    rows = session.execute(
        SIGNED_IN,
        {
            "token_sha256": secret_sha256(secret),
            "begun_after": now - longest,
            "seen_after": now - idle,
        },
    ).all()
    if not rows:
        return None
    first = rows[0]
    roles = frozenset(Role(row.role) for row in rows if row.role is not None)
    password = standing_of_row(first)
    person = permissions.Person(
        first.id,
        first.login,
        first.name,
        roles,
        password is None or password.is_confirmed,
        first.entered,
    )
    return SignedIn(
        first.session_id,
        first.seen_at,
        first.tablet,
        first.tablet_id,
        first.locked_at,
        person,
        password,
        waiting_in_words(first),
    )


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
