"""Signing with the password again: wrong ones count as at signing in, and are limited alike."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from fastapi import Request
from sqlalchemy import Engine

from service.people.changes.people import note_attempt
from service.people.queries.people import failures_since
from service.platform.database import housekeeping, now_utc, reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.settings import Settings


@contextmanager
def signing(request: Request, database: Engine, me: Person, password: str) -> Iterator[None]:
    """Let somebody sign inside; a wrong password is noted, too many of them are refused."""
    settings: Settings = request.app.state.settings
    address = request.client.host if request.client else "unknown"
    since = now_utc() - timedelta(minutes=settings.sign_in_window_minutes)
    with reading(database) as session:
        failures = failures_since(session, me.login, address, since)
    if failures.of_login >= settings.sign_in_attempts:
        raise Refused(
            "password",
            "",
            "too many wrong passwords were tried.",
            f"Wait {settings.sign_in_window_minutes:g} minutes and try again.",
        )
    try:
        yield
    except Refused as refused:
        if refused.field == "password" and password:
            _note(database, me, address, succeeded=False)
        raise
    _note(database, me, address, succeeded=True)


def _note(database: Engine, me: Person, address: str, *, succeeded: bool) -> None:
    with housekeeping(database) as session:
        note_attempt(session, me.login, address, now_utc(), succeeded=succeeded)
