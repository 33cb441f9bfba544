"""People: who is known, their roles, passwords and API tokens."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.changes import people as changes
from service.people.pages.signing_in import Database, Me, signature
from service.people.queries.badges import Keys, keys_of
from service.people.queries.passwords import PasswordStanding, code_of, password_standing
from service.people.queries.people import (
    KnownPerson,
    KnownToken,
    people,
    person_by_login,
    secret_sha256,
    tokens_of,
)
from service.people.queries.role_requests import WaitingRole, roles_waiting
from service.people.tables import Role
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.guard import session_cookie
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, RecordFacts, may, need

router = APIRouter(prefix="/people")


@dataclass(frozen=True, slots=True)
class PeoplePage:
    """Everybody."""

    people: Shown[KnownPerson]


@dataclass(frozen=True, slots=True)
class AddPage:
    """The form for somebody new."""

    form: Form
    roles: tuple[Role, ...] = tuple(Role)


@dataclass(frozen=True, slots=True)
class PersonPage:
    """One person, with the forms one may use; ``secret`` is a token just made, shown once."""

    person: KnownPerson
    tokens: list[KnownToken]
    form: Form
    password: PasswordStanding | None
    code: str
    may_confirm: Answer
    waiting: tuple[WaitingRole, ...]
    keys: Keys | None
    secret: str = ""
    roles: tuple[Role, ...] = tuple(Role)


@router.get("")
def show_people(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List everybody."""
    need(me, Act.READ)
    with reading(database) as session:
        people_listed = people(session, turn_asked(request, query))
    return page(request, "people/list.html", PeoplePage(shown(request, people_listed)))


@router.get("/add")
def show_add(request: Request, me: Me) -> Response:
    """Show the form for somebody new."""
    need(me, Act.PEOPLE_WRITE)
    return page(request, "people/add.html", AddPage(blank(request)))


@router.post("/add")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add somebody."""
    with form.collecting_errors():
        login, name = form.text("login", most=40), form.text("name", most=200)
        roles, password = form.several("roles", Role), form.raw("password")
        mail, like = form.text("mail", required=False, most=200), form.raw("like_name")
        with changing(database, me, key=form.key) as work:
            changes.add_person(work, login, name, roles, password, mail=mail, like_name=like)
            work.answer = f"/people/{login}"
        return go_on(request, work.answer)
    return page(request, "people/add.html", AddPage(form), form.status)


@router.get("/{login}")
def show_person(request: Request, me: Me, database: Database, login: str) -> Response:
    """Show one person."""
    need(me, Act.READ)
    return person_page(request, me, database, login)


@router.post("/{login}/mail")
def change_mail(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Change one's own mail address, or somebody else's as an admin."""
    person = find_person(database, login)
    with form.collecting_errors():
        mail, like = form.text("mail", required=False, most=200), form.raw("like_name")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            changes.change_mail(work, person.id, mail, like_name=like)
        return go_on(request, work.answer)
    return person_page(request, me, database, login, form)


