"""Badges, PINs and the shared tablets on which they hold.

A badge says who is at the bench and nothing more. A PIN enters and witnesses there; after five
wrong ones in a row the password is needed.
"""

import secrets
from datetime import datetime

from argon2 import PasswordHasher
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.people.arithmetic.pins import LONGEST_PIN, SHORTEST_PIN, is_pin, weakness
from service.people.changes.people import check_confirmed, check_password, random_code
from service.people.queries.badges import PIN_TRIES, tablet_of, word_is_right
from service.people.queries.people import HASHER, secret_sha256
from service.people.tables import Badge, Entered, Person, PersonPin, SignInSession, Tablet
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Act, need

BADGE_PREFIX = "WHO"


def make_badge(work: Work, person_id: int) -> str:
    """Make one's own badge and give its code; the one of before says nobody any more."""
    person = _of_oneself(work, person_id, "badge")
    _withdraw_badge(work, person_id)
    badge = Badge(
        person_id=person_id,
        code=f"{BADGE_PREFIX}-{random_code()}",
        made_at=work.now,
        withdrawn_at=None,
    )
    work.session.add(badge)
    work.session.flush()
    work.note(Event.BADGE_MADE, ("person", person_id, person.name), [("badge", None, badge.id)])
    return badge.code


def withdraw_badge(work: Work, person_id: int) -> None:
    """Withdraw a badge that was lost: its own person, or an admin."""
    person = _own_or_managed(work, person_id)
    badge_id = _withdraw_badge(work, person_id)
    if badge_id is None:
        raise Refused("badge", person.name, "no badge is in use.")
    work.note(
        Event.BADGE_WITHDRAWN, ("person", person_id, person.name), [("badge", badge_id, None)]
    )


def choose_pin(
    work: Work, person_id: int, pin: str, *, password: str, hasher: PasswordHasher = HASHER
) -> None:
    """Choose one's own PIN, with the password; the one of before holds no longer.

    ``hasher`` is another one only for PINs which are no secret, in invented histories.
    """
    person = _of_oneself(work, person_id, "PIN")
    pin = pin.strip()
    if not is_pin(pin):
        raise Refused(
            "pin", "", "this is no PIN.", f"Right would be {SHORTEST_PIN} to {LONGEST_PIN} digits."
        )
    if why := weakness(pin):
        raise Refused("pin", "", f"it {why}", "Choose digits nobody tries first.")
    check_password(work, password)
    row = work.session.get(PersonPin, person_id)
    if row is None:
        row = PersonPin(person_id=person_id)
        work.session.add(row)
    row.pin_hash, row.chosen_at, row.wrong_in_a_row = hasher.hash(pin), work.now, 0
    work.session.flush()
    work.note(Event.PIN_CHOSEN, ("person", person_id, person.name))


def withdraw_pin(work: Work, person_id: int) -> None:
    """Withdraw a PIN: its own person, or an admin."""
    person = _own_or_managed(work, person_id)
    row = work.session.get(PersonPin, person_id)
    if row is None:
        raise Refused("pin", person.name, "no PIN is chosen.")
    work.session.delete(row)
    work.session.flush()
    work.note(Event.PIN_WITHDRAWN, ("person", person_id, person.name))


def enrol_tablet(work: Work, label: str, *, password: str, session_id: int | None = None) -> str:
    """Enrol the browser at hand as a shared tablet; the secret returned belongs in its cookie.

    Only the hash of the secret is kept: 256 random bits. The session at hand is on the tablet from
    now on, so that it locks there like any other.
    """
    need(work.by, Act.TABLET_WRITE)
    work.refuse_nobody("enrolled by", "a tablet is enrolled by a person.")
    label = label.strip()
    if not 1 <= len(label) <= 100:
        raise Refused("label", label, "a name of 1 to 100 signs is needed", "Such as bench 2.")
    check_password(work, password)
    secret = secrets.token_urlsafe(32)
    tablet = Tablet(
        label=label,
        token_sha256=secret_sha256(secret),
        enrolled_by_id=work.by.id,
        enrolled_at=work.now,
        withdrawn_at=None,
    )
    work.session.add(tablet)
    work.session.flush()
    work.session.execute(
        update(SignInSession)
        .where(SignInSession.id == session_id, SignInSession.person_id == work.by.id)
        .values(tablet_id=tablet.id)
    )
    work.note(Event.TABLET_ENROLLED, ("tablet", tablet.id, label), [("label", None, label)])
    return secret


