"""Who is at a shared tablet: badge, PIN, and the lock.

A badge begins a session that reads; a PIN one that enters and witnesses. Both hold on an enrolled
tablet only. A session there locks when nobody touched it for some minutes: the page is covered,
what was typed stays, and the same person's PIN or password unlocks it.
"""

import secrets
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response

from service.people.changes.badges import lock_session
from service.people.changes.people import begin_session, end_session
from service.people.pages.signatures import signing, trying_pin
from service.people.pages.signing_in import (
    HOME,
    Database,
    Me,
    UnlockPage,
    Unsent,
    browser_of,
    local_page,
    signed_in_answer,
    tablet_at_hand,
    visited,
)
from service.people.queries.badges import Bearer, TabletAtHand, bearer_of, bearers, word_is_right
from service.people.tables import Entered
from service.platform.database import housekeeping, now_utc, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.guard import session_cookie
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need

router = APIRouter()
NOT_YOURS = "this is not the PIN."


@dataclass(frozen=True, slots=True)
class ChangePage:
    """Who may come to this tablet, and who is meant already."""

    form: Form
    next: str
    at_hand: TabletAtHand | None
    people: list[Bearer]
    meant: str


KEPT = "kept."
"""What the names of fields begin with that wait until the tablet is unlocked."""


@router.get("/change-person")
def show(
    request: Request,
    database: Database,
    next: str = HOME,  # noqa: A002
    badge: str = "",
    who: str = "",
) -> Response:
    """Show who may come to this tablet; a badge in the address only names its bearer."""
    form = blank(request)
    tablet = tablet_at_hand(request)
    if badge and tablet:
        with reading(database) as session:
            bearer = bearer_of(session, badge)
        who = bearer.login if bearer else ""
        if bearer is None:
            form.refuse("badge", "this badge says nobody", "Choose the name below.")
    return _change_page(request, database, form, local_page(next), who)


@router.post("/change-person")
def change(request: Request, database: Database, form: Typed) -> Response:
    """Begin the session of whoever typed their PIN; of a badge, one that only reads."""
    next_page, code = local_page(form.raw("next")), form.raw("badge").strip()
    tablet = tablet_at_hand(request)
    with form.collecting_errors():
        if tablet is None:
            raise Refused("pin", "", "this browser is no enrolled tablet.", "Use the password.")
        with reading(database) as session:
            bearers_now = bearers(session)
            bearer = bearer_of(session, code) if code else None
        if code:
            if bearer is None:
                raise Refused("badge", code, "this badge says nobody.", "Choose the name below.")
            return _begun(request, database, bearer, tablet, next_page, Entered.BADGE)
        bearer = next((each for each in bearers_now if each.login == form.raw("who")), None)
        if bearer is None:
            raise Refused("who", form.raw("who"), "choose who you are.", "Or scan your badge.")
        person = Person(bearer.id, bearer.login, bearer.name)
        pin = form.raw("pin")
        with trying_pin(request, database, person, tablet):
            with reading(database) as session:
                right = word_is_right(session, person.id, pin, tablet.id)
            if not right:
                raise Refused("password", "", NOT_YOURS, "Type it once more.")
        return _begun(request, database, bearer, tablet, next_page, Entered.PIN)
    form.move_refusal("password", "pin")
    return _change_page(request, database, form, next_page, form.raw("who"))


@router.get("/unlock")
def show_unlock(request: Request, me: Me, next: str = HOME) -> Response:  # noqa: A002
    """Show the form that unlocks a session which nobody touched."""
    need(me, Act.READ)
    if not request.state.is_locked:
        return go_on(request, local_page(next))
    return page(request, "people/unlock.html", UnlockPage(blank(request), local_page(next)))


@router.post("/unlock")
def unlock(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Unlock with the PIN or password of the same person."""
    need(me, Act.READ)
    next_page, word = local_page(form.raw("next")), form.raw("word")
    unsent = Unsent(
        local_page(form.raw("to")),
        tuple(
            (name.removeprefix(KEPT), text)
            for name, texts in form.typed.items()
            if name.startswith(KEPT)
            for text in texts
        ),
    )
    tablet = tablet_at_hand(request)
    with form.collecting_errors():
        with signing(request, database, me, word):
            with reading(database) as session:
                right = word_is_right(session, me.id, word, tablet.id if tablet else None)
            if not right:
                raise Refused("password", "", "this is not your PIN or password.", "Once more.")
        with housekeeping(database) as session:
            lock_session(session, request.state.session_id, None, seen_at=now_utc())
        if unsent.fields:
            return page(request, "people/unsent.html", UnlockPage(form, next_page, unsent))
        return go_on(request, next_page)
    form.move_refusal("password", "word")
    return page(request, "people/unlock.html", UnlockPage(form, next_page, unsent), form.status)


@router.post("/lock")
def lock(request: Request, me: Me, database: Database) -> Response:
    """Lock the session at hand, as its page does when nobody touched it."""
    need(me, Act.READ)
    if request.state.lock_after_s:
        with housekeeping(database) as session:
            lock_session(session, request.state.session_id, now_utc())
    return go_on(request, "/unlock")


@router.get("/here")
def here(me: Me) -> Response:
    """Hear from a page that somebody is typing there, so that it does not lock."""
    need(me, Act.READ)
    return Response(status_code=204)


def _begun(  # noqa: PLR0917 - a session is all of these
    request: Request,
    database: Database,
    bearer: Bearer,
    tablet: TabletAtHand,
    next_page: str,
    entered: Entered,
) -> Response:
    settings, now = request.app.state.settings, now_utc()
    secret, browser = secrets.token_urlsafe(32), browser_of(request)
    with housekeeping(database) as session:
        if old := request.cookies.get(session_cookie(settings)):
            end_session(session, old, now)
        begin_session(
            session, bearer.id, secret, now, browser, entered=entered, tablet_id=tablet.id
        )
    if entered is Entered.BADGE:
        next_page = f"/change-person?{_query(bearer.login, next_page)}"
    return signed_in_answer(settings, secret, next_page, browser)


def _query(login: str, next_page: str) -> str:
    return urlencode({"who": login, "next": next_page})


def _change_page(
    request: Request, database: Database, form: Form, next_page: str, meant: str
) -> Response:
    tablet = tablet_at_hand(request)
    with reading(database) as session:
        people = bearers(session) if tablet else []
    context = ChangePage(form, next_page, tablet, people, meant)
    return visited(request, "people/change_person.html", context, form.status)
