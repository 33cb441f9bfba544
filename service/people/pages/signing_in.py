"""Signing in and out, and who is signed in.

Sessions live in the database under the hash of a random secret; the browser holds the secret in
an HttpOnly cookie. A fresh secret at each sign-in, an end after hours or idleness, and a limit on
wrong passwords by login and by address. An unknown login takes as long as a wrong password.

    def show(request: Request, me: Me, …)   every page but the public ones asks who it is
"""

import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import Engine

from service.people.changes.badges import forget_tries
from service.people.changes.people import (
    FIRST,
    add_first_person,
    begin_session,
    end_session,
    note_attempt,
    note_seen,
)
from service.people.queries.badges import TabletAtHand, tablet_of
from service.people.queries.passwords import PasswordStanding
from service.people.queries.people import (
    Failures,
    SignedIn,
    anybody_is_known,
    credential_of,
    failures_since,
    password_matches,
    signed_in_with,
)
from service.people.tables import Entered, Role
from service.platform.database import changing, housekeeping, now_utc, reading
from service.platform.errors import Busy, Refused
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.guard import (
    begin_visit,
    browser_cookie,
    session_cookie,
    tablet_cookie,
    visit_cookie,
)
from service.platform.pages.render import page, page_at_hand
from service.platform.permissions import IN_BY, Person
from service.settings import Settings

SEEN_EVERY = timedelta(minutes=1)
TOO_MANY = "too many wrong passwords were tried"
HOME = "/floor"
FIRST_STEPS = "/setup"
OF_THE_LOCK = frozenset({"/lock", "/unlock"})
MORE_ROLES = tuple(role for role in Role if role is not Role.ADMIN)
BROWSER_KNOWN_S = 400 * 24 * 3600
"""As long as browsers keep a cookie."""
BY_ITSELF = "x-by-itself"
"""Header of what a page asks for while nobody touches it: that keeps no session alive."""
router = APIRouter()


@dataclass(frozen=True, slots=True)
class Unsent:
    """What somebody sent to a page while the tablet was locked: nothing of it is taken yet."""

    to: str = ""
    fields: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class UnlockPage:
    """The form that unlocks, and what waits for it."""

    form: Form
    next: str
    unsent: Unsent = Unsent()


class SignInNeeded(Exception):  # noqa: N818 - answered by a way to the sign-in page
    """Nobody is signed in; ``next_page`` is where to go on afterwards."""

    def __init__(self, next_page: str) -> None:
        self.next_page = next_page
        super().__init__("Sign in first.")


class OwnPasswordNeeded(Exception):  # noqa: N818 - answered by a way to one's own page
    """An admin made this password: its person chooses another one on ``page`` before all else."""

    def __init__(self, page: str) -> None:
        self.page = page
        super().__init__("Choose a password of your own first.")


class UnlockNeeded(Exception):  # noqa: N818 - answered by a way to the form that unlocks
    """Nobody touched this tablet for a while; ``next_page`` is where to go on afterwards."""

    def __init__(self, next_page: str) -> None:
        self.next_page = next_page
        super().__init__("Type your PIN or password first.")


def engine_of(request: Request) -> Engine:
    """Give the app's engine."""
    engine: Engine = request.app.state.engine
    return engine


Database = Annotated[Engine, Depends(engine_of)]


def who_is(request: Request) -> Person | None:
    """Find who is signed in, if anybody; each request asks the database once."""
    person: Person | None = getattr(request.state, "me", None)
    if person is not None:
        return person
    settings: Settings = request.app.state.settings
    secret = request.cookies.get(session_cookie(settings))
    if not secret:
        return None
    engine, now = engine_of(request), now_utc()
    longest = timedelta(hours=settings.session_hours)
    idle = timedelta(minutes=settings.session_idle_minutes)
    with reading(engine) as session:
        signed_in = signed_in_with(session, secret, now, longest, idle)
    if signed_in is None:
        return None
    locks = signed_in.tablet_id is not None and signed_in.person.entered is not Entered.BADGE
    lock_after = timedelta(minutes=settings.bench_lock_minutes)
    request.state.session_id = signed_in.session_id
    request.state.lock_after_s = int(lock_after.total_seconds()) if locks else 0
    request.state.is_locked = locks and (
        signed_in.locked_at is not None or now - signed_in.seen_at > lock_after
    )
    if BY_ITSELF not in request.headers and not request.state.is_locked:
        _note_seen(engine, signed_in)
    request.state.me, request.state.password = signed_in.person, signed_in.password
    request.state.told = _told(signed_in, now)
    return signed_in.person


