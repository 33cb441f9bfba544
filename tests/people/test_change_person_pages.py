"""A shared tablet: badge, PIN and lock, and what each lets somebody do."""

import html
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.people import tables
from service.people.tables import Entered, SignInSession
from service.platform.database import now_utc
from service.platform.pages.guard import tablet_cookie
from tests import builders

Clients = Callable[..., Any]
PIN, OTHER_PIN = "271828", "314159"


class Bench:
    """An enrolled tablet and people with PINs."""

    def __init__(self, app: Any, signed_in_client: Clients) -> None:
        self.app, self.signed_in_client = app, signed_in_client
        self.tablet = signed_in_client("supervisor", name="Sam Super")
        form = {"label": "bench 2", "password": builders.PASSWORD}
        assert self.tablet.post("/tablets", data=form).status_code == 303

    def somebody(self, *roles: str, pin: str = PIN, name: str = "") -> tuple[str, Any]:
        """The login of somebody with a PIN and badge, and a browser of their own."""
        client = self.signed_in_client(*roles, name=name)
        with Session(self.app.state.engine) as session:
            login = session.get_one(tables.Person, client.person_id).login
        form = {"pin": pin, "pin_again": pin, "pin_password": builders.PASSWORD}
        assert client.post(f"/people/{login}/pin", data=form).status_code == 303
        client.post(f"/people/{login}/badge")
        return login, client

    def enter(self, login: str, pin: str = PIN, **more: str) -> Any:
        return self.tablet.post("/change-person", data={"who": login, "pin": pin, **more})

    def entered(self) -> list[Entered]:
        with Session(self.app.state.engine) as session:
            statement = select(SignInSession.entered).where(
                SignInSession.tablet_id.is_not(None), SignInSession.ended_at.is_(None)
            )
            return list(session.scalars(statement))

    def badge_of(self, client: Any) -> str:
        with Session(self.app.state.engine) as session:
            statement = select(tables.Badge.code).where(
                tables.Badge.person_id == client.person_id, tables.Badge.withdrawn_at.is_(None)
            )
            return str(session.scalars(statement).one())


@pytest.fixture
def bench(app: Any, signed_in_client: Clients) -> Bench:
    """A tablet at the bench."""
    return Bench(app, signed_in_client)


def test_a_pin_changes_the_person_and_leads_back_to_the_same_place(bench: Bench) -> None:
    """The session of before ends."""
    login, _ = bench.somebody("builder", name="Mira Lund")
    before = bench.tablet.cookies["layerbook_session"]

    answer = bench.enter(login, next="/stacks?x=1")

    assert (answer.status_code, answer.headers["location"]) == (303, "/stacks?x=1")
    assert "Mira Lund" in bench.tablet.get("/stacks").text
    assert bench.entered() == [Entered.PIN]
    bench.tablet.cookies.set("layerbook_session", before, domain="testserver.local")
    assert bench.tablet.get("/stacks").status_code == 303


def test_a_pin_enters_but_neither_manages_nor_makes_tokens(bench: Bench) -> None:
    """Whatever roles its person has; the refusal names the password."""
    login, _ = bench.somebody("builder", "quality", "supervisor", "admin")
    bench.enter(login)

    for path, data in {
        "/people/add": {"login": "new", "name": "New"},
        f"/people/{login}/tokens": {"label": "test bench"},
        "/tablets": {"label": "mine", "password": builders.PASSWORD},
        f"/people/{login}/badge": {},
    }.items():
        answer = bench.tablet.post(path, data=data)
        assert answer.status_code == 403, path
        assert "Sign in with your password" in answer.text
    assert bench.tablet.get("/records/new").status_code == 200


def test_a_badge_only_says_who_is_there(bench: Bench) -> None:
    """Its session reads; the PIN stands preset to its bearer."""
    login, theirs = bench.somebody("builder", "supervisor")
    code = bench.badge_of(theirs)

    answer = bench.tablet.post("/change-person", data={"badge": code, "next": "/stacks"})

    assert answer.status_code == 303
    assert bench.entered() == [Entered.BADGE]
    pad = bench.tablet.get(answer.headers["location"]).text
    assert f'value="{login}" checked' in pad
    assert "A badge only says who is at the bench" in bench.tablet.get("/stacks").text
    refused = bench.tablet.post(f"/people/{login}/pin/withdraw")
    assert refused.status_code == 403
    assert "Type your PIN" in refused.text


