"""A password made by an admin: chosen anew first, confirmed by somebody else, told and shown."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.people.changes.badges import choose_pin, make_badge
from service.people.changes.people import deactivate, make_token, reactivate, set_password
from service.people.queries.badges import keys_of
from service.people.queries.tokens import holder_of
from service.people.tables import ApiToken, PasswordMade, Role
from service.platform.database import changing
from service.platform.permissions import Person
from service.records.tables import Decision
from tests import builders
from tests.bench.at_the_bench import known
from tests.bench.test_approvals_pages import a_record, sign, words

Clients = Callable[..., Any]
MADE, OWN = "made by the admin", "known to one alone"
OWNER = Person(0, "owner", "the machine's owner", frozenset({Role.ADMIN}))


class Entrant:
    """Somebody an admin added as supervisor, in front of their own screen."""

    def __init__(self, admin: Any, client: Any, login: str = "ines") -> None:
        self.admin, self.client, self.login = admin, client, login
        form = {"login": login, "name": "Ines Falk", "roles": ["supervisor"], "password": MADE}
        assert admin.post("/people/add", data=form).status_code == 303

    def sign_in(self, password: str = MADE) -> Any:
        return self.client.post("/sign-in", data={"login": self.login, "password": password})

    def choose(self, old: str = MADE, new: str = OWN) -> Any:
        form = {"old_password": old, "password": new, "password_again": new}
        return self.client.post(f"/people/{self.login}/password", data=form)

    @property
    def code(self) -> str:
        found = re.search(r'<p class="hash">([0-9A-F]{8})</p>', self.page())
        return found.group(1) if found else ""

    def page(self) -> str:
        return str(self.client.get(f"/people/{self.login}").text)

    def confirm(self, by: Any, code: str = "", password: str = builders.PASSWORD) -> Any:
        form = {"code": code or self.code, "confirming_password": password}
        return by.post(f"/people/{self.login}/confirm", data=form)


@pytest.fixture
def entrant(signed_in_client: Clients, new_client: Callable[[], Any]) -> Entrant:
    return Entrant(signed_in_client("admin", name="Dev Marlow"), new_client())


def test_a_password_made_by_an_admin_is_changed_before_anything_else(entrant: Entrant) -> None:
    entrant.sign_in()

    asked = entrant.client.get("/approvals")
    posted = entrant.client.post("/lots/new", data={"label": "G-31"})

    assert (asked.status_code, asked.headers["location"]) == (303, "/people/ines")
    assert posted.headers["location"] == "/people/ines"
    assert "Choose a password of your own first" in entrant.page()
    assert entrant.choose().status_code == 303
    assert entrant.client.get("/approvals").status_code == 200


def test_nothing_is_signed_before_somebody_else_confirms(
    app: Any, entrant: Entrant, signed_in_client: Clients
) -> None:
    record_id = a_record(app)
    entrant.sign_in()
    entrant.choose()

    refused = sign(entrant.client, app, record_id, password=OWN)
    by_maker = entrant.confirm(entrant.admin)
    by_oneself = entrant.confirm(entrant.client, password=OWN)
    confirmed = entrant.confirm(signed_in_client("builder", name="Mira Solberg"))
    signed = sign(entrant.client, app, record_id, password=OWN)

    assert refused.status_code == 403
    assert "somebody else has to confirm you" in refused.text
    assert (by_maker.status_code, by_oneself.status_code) == (403, 403)
    assert (confirmed.status_code, signed.status_code) == (303, 303)
    sheet = words(signed_in_client("builder").get(f"/records/{record_id}/approval"))
    assert re.search(
        r"Password made .* UTC by Dev Marlow \(.*\), confirmed .* by Mira Solberg", sheet
    )
    with Session(app.state.engine) as session:
        (decision,) = session.scalars(select(Decision).where(Decision.record_id == record_id))
        assert (decision.remarks or "").startswith("Password made ")


def test_the_code_stands_only_where_the_password_was_chosen(
    entrant: Entrant, new_client: Callable[[], Any], signed_in_client: Clients
) -> None:
    """Whoever chose it for them, and told them, has another session: no code is shown in theirs."""
    in_disguise = Entrant.__new__(Entrant)
    in_disguise.client, in_disguise.login = new_client(), entrant.login
    in_disguise.sign_in()
    in_disguise.choose(new="told by the admin")
    entrant.sign_in("told by the admin")

    assert entrant.code == ""
    assert "not chosen in this session" in entrant.page()
    entrant.choose("told by the admin")
    assert entrant.code
    assert in_disguise.client.get("/people").status_code == 303
    assert entrant.confirm(signed_in_client("builder"), code="0000 0000").status_code == 422
    assert entrant.confirm(signed_in_client("builder"), password="no").status_code == 422
    assert entrant.confirm(signed_in_client("builder")).status_code == 303


def test_who_waits_themself_confirms_nobody_and_changes_nobody(
    entrant: Entrant, new_client: Callable[[], Any]
) -> None:
    other = {"login": "two", "name": "Second Account", "roles": ["admin"], "password": MADE}
    entrant.admin.post("/people/add", data=other)
    client = new_client()
    client.post("/sign-in", data={"login": "two", "password": MADE})
    client.post(
        "/people/two/password",
        data={"old_password": MADE, "password": OWN, "password_again": OWN},
    )
    entrant.sign_in()
    entrant.choose()

    assert entrant.confirm(client, password=OWN).status_code == 403
    assert client.post("/people/ines/password", data={"password": OWN}).status_code in (403, 422)
    assert client.get("/people/add").status_code == 403


def test_a_reset_is_told_on_every_page_and_asks_for_a_confirmation_again(
    app: Any, signed_in_client: Clients
) -> None:
    record_id = a_record(app)
    admin, olu = signed_in_client("admin"), signed_in_client("supervisor", name="Olu Hart")
    with Session(app.state.engine) as session:
        login = session.get_one(builders.Person, olu.person_id).login
    form = {"password": MADE, "password_again": MADE}
    admin.post(f"/people/{login}/password", data=form)

    olu.post("/sign-in", data={"login": login, "password": MADE})
    olu.post(
        f"/people/{login}/password",
        data={"old_password": MADE, "password": OWN, "password_again": OWN},
    )

    assert "made a password for you" in olu.get("/floor").text
    assert "made a password for you" not in admin.get("/floor").text
    assert sign(olu, app, record_id, password=OWN).status_code == 403


def test_a_token_of_whoever_was_shut_out_does_not_live_again(engine: Engine) -> None:
    """Nor their badge and PIN."""
    with Session(engine) as session:
        mira = known(session, builders.a_person(session, Role.BUILDER))
        builders.a_person(session, Role.ADMIN)
        session.commit()
    with changing(engine, mira) as work:
        secret = make_token(work, mira.id, "test bench 2")
    with changing(engine, mira) as work:
        make_token(work, mira.id, "test bench 3")
    with changing(engine, mira) as work:
        make_badge(work, mira.id)
    with changing(engine, mira) as work:
        choose_pin(work, mira.id, "508213", password=builders.PASSWORD)

    with changing(engine, OWNER) as work:
        deactivate(work, mira.id)
    with changing(engine, OWNER) as work:
        reactivate(work, mira.id)

    with Session(engine) as session:
        assert holder_of(session, secret) is None
        assert all(session.scalars(select(ApiToken.revoked_at)))
        keys = keys_of(session, mira.id)
        assert (keys.badge, keys.pin_chosen_at) == (None, None)
    with changing(engine, mira) as work:
        assert make_token(work, mira.id, "test bench 2")


@pytest.mark.both_engines
@pytest.mark.parametrize("by_command", [False, True])
def test_no_token_made_under_an_unconfirmed_password_outlives_the_next_one(
    engine: Engine, by_command: bool
) -> None:
    """Whoever made that password may have made the token; one of before is the person's own."""
    with Session(engine) as session:
        mira = known(session, builders.a_person(session, Role.QUALITY))
        admin = known(session, builders.a_person(session, Role.ADMIN))
        session.commit()
    with changing(engine, mira) as work:
        before = make_token(work, mira.id, "test bench 2")
    with changing(engine, admin) as work:
        set_password(work, mira.id, MADE)
    with changing(engine, mira) as work:
        between = make_token(work, mira.id, "test bench 3")

    with changing(engine, OWNER if by_command else admin) as work:
        set_password(work, mira.id, "yet another one made")

    with Session(engine) as session:
        assert holder_of(session, between) is None
        assert holder_of(session, before) is not None


