"""Sign-in sessions and attempts: housekeeping outside the trail (``database.tending``)."""

from datetime import datetime, timedelta

from sqlalchemy import delete, update
from sqlalchemy.orm import Session

from service.people.queries.signing_in import secret_sha256
from service.people.tables import SignInAttempt, SignInSession

ATTEMPTS_KEPT = timedelta(days=30)
SESSIONS_KEPT = timedelta(days=90)


def begin_session(session: Session, person_id: int, secret: str, now: datetime) -> None:
    """Begin a session under a fresh secret, and clear away what is long over."""
    session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - ATTEMPTS_KEPT))
    session.execute(delete(SignInSession).where(SignInSession.seen_at < now - SESSIONS_KEPT))
    session.add(
        SignInSession(
            token_sha256=secret_sha256(secret),
            person_id=person_id,
            begun_at=now,
            seen_at=now,
            ended_at=None,
        )
    )


def note_seen(session: Session, session_id: int, now: datetime) -> None:
    """Note that a session was used."""
    session.execute(update(SignInSession).where(SignInSession.id == session_id).values(seen_at=now))


def end_session(session: Session, secret: str, now: datetime) -> None:
    """End the session of one browser."""
    session.execute(
        update(SignInSession)
        .where(
            SignInSession.token_sha256 == secret_sha256(secret), SignInSession.ended_at.is_(None)
        )
        .values(ended_at=now)
    )


def end_sessions_of(
    session: Session, person_id: int, now: datetime, but_secret: str | None = None
) -> None:
    """End all sessions of a person, but the one at hand."""
    ending = update(SignInSession).where(
        SignInSession.person_id == person_id, SignInSession.ended_at.is_(None)
    )
    if but_secret:
        ending = ending.where(SignInSession.token_sha256 != secret_sha256(but_secret))
    session.execute(ending.values(ended_at=now))


def note_attempt(
    session: Session, login: str, address: str, now: datetime, *, succeeded: bool
) -> None:
    """Note an attempt to sign in, for throttling."""
    session.add(
        SignInAttempt(
            login=login.strip().lower()[:200],
            address=address[:200],
            at=now,
            succeeded=succeeded,
        )
    )
