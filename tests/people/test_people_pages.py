"""The pages of people: who may add whom, and what everybody may do for themselves."""

from collections.abc import Callable
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import ApiToken
from tests import builders

NEW = {
    "login": "ines",
    "name": "Ines Invented",
    "roles": ["builder", "quality"],
    "password": "several words here",
}


def login_of(client: Any) -> str:
    """Read the login out of the head line."""
    return str(client.get("/people").text.split('href="/people/')[1].split('"')[0])


def test_an_admin_adds_somebody_who_can_sign_in(
    signed_in_client: Callable[..., Any], new_client: Callable[[], Any]
) -> None:
    """From the form to their first page."""
    answer = signed_in_client("admin").post("/people/add", data=NEW)
    theirs = new_client()
    theirs.post("/sign-in", data={"login": "Ines", "password": NEW["password"]})

    assert (answer.status_code, answer.headers["location"]) == (303, "/people/ines")
    assert "builder, quality" in theirs.get("/people/ines").text


def test_only_an_admin_adds_people(signed_in_client: Callable[..., Any]) -> None:
    """Neither the page nor the post is open to others."""
    client = signed_in_client("supervisor")

    assert client.get("/people/add").status_code == 403
    assert client.post("/people/add", data=NEW).status_code == 403
    assert "/people/add" not in client.get("/people").text


def test_a_refused_form_keeps_what_was_typed(signed_in_client: Callable[..., Any]) -> None:
    """Each field with its own reason; the password is not sent back."""
    client = signed_in_client("admin")

    answer = client.post("/people/add", data={**NEW, "login": "i n e s", "roles": ["builder"]})

    assert answer.status_code == 422
    assert "“i n e s” is not a login" in answer.text
    assert 'value="Ines Invented"' in answer.text
    assert 'value="builder" checked' in answer.text
    assert NEW["password"] not in answer.text


def test_the_same_form_sent_twice_adds_one_person(signed_in_client: Callable[..., Any]) -> None:
    """A flaky network repeats it; the second gets the first answer."""
    client = signed_in_client("admin")
    form = {**NEW, "entry_key": "one-time"}

    first, second = client.post("/people/add", data=form), client.post("/people/add", data=form)

    assert first.headers["location"] == second.headers["location"] == "/people/ines"
    assert client.get("/people").text.count("Ines Invented") == 1


def test_somebody_sets_their_own_password_with_the_old_one(
    signed_in_client: Callable[..., Any], new_client: Callable[[], Any]
) -> None:
    """Their other browsers are signed out, this one stays."""
    client, other = signed_in_client("builder"), new_client()
    login = login_of(client)
    other.post("/sign-in", data={"login": login, "password": builders.PASSWORD})
    form = {"password": "a fresh pass phrase", "password_again": "a fresh pass phrase"}

    wrong = client.post(f"/people/{login}/password", data={**form, "old_password": "no"})
    differs = client.post(
        f"/people/{login}/password", data={**form, "password_again": "x", "old_password": "no"}
    )
    right = client.post(
        f"/people/{login}/password", data={**form, "old_password": builders.PASSWORD}
    )

    assert (wrong.status_code, differs.status_code, right.status_code) == (422, 422, 303)
    assert client.get("/people").status_code == 200
    assert other.get("/people").status_code == 303


def test_guessing_the_present_password_is_held_up(signed_in_client: Callable[..., Any]) -> None:
    """Somebody at an open browser gets as few tries as at the sign-in page."""
    client = signed_in_client("builder")
    at = f"/people/{login_of(client)}/password"
    form = {"password": "a fresh pass phrase", "password_again": "a fresh pass phrase"}

    for _ in range(client.app.state.settings.sign_in_attempts):
        assert "not your present" in client.post(at, data={**form, "old_password": "no"}).text
    held = client.post(at, data={**form, "old_password": builders.PASSWORD})

    assert held.status_code == 422
    assert "Too many wrong passwords" in held.text


def test_nobody_sets_another_ones_password_but_an_admin(
    signed_in_client: Callable[..., Any],
) -> None:
    """A supervisor neither."""
    victim = login_of(signed_in_client("builder"))
    form = {"password": "a fresh pass phrase", "password_again": "a fresh pass phrase"}

    supervisor = signed_in_client("supervisor").post(f"/people/{victim}/password", data=form)
    admin = signed_in_client("admin").post(f"/people/{victim}/password", data=form)

    assert (supervisor.status_code, admin.status_code) == (403, 303)


def test_a_token_is_shown_once_and_kept_as_a_hash(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    """And revoked for good."""
    client = signed_in_client("builder")
    at = f"/people/{login_of(client)}"

    made = client.post(f"{at}/tokens", data={"label": "test bench 2"})
    secret = made.text.split('<p class="hash">')[1].split("<")[0]

    assert secret.startswith("layerbook_")
    assert secret not in client.get(at).text
    with Session(app.state.engine) as session:
        token_id, kept = session.execute(select(ApiToken.id, ApiToken.token_sha256)).one()
    assert secret not in kept
    assert client.post(f"{at}/tokens/{token_id}/revoke").status_code == 303
    assert "revoked" in client.get(at).text


def test_nobody_revokes_another_ones_token(signed_in_client: Callable[..., Any]) -> None:
    """Nor makes one in their name; an admin may revoke, but not make."""
    owner, other, admin = (signed_in_client(role) for role in ("builder", "quality", "admin"))
    at = f"/people/{login_of(owner)}"
    owner.post(f"{at}/tokens", data={"label": "test bench 2"})

    assert other.post(f"{at}/tokens", data={"label": "mine"}).status_code == 403
    assert other.post(f"{at}/tokens/1/revoke").status_code == 403
    assert admin.post(f"{at}/tokens", data={"label": "mine"}).status_code == 403
    assert admin.post(f"{at}/tokens/1/revoke").status_code == 303
    assert admin.post(f"{at}/tokens/99999/revoke").status_code == 404


def test_the_list_takes_the_same_statements_for_many_people(
    app: Any, signed_in_client: Callable[..., Any], statements: Callable[[], Any]
) -> None:
    """One for the session, one for the list."""
    client = signed_in_client("admin")
    with statements() as few:
        client.get("/people")
    with Session(app.state.engine) as session:
        for _ in range(30):
            builders.a_person(session, "builder", "quality")
        session.commit()

    with statements() as many:
        client.get("/people")

    assert len(few) == len(many) == 2
