"""Whose badge, whose PIN, which tablet."""

import re
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.arithmetic.pins import is_pin
from service.people.queries.people import (
    Credential,
    password_is_right,
    password_matches,
    secret_sha256,
)
from service.people.tables import Badge, Person, PersonPin, Tablet
from service.platform.queries.answers import columns, read_as

PIN_TRIES = 5
"""Wrong PINs in a row, then the password; the table's CHECK says the same."""
BADGE = re.compile(r"WHO(?:-[A-Z0-9]{4}){3}")


@dataclass(frozen=True, slots=True)
class Bearer:
    """Somebody who may be at a bench, as a tablet names them."""

    id: int
    login: str
    name: str


@dataclass(frozen=True, slots=True)
class TabletAtHand:
    """The enrolled tablet a request comes from."""

    id: int
    label: str


@dataclass(frozen=True, slots=True)
class KnownTablet:
    """One enrolled tablet; its secret is in its cookie and not kept."""

    id: int
    label: str
    enrolled_by: str
    enrolled_at: datetime
    withdrawn_at: datetime | None


@dataclass(frozen=True, slots=True)
class Keys:
    """What somebody has for a shared tablet."""

    badge: str | None
    badge_made_at: datetime | None
    pin_chosen_at: datetime | None
    wrong_in_a_row: int | None

    @property
    def is_spent(self) -> bool:
        """Say whether the password is needed before the PIN holds again."""
        return (self.wrong_in_a_row or 0) >= PIN_TRIES


def keys_of(session: Session, person_id: int) -> Keys:
    """Return somebody's badge and since when they have a PIN. One statement."""
    row = session.execute(
        select(
            *columns(
                Keys,
                PersonPin,
                badge=Badge.code,
                badge_made_at=Badge.made_at,
                pin_chosen_at=PersonPin.chosen_at,
            )
        )
        .select_from(Person)
        .outerjoin(Badge, (Badge.person_id == Person.id) & Badge.withdrawn_at.is_(None))
        .outerjoin(PersonPin, PersonPin.person_id == Person.id)
        .where(Person.id == person_id)
    ).one()
    return read_as(Keys, row)


def tablets(session: Session) -> list[KnownTablet]:
    """List the tablets, those in use first. One statement."""
    rows = session.execute(
        select(*columns(KnownTablet, Tablet, enrolled_by=Person.name + " (" + Person.login + ")"))
        .join(Person, Person.id == Tablet.enrolled_by_id)
        .order_by(Tablet.withdrawn_at.is_not(None), Tablet.label, Tablet.id)
    )
    return [read_as(KnownTablet, row) for row in rows]


def tablet_of(session: Session, secret: str) -> TabletAtHand | None:
    """Find the tablet whose secret a browser has, unless it was withdrawn. One statement."""
    row = session.execute(
        select(*columns(TabletAtHand, Tablet)).where(
            Tablet.token_sha256 == secret_sha256(secret), Tablet.withdrawn_at.is_(None)
        )
    ).one_or_none()
    return None if row is None else read_as(TabletAtHand, row)


def badges_in_use(session: Session) -> dict[str, str]:
    """Return the codes of the badges in use by login. One statement."""
    rows = session.execute(
        select(Person.login, Badge.code)
        .join(Person, Person.id == Badge.person_id)
        .where(Badge.withdrawn_at.is_(None), Person.active)
    )
    return {row.login: row.code for row in rows}


def bearers(session: Session) -> list[Bearer]:
    """List who may come in with a PIN, by name. One statement."""
    rows = session.execute(
        select(*columns(Bearer, Person))
        .join(PersonPin, PersonPin.person_id == Person.id)
        .where(Person.active)
        .order_by(Person.name, Person.id)
    )
    return [read_as(Bearer, row) for row in rows]


def bearer_of(session: Session, code: str) -> Bearer | None:
    """Find who bears a badge; nobody for one that was withdrawn. One statement."""
    row = session.execute(
        select(*columns(Bearer, Person))
        .join(Badge, Badge.person_id == Person.id)
        .where(Badge.code == code.strip().upper(), Badge.withdrawn_at.is_(None), Person.active)
    ).one_or_none()
    return None if row is None else read_as(Bearer, row)


def word_is_right(session: Session, person_id: int, word: str, tablet_id: int | None) -> bool:
    """Compare what a known person typed: the PIN on a tablet, else the password."""
    if not is_pin(word) or tablet_id is None:
        return password_is_right(session, person_id, word)
    stored = session.scalar(
        select(PersonPin.pin_hash)
        .join(Person, Person.id == PersonPin.person_id)
        .where(PersonPin.person_id == person_id, Person.active)
    )
    return password_matches(Credential(person_id, stored) if stored else None, word)
