"""Signing in and out: who gets in, for how long, and what is given away."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.people.changes.people import deactivate
from service.people.pages import signing_in
from service.people.pages.signing_in import local_page
from service.people.tables import Role, SignInAttempt, SignInSession
from service.platform.database import changing, now_utc
from service.platform.permissions import Person
from tests import builders

OWNER = Person(0, "", "command line", frozenset({Role.ADMIN}))


@pytest.fixture
def login(app: Any) -> str:
    """The login of somebody known."""
    with Session(app.state.engine) as session:
        person = builders.a_person(session, "builder", name="Ilse at work")
        session.commit()
        return str(person.login)


def try_to_sign_in(client: Any, login: str, password: str = builders.PASSWORD, **more: str) -> Any:
    """Post the sign-in form."""
    return client.post("/sign-in", data={"login": login, "password": password, **more})


def shift_sessions(app: Any, **columns: Any) -> None:
    """Set columns of all sessions, as time does."""
    with Session(app.state.engine) as session:
        session.execute(update(SignInSession).values(**columns))
        session.commit()


def test_somebody_known_signs_in_and_out(client: Any, login: str) -> None:
    """The whole way there and back."""
    assert client.get("/people").headers["location"] == "/sign-in?next=/people"

    answer = try_to_sign_in(client, f" {login.upper()} ", next="/people")

    assert (answer.status_code, answer.headers["location"]) == (303, "/people")
    assert "Ilse at work" in client.get("/people").text
    assert client.post("/sign-out").status_code == 303
    assert client.get("/people").status_code == 303


def test_the_cookie_is_out_of_scripts_reach(client: Any, login: str) -> None:
    """HttpOnly, SameSite, and the database keeps only a hash of it."""
    cookie = next(
        line
        for line in try_to_sign_in(client, login).headers.get_list("set-cookie")
        if line.startswith("layerbook_session=")
    )

    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    secret = cookie.split("=")[1].split(";")[0]
    with Session(client.app.state.engine) as session:
        kept = session.scalars(select(SignInSession.token_sha256)).one()
    assert secret not in kept


def test_each_sign_in_gets_a_fresh_secret_and_ends_the_old_session(client: Any, login: str) -> None:
    """A secret planted before signing in opens nothing."""
    client.cookies.set("layerbook_session", "planted", domain="testserver.local")
    try_to_sign_in(client, login)

    first = client.cookies["layerbook_session"]
    try_to_sign_in(client, login)

    assert "planted" not in (first, client.cookies["layerbook_session"])
    client.cookies.clear()
    client.cookies.set("layerbook_session", first)
    assert client.get("/people").status_code == 303


def test_a_wrong_password_and_an_unknown_login_get_the_same_answer(client: Any, login: str) -> None:
    """Nobody learns which logins exist."""
    wrong = try_to_sign_in(client, login, "not the password")
    unknown = try_to_sign_in(client, "nobody.at.all", "not the password")

    assert wrong.status_code == unknown.status_code == 422
    assert wrong.text.replace(login, "…") == unknown.text.replace("nobody.at.all", "…")
    assert f'value="{login}"' in wrong.text
    assert "not the password" not in wrong.text


def test_an_unknown_login_costs_a_hash_too(client: Any, login: str, monkeypatch: Any) -> None:
    """The time of the answer gives nothing away."""
    compared = []
    compare = signing_in.password_matches
    monkeypatch.setattr(
        signing_in, "password_matches", lambda *given: compared.append(given) or compare(*given)
    )

    try_to_sign_in(client, "nobody.at.all", "whatever it is")

    assert compared == [(None, "whatever it is")]


def test_too_many_wrong_passwords_of_one_login_must_wait(client: Any, login: str) -> None:
    """Even the right one, until the window has passed; others are not held up."""
    for _ in range(client.app.state.settings.sign_in_attempts):
        assert try_to_sign_in(client, login, "not the password").status_code == 422

    held = try_to_sign_in(client, login)

    assert held.status_code == 429
    assert int(held.headers["retry-after"]) == 15 * 60
    with Session(client.app.state.engine) as session:
        session.execute(update(SignInAttempt).values(at=now_utc() - timedelta(minutes=16)))
        session.commit()
    assert try_to_sign_in(client, login).status_code == 303


def test_a_right_password_clears_the_login(client: Any, login: str) -> None:
    """Four typing mistakes a day do not add up."""
    most = client.app.state.settings.sign_in_attempts
    for _ in range(2):
        for _ in range(most - 1):
            try_to_sign_in(client, login, "not the password")
        assert try_to_sign_in(client, login).status_code == 303


def test_one_address_cannot_try_many_logins(client: Any, login: str) -> None:
    """The limit of an address holds over all logins."""
    most = client.app.state.settings.sign_in_attempts_per_address
    with Session(client.app.state.engine) as session:
        session.add_all(
            SignInAttempt(login=f"a{n}", address="testclient", at=now_utc(), succeeded=False)
            for n in range(most)
        )
        session.commit()

    assert try_to_sign_in(client, login).status_code == 429


@pytest.mark.parametrize(("column", "ago"), [("begun_at", 12.1), ("seen_at", 2.1)])
def test_a_session_ends_with_age_and_idleness(
    app: Any, signed_in_client: Callable[..., Any], column: str, ago: float
) -> None:
    """12 hours at most, 2 hours idle."""
    client = signed_in_client("builder")
    assert client.get("/people").status_code == 200

    shift_sessions(app, **{column: now_utc() - timedelta(hours=ago)})

    assert client.get("/people").status_code == 303
    assert "not signed in any more" in client.get("/sign-in").text


def test_using_a_session_keeps_it_from_being_idle(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    """Noted at most once a minute."""
    client = signed_in_client("builder")
    shift_sessions(app, seen_at=now_utc() - timedelta(minutes=100))

    client.get("/people")

    with Session(app.state.engine) as session:
        seen_at = session.scalars(select(SignInSession.seen_at)).one()
    assert now_utc() - seen_at < timedelta(minutes=1)


def test_somebody_shut_out_is_out_at_once(app: Any, signed_in_client: Callable[..., Any]) -> None:
    """In every browser."""
    client = signed_in_client("builder")

    with changing(app.state.engine, OWNER) as work:
        deactivate(work, client.person_id, "left the laboratory")

    assert client.get("/people").status_code == 303


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ("/parts?text=A%201", "/parts?text=A%201"),
        ("//elsewhere.example", "/floor"),
        ("/\\elsewhere.example", "/floor"),
        ("https://elsewhere.example", "/floor"),
        ("/a\r\nset-cookie: x", "/floor"),
        ("/sign-out", "/floor"),
        ("", "/floor"),
    ],
)
def test_going_on_stays_on_this_site(asked: str, given: str) -> None:
    """No open redirect."""
    assert local_page(asked) == given


def test_htmx_is_led_to_the_sign_in_page_too(client: Any, login: str) -> None:
    """Not a sign-in page inside a part."""
    answer = client.get("/people", headers={"hx-request": "true"})

    assert answer.status_code == 401
    assert answer.headers["hx-redirect"] == "/sign-in?next=/people"