def test_a_badge_scanned_anywhere_asks_for_the_pin(bench: Bench) -> None:
    """The scan changes nobody by itself."""
    _, theirs = bench.somebody("builder")
    code = bench.badge_of(theirs)

    answer = bench.tablet.get("/scan", params={"text": code.lower()})

    assert answer.headers["location"].startswith(f"/change-person?badge={code}")
    assert bench.entered() == [Entered.PASSWORD], "whoever enrolled it, and nobody else"
    pad = bench.tablet.get(answer.headers["location"])
    assert pad.status_code == 200
    assert " checked" in pad.text


def test_five_wrong_pins_in_a_row_and_the_password_is_needed(bench: Bench) -> None:
    """Even the right PIN, until the next sign-in with the password."""
    login, theirs = bench.somebody("builder")
    for _ in range(5):
        assert "is not the PIN" in bench.enter(login, OTHER_PIN).text

    spent = bench.enter(login)
    assert spent.status_code == 422
    assert "Sign in with the password once" in spent.text

    form = {"login": login, "password": builders.PASSWORD}
    assert theirs.post("/sign-in", data=form).status_code == 303
    assert bench.enter(login).status_code == 303


def test_four_wrong_pins_and_a_right_one_begin_anew(bench: Bench) -> None:
    """In a row, not in all."""
    login, _ = bench.somebody("builder")
    for _ in range(2):
        for _ in range(4):
            bench.enter(login, OTHER_PIN)
        assert bench.enter(login).status_code == 303


def test_too_many_wrong_pins_from_one_tablet_must_wait(bench: Bench) -> None:
    """Whoever's they are."""
    most = bench.app.state.settings.sign_in_attempts_per_address
    login, _ = bench.somebody("builder")
    with Session(bench.app.state.engine) as session:
        tablet_id = session.scalars(select(tables.Tablet.id)).one()
        session.add_all(
            tables.SignInAttempt(
                login="pin of somebody",
                address=f"tablet {tablet_id}",
                at=now_utc(),
                succeeded=False,
            )
            for _ in range(most)
        )
        session.commit()

    assert "oo many wrong PINs" in bench.enter(login).text


def test_a_pin_holds_on_enrolled_tablets_only(bench: Bench, client: Any) -> None:
    """Another browser asks for the password; so does this one once it is withdrawn."""
    login, _ = bench.somebody("builder")
    form = {"who": login, "pin": PIN}

    assert client.post("/change-person", data=form).status_code == 422
    assert "no enrolled tablet" in client.get("/change-person").text
    client.cookies.set(tablet_cookie(bench.app.state.settings), "x" * 43, domain="testserver.local")
    assert client.post("/change-person", data=form).status_code == 422


def test_an_untouched_tablet_locks_and_its_person_unlocks_it(bench: Bench) -> None:
    """By PIN or password, in the same session: forms shown before are still good."""
    login, _ = bench.somebody("builder")
    bench.enter(login)
    token = bench.tablet.form_token()
    for word in (PIN, builders.PASSWORD):
        with Session(bench.app.state.engine) as session:
            session.execute(update(SignInSession).values(seen_at=now_utc() - timedelta(minutes=11)))
            session.commit()

        locked = bench.tablet.get("/stacks?x=1")
        assert locked.headers["location"] == "/unlock?next=/stacks%3Fx%3D1"
        assert bench.tablet.post("/stacks/new", data={}).headers["location"].startswith("/unlock")
        assert bench.tablet.get("/unlock").status_code == 200
        assert bench.tablet.get("/stacks").status_code == 303, "looking at the lock opens nothing"
        wrong = bench.tablet.post("/unlock", data={"word": OTHER_PIN, "next": "/stacks?x=1"})
        right = bench.tablet.post("/unlock", data={"word": word, "next": "/stacks?x=1"})

        assert (wrong.status_code, right.status_code) == (422, 303)
        assert right.headers["location"] == "/stacks?x=1"
        assert bench.tablet.get("/stacks").status_code == 200
        assert bench.tablet.form_token() == token