@router.post("/{login}/roles")
def change_roles(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Give somebody other roles."""
    person = find_person(database, login)
    with form.collecting_errors():
        roles = form.several("roles", Role)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            changes.change_roles(work, person.id, roles)
        return go_on(request, work.answer)
    return person_page(request, me, database, login, form)


@router.post("/{login}/active")
def change_active(
    request: Request, me: Me, database: Database, form: Typed, login: str
) -> Response:
    """Shut somebody out, or let them in again."""
    person = find_person(database, login)
    with form.collecting_errors():
        reason = form.text("reason", most=1000)
        change = changes.deactivate if person.active else changes.reactivate
        with changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            change(work, person.id, reason)
        return go_on(request, work.answer)
    return person_page(request, me, database, login, form)


@router.post("/{login}/password")
def set_password(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Set one's own password, or somebody else's as an admin."""
    person = find_person(database, login)
    session_here = request.cookies.get(session_cookie(request.app.state.settings))
    with form.collecting_errors():
        if form.raw("password") != form.raw("password_again"):
            form.refuse("password_again", "The two passwords differ.", "Type the new one twice.")
        signing_now = signature(request, me, "old_password")
        with signing_now, changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            old, new = form.raw("old_password"), form.raw("password")
            changes.set_password(
                work, person.id, new, old, session_here if me.id == person.id else None
            )
        return go_on(request, work.answer)
    return person_page(request, me, database, login, form)


@router.post("/{login}/confirm")
def confirm(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Confirm by the code on their screen that an account is the person it names."""
    person = find_person(database, login)
    with form.collecting_errors():
        code, password = form.text("code", most=40), form.raw("confirming_password")
        form.check()
        signing_now = signature(request, me, "password")
        with signing_now, changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            changes.confirm_person(work, person.id, code=code, password=password)
        return go_on(request, work.answer)
    form.move_refusal("password", "confirming_password")
    return person_page(request, me, database, login, form)


@router.post("/{login}/roles-asked-for/{request_id}")
def decide_role(  # noqa: PLR0917 - FastAPI passes them by name
    request: Request, me: Me, database: Database, form: Typed, login: str, request_id: int
) -> Response:
    """Grant or refuse a role an admin asked for themself."""
    person = find_person(database, login)
    with form.collecting_errors():
        asks = f"deciding_password_{request_id}"
        grant, password = form.raw("decision") == "grant", form.raw(asks)
        signing_now = signature(request, me, "password")
        with signing_now, changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            changes.decide_role(work, request_id, grant=grant, password=password)
        return go_on(request, work.answer)
    form.move_refusal("password", f"deciding_password_{request_id}")
    return person_page(request, me, database, login, form)


@router.post("/{login}/tokens")
def make_token(request: Request, me: Me, database: Database, form: Typed, login: str) -> Response:
    """Make an API token and show its secret this once."""
    person = find_person(database, login)
    with form.collecting_errors():
        label = form.text("label", most=100)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/people/{person.login}"
            secret = changes.make_token(work, person.id, label)
        return person_page(request, me, database, login, secret=secret)
    return person_page(request, me, database, login, form)


@router.post("/{login}/tokens/{token_id}/revoke")
def revoke_token(  # noqa: PLR0917 - FastAPI passes them by name
    request: Request, me: Me, database: Database, form: Typed, login: str, token_id: int
) -> Response:
    """Revoke an API token for good."""
    with changing(database, me, key=form.key) as work:
        work.answer = f"/people/{login}"
        changes.revoke_token(work, token_id)
    return go_on(request, work.answer)


def find_person(database: Engine, login: str) -> KnownPerson:
    """Find one person. Raises NotFound."""
    with reading(database) as session:
        return person_by_login(session, login)


def person_page(
    request: Request,
    me: Me,
    database: Engine,
    login: str,
    form: Form | None = None,
    *,
    secret: str = "",
) -> Response:
    """Show one person, with what was refused in a form."""
    with reading(database) as session:
        person = person_by_login(session, login)
        is_me = person.id == me.id
        keys = keys_of(session, person.id) if is_me or may(me, Act.PEOPLE_WRITE) else None
        tokens = tokens_of(session, person.id) if is_me or may(me, Act.PEOPLE_WRITE) else []
        password = password_standing(session, person.id)
        waiting = roles_waiting(session, person.id)
        code = code_of(session, password) if is_me and password else ""
    session_here = request.cookies.get(session_cookie(request.app.state.settings), "")
    if password is None or password.changed_in != secret_sha256(session_here):
        code = ""
    form = form or blank(
        request, roles=[role.value for role in person.roles], mail=person.mail or ""
    )
    may_confirm = (
        Answer(False, "Nothing is to be confirmed.")
        if is_me or password is None or password.is_confirmed
        else may(me, Act.PERSON_CONFIRM, RecordFacts(written_by=password.made_by_id or 0))
    )
    context = PersonPage(person, tokens, form, password, code, may_confirm, waiting, keys, secret)
    return page(request, "people/show.html", context, form.status)
