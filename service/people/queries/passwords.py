"""Whose password it is: made by whom, chosen anew by the person, confirmed by somebody else.

An admin who makes a password could sign in with it. So the person chooses another one before
anything else, and before their first signature somebody other than its maker confirms them by a
code which stands on the screen of the session the person chose it in, and on no other.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, select
from sqlalchemy.orm import Session, aliased

from service.people.tables import PasswordMade, Person, SignInSession
from service.platform.queries.answers import columns
from service.platform.queries.statements import param, statement

MAKER, CONFIRMER = aliased(Person), aliased(Person)
CODE_SIGNS = 8
TOLD_FOR = timedelta(days=7)
"""How long after the confirmation the person still reads on each page who made the password."""


@dataclass(frozen=True, slots=True)
class PasswordStanding:
    """The password an admin, or the command line, made last for somebody."""

    id: int
    made_by_id: int | None
    made_by: str | None
    made_at: datetime
    changed_at: datetime | None
    changed_in: str | None
    confirmed_by: str | None
    confirmed_at: datetime | None

    @property
    def must_change(self) -> bool:
        """Say whether the person has to choose another one before anything else."""
        return self.made_by_id is not None and self.changed_at is None

    @property
    def is_confirmed(self) -> bool:
        """Say whether signatures may be given with it."""
        return self.made_by_id is None or self.confirmed_at is not None

    @property
    def words(self) -> str:
        """Who made it and who confirmed the person, as it stands beside a signature."""
        if self.made_by is None:
            return ""
        confirmed = ""
        if self.confirmed_at is not None:
            by = self.confirmed_by or "command"
            confirmed = f", confirmed {_at(self.confirmed_at)} by {by}"
        return f"Password made {_at(self.made_at)} by {self.made_by}{confirmed}."

    def told(self, now: datetime) -> str:
        """Return the sentence the person reads on their pages; empty once it is old."""
        if self.made_by is None:
            return ""
        if self.confirmed_at is None:
            return (
                f"{self.made_by} made a password for you, {_at(self.made_at)}. If you did not ask"
                " for it, say so to another admin. Until somebody else confirms you, you sign"
                " nothing: your own page shows how."
            )
        if now - self.confirmed_at < TOLD_FOR:
            return f"{self.words} If you did not ask for it, say so to another admin."
        return ""


@statement
def newest_password() -> Any:
    """Return the number of the password made last for a person, as a condition asks for it."""
    each = aliased(PasswordMade)
    return (
        select(func.max(each.id)).where(each.person_id == Person.id).correlate(Person)
    ).scalar_subquery()


def standing_columns() -> tuple[Any, ...]:
    """Return the columns of a standing, each under a name of its own among others."""
    return tuple(
        column.label(f"password_{name}") for name, column in _standing_expressions().items()
    )


def standing_of_row(row: Any) -> PasswordStanding | None:
    """Return the standing in a row with `standing_columns`; None where nobody made one."""
    if row.password_id is None:
        return None
    return PasswordStanding(
        **{name: getattr(row, f"password_{name}") for name in _standing_expressions()}
    )


def join_standing(people: Select[*tuple[Any, ...]]) -> Select[*tuple[Any, ...]]:
    """Join what `standing_columns` reads to a statement about people."""
    return (
        people.outerjoin(PasswordMade, PasswordMade.id == newest_password())
        .outerjoin(MAKER, MAKER.id == PasswordMade.made_by_id)
        .outerjoin(CONFIRMER, CONFIRMER.id == PasswordMade.confirmed_by_id)
    )


def password_standing(session: Session, person_id: int) -> PasswordStanding | None:
    """Return who made a person's password; None where they chose it themselves. One statement."""
    row = session.execute(_standing(), {"person_id": person_id}).one_or_none()
    return None if row is None else standing_of_row(row)


def is_confirmed(session: Session, person_id: int) -> bool:
    """Say whether a person may sign: no password waits for a confirmation. One statement."""
    return session.scalar(_confirmed(), {"person_id": person_id}) is not None


@statement
def _standing() -> Any:
    people: Any = select(*standing_columns()).select_from(Person)
    return join_standing(people).where(Person.id == param("person_id"))


@statement
def _confirmed() -> Any:
    return select(Person.id).where(Person.id == param("person_id"), Person.active, not_waiting())


def not_waiting() -> ColumnElement[bool]:
    """Restrict people to those who may sign: whose newest password waits for nobody."""
    return ~exists().where(
        PasswordMade.id == newest_password(),
        PasswordMade.made_by_id.is_not(None),
        PasswordMade.confirmed_at.is_(None),
    )


def code_of(session: Session, standing: PasswordStanding) -> str:
    """Return the code which the session shows in which the person chose their password.

    Empty where that session has ended, or nothing was chosen yet. One statement.
    """
    if standing.changed_in is None or standing.confirmed_at is not None:
        return ""
    goes_on = session.scalar(
        select(SignInSession.id).where(
            SignInSession.token_sha256 == standing.changed_in, SignInSession.ended_at.is_(None)
        )
    )
    if goes_on is None:
        return ""
    text = f"confirm {standing.id} {standing.changed_in}"
    return hashlib.sha256(text.encode()).hexdigest()[:CODE_SIGNS].upper()


def _standing_expressions() -> dict[str, Any]:
    expressions = columns(
        PasswordStanding,
        PasswordMade,
        made_by=MAKER.name + " (" + MAKER.login + ")",
        confirmed_by=CONFIRMER.name + " (" + CONFIRMER.login + ")",
    )
    return {column.key: column for column in expressions}


def _at(when: datetime) -> str:
    return f"{when:%Y-%m-%d %H:%M} UTC"
