"""Badges and PINs on one's own page, and the tablets on which they hold."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine

from service.people.changes import badges as changes
from service.people.pages.people import find_person, person_page
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me, keep_tablet, tablet_at_hand
from service.people.queries.badges import KnownTablet, TabletAtHand, keys_of, tablets
from service.people.queries.people import KnownPerson
from service.platform.database import changing, reading
from service.platform.drawings.codes import draw_code
from service.platform.errors import NotFound, Refused
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need

router = APIRouter()


@dataclass(frozen=True, slots=True)
class BadgePage:
    """A badge to print."""

    person: KnownPerson
    code: str
    drawing: Markup


@dataclass(frozen=True, slots=True)
class TabletsPage:
    """The shared tablets, and the form that enrols the browser at hand."""

    tablets: list[KnownTablet]
    at_hand: TabletAtHand | None
    form: Form


@router.post("/people/{login}/badge")
def make_badge(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Make one's own badge; the one of before says nobody any more."""
    person = find_person(database, login)
    with changing(database, me, key=form.key) as work:
        work.answer = f"/people/{person.login}/badge"
        changes.make_badge(work, person.id)
    return go_on(request, work.answer)


@router.get("/people/{login}/badge")
def show_badge(request: Request, me: Me, database: Database, login: str) -> Response:
    """Show a badge as it is printed: one's own."""
    need(me, Act.READ)
    person = find_person(database, login)
    with reading(database) as session:
        code = keys_of(session, person.id).badge if person.id == me.id else None
    if code is None:
        raise NotFound("badge", login)
    drawing = Markup(  # noqa: S704 - drawn by us
        draw_code(code, f"Badge of {person.name}: {code}")
    )
    return page(request, "people/badge.html", BadgePage(person, code, drawing))


@router.post("/people/{login}/badge/withdraw")
def withdraw_badge(
    request: Request, me: Me, database: Database, form: Typed, login: str
) -> Response:
    """Withdraw a badge that was lost."""
    person = find_person(database, login)
    with changing(database, me, key=form.key) as work:
        work.answer = f"/people/{person.login}"
        changes.withdraw_badge(work, person.id)
    return go_on(request, work.answer)


@router.post("/people/{login}/pin")
def choose_pin(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Choose one's own PIN, with the password."""
    person = find_person(database, login)
    with form.collecting_errors():
        pin, password = form.raw("pin"), form.raw("pin_password")
        if pin != form.raw("pin_again"):
            raise Refused("pin_again", "", "the two PINs differ.", "Type the new one twice.")
        signing_now = signing(request, database, me, password)
        with signing_now, changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}#bench"
            changes.choose_pin(work, person.id, pin, password=password)
        return go_on(request, work.answer)
    form.move_refusal("password", "pin_password")
    return person_page(request, me, database, login, form)


@router.post("/people/{login}/pin/withdraw")
def withdraw_pin(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Withdraw a PIN."""
    person = find_person(database, login)
    with changing(database, me, key=form.key) as work:
        work.answer = f"/people/{person.login}"
        changes.withdraw_pin(work, person.id)
    return go_on(request, work.answer)


@router.get("/tablets")
def show_tablets(request: Request, me: Me, database: Database) -> Response:
    """List the shared tablets."""
    need(me, Act.READ)
    return _tablets_page(request, database, blank(request))


@router.post("/tablets")
def enrol(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Enrol the browser at hand as a shared tablet, with the password."""
    with form.collecting_errors():
        label, password = form.text("label", most=100), form.raw("password")
        form.check()
        signing_now = signing(request, database, me, password)
        with signing_now, changing(database, me, key=form.key) as work:
            work.answer = "/tablets"
            secret = changes.enrol_tablet(
                work, label, password=password, session_id=request.state.session_id
            )
        response = go_on(request, work.answer)
        keep_tablet(request, response, secret)
        return response
    return _tablets_page(request, database, form)


@router.post("/tablets/{tablet_id}/withdraw")
def withdraw(request: Request, me: Me, database: Database, form: Typed, tablet_id: int) -> Response:
    """Withdraw a tablet; what was entered there by PIN or badge ends."""
    with changing(database, me, key=form.key) as work:
        work.answer = "/tablets"
        changes.withdraw_tablet(work, tablet_id)
    return go_on(request, work.answer)


def _tablets_page(request: Request, database: Engine, form: Form) -> Response:
    with reading(database) as session:
        tablets_listed = tablets(session)
    context = TabletsPage(tablets_listed, tablet_at_hand(request), form)
    return page(request, "people/tablets.html", context, form.status)