def withdraw_tablet(work: Work, tablet_id: int) -> None:
    """Withdraw a tablet for good; what was entered there by PIN or badge ends at once."""
    need(work.by, Act.TABLET_WRITE)
    tablet = work.locked(Tablet, tablet_id, "tablet")
    if tablet.withdrawn_at is not None:
        raise Refused("tablet", tablet.label, "was withdrawn before.")
    tablet.withdrawn_at = work.now
    work.session.execute(
        update(SignInSession)
        .where(
            SignInSession.tablet_id == tablet_id,
            SignInSession.ended_at.is_(None),
            SignInSession.entered != Entered.PASSWORD,
        )
        .values(ended_at=work.now)
    )
    work.note(
        Event.TABLET_WITHDRAWN, ("tablet", tablet_id, tablet.label), [("withdrawn", False, True)]
    )


def check_word(work: Work, word: str, tablet: str) -> None:
    """Ask for a person's own PIN or password again, as a witness gives it.

    The PIN counts where the browser is an enrolled tablet, whose secret is given. Raises Refused.
    """
    if not is_pin(word):
        check_password(work, word)
        return
    enrolled = tablet_of(work.session, tablet)
    if enrolled is None:
        raise Refused(
            "password",
            "",
            "a PIN counts on an enrolled tablet only; nothing was confirmed.",
            "Type the password.",
        )
    check_confirmed(work)
    if not word_is_right(work.session, work.by.id, word, enrolled.id):
        raise Refused(
            "password", "", "this is not your PIN; nothing was confirmed.", "Type it once more."
        )


# Tries, and the lock of a session: housekeeping outside the trail.


def begin_try(session: Session, person_id: int) -> bool:
    """Count a try before the PIN is compared, so that many at once are counted too.

    False where five in a row were wrong, or no PIN is chosen: the password is needed then.
    """
    counted = session.execute(
        update(PersonPin)
        .where(PersonPin.person_id == person_id, PersonPin.wrong_in_a_row < PIN_TRIES)
        .values(wrong_in_a_row=PersonPin.wrong_in_a_row + 1)
        .returning(PersonPin.person_id)
    )
    return counted.one_or_none() is not None


def take_back_try(session: Session, person_id: int) -> None:
    """Count a try no longer that ended before the PIN was compared."""
    session.execute(
        update(PersonPin)
        .where(PersonPin.person_id == person_id, PersonPin.wrong_in_a_row > 0)
        .values(wrong_in_a_row=PersonPin.wrong_in_a_row - 1)
    )


def forget_tries(session: Session, person_id: int) -> None:
    """Begin to count anew, after a right PIN or a sign-in with the password."""
    session.execute(
        update(PersonPin).where(PersonPin.person_id == person_id).values(wrong_in_a_row=0)
    )


def lock_session(
    session: Session, session_id: int, now: datetime | None, seen_at: datetime | None = None
) -> None:
    """Lock a session until its person types PIN or password again; None unlocks it."""
    values = {"locked_at": now} | ({"seen_at": seen_at} if seen_at else {})
    session.execute(update(SignInSession).where(SignInSession.id == session_id).values(**values))


def _of_oneself(work: Work, person_id: int, subject: str) -> Person:
    need(work.by, Act.BADGE_WRITE)
    if work.by.id != person_id:
        raise NotAllowed(Act.BADGE_WRITE.value, f"Everybody chooses their own {subject}.")
    return work.row(Person, person_id, "person")


def _own_or_managed(work: Work, person_id: int) -> Person:
    need(work.by, Act.BADGE_WRITE if work.by.id == person_id else Act.PEOPLE_WRITE)
    return work.row(Person, person_id, "person")


def _withdraw_badge(work: Work, person_id: int) -> int | None:
    badge = work.session.scalar(
        select(Badge).where(Badge.person_id == person_id, Badge.withdrawn_at.is_(None))
    )
    if badge is None:
        return None
    badge.withdrawn_at = work.now
    work.session.flush()
    return badge.id
