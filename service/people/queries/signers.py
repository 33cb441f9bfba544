"""What stands beside a signature: accounts that look like one person's, and whose password it is.

No more is claimed than is seen: a like name, the same mail address, the same browser. A shared
tablet shows the same browser for everybody who used it.
"""

from collections.abc import Collection, Iterator
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.people.arithmetic.likeness import alike, same_mail
from service.people.queries.passwords import password_standing
from service.people.queries.role_requests import granted_alone
from service.people.tables import FormerMail, Person, SignInSession

SAME_BROWSER = timedelta(hours=12)


def remarks_beside(
    session: Session, person_id: int, others: Collection[int], now: datetime
) -> tuple[str, ...]:
    """Return what is to be seen beside a signature of a person upon the work of others.

    The password's maker stands there too, where an admin made it. Four statements.
    """
    others = set(others) - {person_id, 0}
    rows = session.execute(
        select(Person.id, Person.login, Person.name, _mails())
        .where(Person.id.in_(others | {person_id}))
        .order_by(Person.login)
    ).all()
    me = next((row for row in rows if row.id == person_id), None)
    if me is None:
        return ()
    shared = _same_browser(session, person_id, others, now)
    password = password_standing(session, person_id)
    of_password = (password.words,) if password is not None and password.words else ()
    alone = granted_alone(session, person_id)
    return (
        of_password
        + alone
        + tuple(
            f"{row.name} ({row.login}) had a part in this: {', '.join(marks)}."
            for row in rows
            if row.id != person_id and (marks := tuple(_marks(me, row, shared)))
        )
    )


def is_like(session: Session, person_id: int, other_id: int, now: datetime) -> bool:
    """Say whether another account looks like somebody's own. Two statements."""
    rows = session.execute(
        select(Person.id, Person.name, _mails()).where(Person.id.in_((person_id, other_id)))
    ).all()
    shared = _same_browser(session, person_id, {other_id}, now)
    me, second = sorted(rows, key=lambda row: row.id != person_id)
    return any(_marks(me, second, shared))


def accounts_like(session: Session, name: str, mail: str, but: int = 0) -> tuple[str, ...]:
    """Return who is known by a like name or has or had the same mail, with login. One statement.

    An empty name is like none; ``but`` is whose account it is.
    """
    rows = session.execute(
        select(Person.name, Person.login, _mails()).where(Person.id != but).order_by(Person.login)
    )
    return tuple(
        f"{row.name} ({row.login})"
        for row in rows
        if (name and alike(row.name, name)) or _is_shared(row.mails, mail)
    )


def _mails() -> Any:
    """The mail address a person has and those they had, one a line."""
    former = (
        select(func.aggregate_strings(FormerMail.mail, "\n"))
        .where(FormerMail.person_id == Person.id)
        .correlate(Person)
        .scalar_subquery()
    )
    return (func.coalesce(Person.mail, "") + "\n" + func.coalesce(former, "")).label("mails")


def _is_shared(mails: str, others: str) -> bool:
    return any(
        same_mail(mail, other) for mail in mails.splitlines() for other in others.splitlines()
    )


def _marks(me: Any, second: Any, shared: Collection[int]) -> Iterator[str]:
    if alike(me.name, second.name):
        yield "the same name" if me.name == second.name else "a like name"
    if _is_shared(me.mails, second.mails):
        yield "the same mail address"
    if second.id in shared:
        yield f"the same browser within {SAME_BROWSER // timedelta(hours=1)} h"


def _same_browser(
    session: Session, person_id: int, others: Collection[int], now: datetime
) -> set[int]:
    shared_session = aliased(SignInSession)
    return set(
        session.scalars(
            select(shared_session.person_id)
            .join(SignInSession, SignInSession.browser_sha256 == shared_session.browser_sha256)
            .where(
                SignInSession.person_id == person_id,
                shared_session.person_id.in_(others),
                SignInSession.seen_at > now - SAME_BROWSER,
                shared_session.seen_at > now - SAME_BROWSER,
            )
        )
    )