def _told(signed_in: SignedIn, now: datetime) -> tuple[str, ...]:
    """Sentences which stand on every page of somebody."""
    password = signed_in.password.told(now) if signed_in.password else ""
    badge = IN_BY[Entered.BADGE] if signed_in.person.entered is Entered.BADGE else ""
    return tuple(filter(None, [password, signed_in.announced, badge]))


def signed_in(request: Request) -> Person:
    """Give who is signed in, or lead to the sign-in page."""
    person = who_is(request)
    if person is None:
        raise SignInNeeded(page_at_hand(request) or HOME)
    if request.url.path in OF_THE_LOCK:
        return person
    if request.state.is_locked:
        raise UnlockNeeded(page_at_hand(request) or HOME)
    password: PasswordStanding | None = request.state.password
    person_page = f"/people/{person.login}"
    if (
        password
        and password.must_change
        and request.url.path not in (person_page, f"{person_page}/password")
    ):
        raise OwnPasswordNeeded(person_page)
    return person


Me = Annotated[Person, Depends(signed_in)]


@dataclass(frozen=True, slots=True)
class SignInPage:
    """What the sign-in page shows."""

    form: Form
    next: str
    ended: bool = False


@router.get("/sign-in")
def show_sign_in(request: Request, database: Database, next: str = HOME) -> Response:  # noqa: A002
    """Show the sign-in form; on an empty database the form of the first person."""
    me = who_is(request)
    if me and me.entered is Entered.PASSWORD:
        return RedirectResponse(local_page(next), status_code=303)
    with reading(database) as session:
        if not anybody_is_known(session):
            return _first_page(request, blank(request))
    ended = me is None and session_cookie(request.app.state.settings) in request.cookies
    return _sign_in_page(request, SignInPage(blank(request), local_page(next), ended))


@router.post("/sign-in")
def sign_in(request: Request, database: Database, form: Typed) -> Response:
    """Compare the password and begin a session, or say that it is wrong."""
    settings: Settings = request.app.state.settings
    login, password = form.raw("login").strip(), form.raw("password")
    next_page = local_page(form.raw("next"))
    address = _address_of(request)
    now = now_utc()
    since = now - timedelta(minutes=settings.sign_in_window_minutes)
    with reading(database) as session:
        failures = failures_since(session, login, address, since)
        credential = credential_of(session, login)
    if _too_many(failures, settings):
        form.refuse("login", TOO_MANY, _wait(settings))
        return _sign_in_page(request, SignInPage(form, next_page), 429)
    right = password_matches(credential, password)
    secret, browser, tablet = (
        secrets.token_urlsafe(32),
        browser_of(request),
        tablet_at_hand(request),
    )
    with housekeeping(database) as session:
        note_attempt(session, login, address, now, succeeded=right)
        old = request.cookies.get(session_cookie(settings))
        if right and credential:
            if old:
                end_session(session, old, now)
            begin_session(
                session,
                credential.person_id,
                secret,
                now,
                browser,
                tablet_id=tablet.id if tablet else None,
            )
            forget_tries(session, credential.person_id)
    if not right:
        form.refuse("login", "login and password do not belong together", "Type both once more.")
        return _sign_in_page(request, SignInPage(form, next_page), 422)
    return signed_in_answer(settings, secret, next_page, browser)


@router.post("/first-start")
def add_first(request: Request, database: Database, form: Typed) -> Response:
    """Add the first person by the server's one-time code, sign them in and lead them on."""
    secret, now, browser = secrets.token_urlsafe(32), now_utc(), browser_of(request)
    with form.collecting_errors(), signature(request, FIRST, "code"):
        code, login, name = form.text("code"), form.text("login"), form.text("name")
        more, password = form.several("roles", Role), form.raw("password")
        form.check()
        with changing(database, FIRST, now=now) as work:
            person_id = add_first_person(work, code, login, name, more, password=password)
            begin_session(work.session, person_id, secret, now, browser)
        return signed_in_answer(request.app.state.settings, secret, FIRST_STEPS, browser)
    with reading(database) as session:
        is_late = anybody_is_known(session)
    return _first_page(request, form, is_late=is_late)


@router.post("/sign-out")
def sign_out(request: Request, database: Database) -> Response:
    """End this browser's session."""
    settings: Settings = request.app.state.settings
    secret = request.cookies.get(session_cookie(settings))
    if secret:
        with housekeeping(database) as session:
            end_session(session, secret, now_utc())
    response = RedirectResponse("/sign-in", status_code=303)
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    _delete_cookie(response, settings, session_cookie(settings))
    return response