def test_a_form_sent_while_locked_keeps_its_text_for_its_writer(bench: Bench) -> None:
    """Without script: it waits in the form that unlocks, and is sent by a press after it."""
    login, _ = bench.somebody("quality", name="Quin Moss")
    other, _ = bench.somebody("quality", pin=OTHER_PIN, name="Rhea Dahl")
    bench.enter(login)
    typed = {"name": "Tarn 3", "note": "two\nlines", "password": "never shown"}
    bench.tablet.post("/lock")

    locked = bench.tablet.post("/designs/new?step=1", data=typed)
    kept = hidden(locked.text)
    wrong = bench.tablet.post("/unlock", data=kept | {"word": OTHER_PIN})
    right = bench.tablet.post("/unlock", data=hidden(wrong.text) | {"word": PIN})

    assert (locked.status_code, wrong.status_code, right.status_code) == (401, 422, 200)
    assert "never shown" not in locked.text
    assert kept["kept.note"].splitlines() == ["two", "lines"]
    assert 'action="/designs/new?step=1"' in right.text
    sent = hidden(right.text)
    assert (sent["name"], sent["note"].splitlines()) == ("Tarn 3", ["two", "lines"])
    assert "password" not in sent
    foreign = bench.tablet.post("/unlock", data=kept | {"to": "//elsewhere", "word": PIN})
    assert "elsewhere" not in foreign.text

    bench.tablet.post("/lock")
    bench.tablet.post("/designs/new", data=typed)
    assert bench.enter(other, OTHER_PIN).status_code == 303
    assert "Tarn 3" not in bench.tablet.get("/designs").text
    unsigned = bench.tablet.get("/stacks?state=built&page=1").text
    assert "/change-person?next=/stacks%3Fstate%3Dbuilt%26page%3D1" in unsigned


def hidden(page: str) -> dict[str, str]:
    """What the form of a page that unlocks, or sends, holds without being seen."""
    form = page[page.index("<h1>") :]
    fields = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form))
    words = dict(re.findall(r'<textarea name="([^"]+)" hidden>\n(.*?)</textarea>', form, re.DOTALL))
    return {name: html.unescape(text) for name, text in (fields | words).items()}


def test_a_page_locks_its_session(bench: Bench) -> None:
    """As its script does; somebody else may still come."""
    login, _ = bench.somebody("builder")
    other, _ = bench.somebody("builder", pin=OTHER_PIN)
    bench.enter(login)
    assert 'id="lock"' in bench.tablet.get("/stacks").text

    bench.tablet.post("/lock")

    assert bench.tablet.get("/stacks").headers["location"].startswith("/unlock")
    wrong = bench.tablet.post("/unlock", data={"word": OTHER_PIN})
    assert wrong.status_code == 422, "another one's PIN"
    assert bench.enter(other, OTHER_PIN).status_code == 303
    assert bench.tablet.get("/stacks").status_code == 200


def test_the_session_that_enrolled_a_tablet_locks_there_too(bench: Bench) -> None:
    """Whoever enrols goes away; their password unlocks, since a tablet is nobody's own."""
    assert 'id="lock"' in bench.tablet.get("/stacks").text

    bench.tablet.post("/lock")

    assert bench.tablet.get("/people").headers["location"].startswith("/unlock")
    assert bench.tablet.post("/unlock", data={"word": builders.PASSWORD}).status_code == 303
    assert bench.tablet.get("/people").status_code == 200


def test_what_is_not_locked_says_nothing_of_a_lock(bench: Bench) -> None:
    """Back in the browser's history after unlocking, or an address kept: on to the page."""
    answer = bench.tablet.get("/unlock", params={"next": "/stacks?x=1"})

    assert (answer.status_code, answer.headers["location"]) == (303, "/stacks?x=1")


def test_whoever_has_to_choose_a_password_unlocks_first(bench: Bench) -> None:
    """Neither page leads to the other for ever."""
    form = {"login": "ines", "name": "Ines Falk", "roles": ["builder"], "password": "made by one"}
    assert bench.signed_in_client("admin").post("/people/add", data=form).status_code == 303
    bench.tablet.post("/sign-in", data={"login": "ines", "password": "made by one"})

    bench.tablet.post("/lock")

    assert bench.tablet.get("/people/ines").headers["location"].startswith("/unlock")
    assert "Locked: Ines Falk" in bench.tablet.get("/unlock").text
    assert bench.tablet.post("/unlock", data={"word": "made by one"}).status_code == 303
    assert bench.tablet.get("/stacks").headers["location"] == "/people/ines"
    assert bench.tablet.get("/people/ines").status_code == 200


def test_a_browser_of_ones_own_does_not_lock(bench: Bench) -> None:
    """The lock is the shared tablet's."""
    _, own = bench.somebody("builder")
    own.post("/lock")

    page = own.get("/stacks")

    assert page.status_code == 200
    assert 'id="lock"' not in page.text


def test_a_form_of_one_person_is_not_sent_as_the_next(bench: Bench) -> None:
    """An entry left unsent stays its writer's."""
    first, _ = bench.somebody("builder")
    second, _ = bench.somebody("builder", pin=OTHER_PIN)
    bench.enter(first)
    token = bench.tablet.form_token()
    bench.enter(second, OTHER_PIN)

    answer = bench.tablet.post("/stacks/new", data={"form_token": token, "serial": "X"})

    assert answer.status_code == 403
    assert "another session" in answer.text
