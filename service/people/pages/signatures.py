"""Signing and witnessing with password or PIN: wrong ones are counted, and are limited.

Wrong passwords count as at signing in. A PIN counts on an enrolled tablet only: after five wrong
ones in a row the password is needed, and too many from one tablet must wait, whoever's they are.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from fastapi import Request
from sqlalchemy import Engine

from service.people.arithmetic.pins import is_pin
from service.people.changes.badges import begin_try, forget_tries, take_back_try
from service.people.changes.people import note_attempt
from service.people.pages.signing_in import tablet_at_hand
from service.people.queries.badges import TabletAtHand
from service.people.queries.people import failures_since
from service.platform.database import housekeeping, now_utc, reading
from service.platform.errors import LayerbookError, Refused
from service.platform.permissions import Person
from service.settings import Settings


@contextmanager
def signing(request: Request, database: Engine, me: Person, password: str) -> Iterator[None]:
    """Let somebody sign inside; a wrong password or PIN is noted, too many of them are refused."""
    tablet = tablet_at_hand(request) if is_pin(password) else None
    if tablet is not None:
        with trying_pin(request, database, me, tablet):
            yield
        return
    settings: Settings = request.app.state.settings
    address = request.client.host if request.client else "unknown"
    since = now_utc() - timedelta(minutes=settings.sign_in_window_minutes)
    with reading(database) as session:
        failures = failures_since(session, me.login, address, since)
    if failures.of_login >= settings.sign_in_attempts:
        raise _too_many("passwords", settings)
    try:
        yield
    except Refused as refused:
        if refused.field == "password" and password:
            _note(database, me.login, address, succeeded=False)
        raise
    _note(database, me.login, address, succeeded=True)


@contextmanager
def trying_pin(
    request: Request, database: Engine, person: Person, tablet: TabletAtHand
) -> Iterator[None]:
    """Let somebody try a PIN inside; the try counts before the PIN is compared."""
    settings: Settings = request.app.state.settings
    login, address = f"PIN of {person.login}", f"tablet {tablet.id}"
    since = now_utc() - timedelta(minutes=settings.sign_in_window_minutes)
    with reading(database) as session:
        failures = failures_since(session, login, address, since)
    if failures.of_address >= settings.sign_in_attempts_per_address:
        raise _too_many("PINs", settings)
    with housekeeping(database) as session:
        counted = begin_try(session, person.id)
    if not counted:
        raise Refused(
            "password",
            "",
            "no PIN holds here: none was chosen, or five in a row were wrong.",
            "Sign in with the password once.",
        )
    try:
        yield
    except Refused as refused:
        if refused.field == "password":
            _note(database, login, address, succeeded=False)
        else:
            _take_back(database, person)
        raise
    except LayerbookError:
        _take_back(database, person)
        raise
    with housekeeping(database) as session:
        forget_tries(session, person.id)
    _note(database, login, address, succeeded=True)


def _take_back(database: Engine, person: Person) -> None:
    with housekeeping(database) as session:
        take_back_try(session, person.id)


def _too_many(place: str, settings: Settings) -> Refused:
    wait = f"Wait {settings.sign_in_window_minutes:g} minutes and try again."
    return Refused("password", "", f"too many wrong {place} were tried.", wait)


def _note(database: Engine, login: str, address: str, *, succeeded: bool) -> None:
    with housekeeping(database) as session:
        note_attempt(session, login, address, now_utc(), succeeded=succeeded)