@contextmanager
def signature(request: Request, me: Person, field: str = "password") -> Iterator[None]:
    """Count refusals of the password asked for inside, as signing in does; stop after too many.

    ``with form.collecting_errors(), signature(request, me): with changing(…) as work: approve(…)``
    """
    settings: Settings = request.app.state.settings
    engine, address, now = engine_of(request), _address_of(request), now_utc()
    since = now - timedelta(minutes=settings.sign_in_window_minutes)
    with reading(engine) as session:
        failures = failures_since(session, me.login, address, since)
    if _too_many(failures, settings):
        raise Refused(field, "", TOO_MANY, _wait(settings))
    try:
        yield
    except Refused as refusal:
        if refusal.field == field:
            with housekeeping(engine) as session:
                note_attempt(session, me.login, address, now, succeeded=False)
        raise


def _too_many(failures: Failures, settings: Settings) -> bool:
    return (
        failures.of_login >= settings.sign_in_attempts
        or failures.of_address >= settings.sign_in_attempts_per_address
    )


def _wait(settings: Settings) -> str:
    return f"Wait {settings.sign_in_window_minutes:g} minutes and try again, or ask an admin."


def _address_of(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def local_page(address: str) -> str:
    """Let only a page of this site through as the place to go on to."""
    printable = address.isascii() and address.isprintable()
    if not printable or not address.startswith("/") or address[1:2] in ("/", "\\"):
        return HOME
    return address if not address.startswith("/sign-") else HOME


def _sign_in_page(request: Request, context: SignInPage, status: int = 200) -> Response:
    on_tablet = {"on_tablet": tablet_at_hand(request) is not None}
    content = {"form": context.form, "next": context.next, "ended": context.ended} | on_tablet
    response = visited(request, "people/signing_in/sign_in.html", content, status)
    if status == 429:
        settings: Settings = request.app.state.settings
        response.headers["Retry-After"] = str(int(settings.sign_in_window_minutes * 60))
    return response


def _first_page(request: Request, form: Form, *, is_late: bool = False) -> Response:
    context = {"form": form, "roles": MORE_ROLES, "is_late": is_late}
    return visited(request, "people/signing_in/first_start.html", context, form.status)


def tablet_at_hand(request: Request) -> TabletAtHand | None:
    """Give the enrolled tablet this browser is, if it is one."""
    secret = tablet_secret(request)
    if not secret:
        return None
    with reading(engine_of(request)) as session:
        return tablet_of(session, secret)


def tablet_secret(request: Request) -> str:
    """Give the secret of an enrolled tablet, or nothing."""
    return request.cookies.get(tablet_cookie(request.app.state.settings), "")


def keep_tablet(request: Request, response: Response, secret: str) -> None:
    """Set the cookie of a tablet just enrolled."""
    settings: Settings = request.app.state.settings
    _set_cookie(response, settings, tablet_cookie(settings), secret, BROWSER_KNOWN_S)


def browser_of(request: Request) -> str:
    """Give the random value this browser is known by, or make one; nothing of it is looked at."""
    cookie = request.cookies.get(browser_cookie(request.app.state.settings), "")
    return cookie if 20 <= len(cookie) <= 100 else secrets.token_urlsafe(32)


def signed_in_answer(settings: Settings, secret: str, next_page: str, browser: str) -> Response:
    """Lead on with the cookies of a session just begun."""
    response = RedirectResponse(next_page, status_code=303)
    longest_s = int(settings.session_hours * 3600)
    _set_cookie(response, settings, session_cookie(settings), secret, longest_s)
    _set_cookie(response, settings, browser_cookie(settings), browser, BROWSER_KNOWN_S)
    _delete_cookie(response, settings, visit_cookie(settings))
    return response


def visited(request: Request, template: str, context: object, status: int) -> Response:
    """Render a page for somebody not signed in, whose form is bound to this browser."""
    settings: Settings = request.app.state.settings
    cookies = {session_cookie(settings), visit_cookie(settings)} & set(request.cookies)
    visit = "" if cookies else begin_visit(request)
    response = page(request, template, context, status)
    if visit:
        _set_cookie(response, settings, visit_cookie(settings), visit, None)
    return response


def _note_seen(engine: Engine, signed_in: SignedIn) -> None:
    now = now_utc()
    if now - signed_in.seen_at < SEEN_EVERY:
        return
    with suppress(Busy), housekeeping(engine) as session:  # a busy database must not stop a reader
        note_seen(session, signed_in.session_id, now)


def _set_cookie(
    response: Response, settings: Settings, name: str, value: str, max_age: int | None
) -> None:
    response.set_cookie(
        name,
        value,
        max_age=max_age,
        path="/",
        secure=settings.cookie_secure,
        httponly=True,
        samesite="lax",
    )


def _delete_cookie(response: Response, settings: Settings, name: str) -> None:
    response.delete_cookie(
        name, path="/", secure=settings.cookie_secure, httponly=True, samesite="lax"
    )