@pytest.mark.both_engines
@pytest.mark.parametrize(
    ("values", "why"),
    [
        ("made_by_id = person_id", "made_by_another|never changed"),
        (
            (
                "changed_at = made_at, changed_in = 'x', confirmed_at = made_at,"
                " confirmed_by_id = person_id"
            ),
            "confirmed_by_a_third",
        ),
        (
            (
                "changed_at = made_at, changed_in = 'x', confirmed_at = made_at,"
                " confirmed_by_id = made_by_id"
            ),
            "confirmed_by_a_third",
        ),
        ("confirmed_at = made_at", "chosen_before_confirmed"),
        ("made_by_id = NULL", "never changed"),
    ],
)
def test_the_database_holds_who_made_and_who_confirmed(
    engine: Engine, values: str, why: str
) -> None:
    with Session(engine) as session:
        person, admin = builders.a_person(session), builders.a_person(session, Role.ADMIN)
        session.add(PasswordMade(person_id=person.id, made_by_id=admin.id, made_at=builders.START))
        session.commit()

        with pytest.raises(IntegrityError, match=why):
            session.execute(text(f"UPDATE password_made SET {values}"))  # noqa: S608


def test_an_admin_finds_people_in_the_navigation(signed_in_client: Clients) -> None:
    in_head = '<li><a href="/people"'

    assert in_head in signed_in_client("admin").get("/floor").text
    assert in_head not in signed_in_client("supervisor").get("/floor").text
