"""The first person: added by whoever reads the server's terminal, and by nobody else."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from service.people.changes.people import FIRST, add_first_person, make_first_code
from service.people.tables import FirstCode, Person, PersonRole, SignInAttempt
from service.platform.database import changing, housekeeping, now_utc
from service.platform.errors import Refused
from service.platform.tables import AuditEntry
from tests import builders

ANNA = {"login": "anna", "name": "Anna Erste", "password": "dry gas in the morning"}


@pytest.fixture
def code(app: Any) -> str:
    """The code an empty server printed as it started."""
    with housekeeping(app.state.engine) as session:
        return make_first_code(session, now_utc())


def begin(client: Any, code: str, **more: Any) -> Any:
    """Open the page and send its form."""
    client.get("/sign-in")
    return client.post("/first-start", data={"code": code, **ANNA, **more})


def people(client: Any) -> int:
    """How many are known."""
    with Session(client.app.state.engine) as session:
        return session.scalar(select(func.count()).select_from(Person)) or 0


def test_whoever_has_the_code_becomes_the_first_admin_and_is_signed_in(
    client: Any, code: str
) -> None:
    """Typed in small letters without hyphens too; the trail says by what right."""
    answer = begin(client, code.lower().replace("-", " "), roles=["quality"])

    assert (answer.status_code, answer.headers["location"]) == (303, "/setup")
    assert "Anna Erste" in client.get("/people").text
    with Session(client.app.state.engine) as session:
        assert set(session.scalars(select(PersonRole.role))) == {"admin", "quality"}
        entry = session.scalars(select(AuditEntry)).one()
    assert (entry.act, entry.person_name) == ("person:added", "one-time code")


def test_the_page_is_open_to_nobody_without_the_code(client: Any, code: str) -> None:
    """A wrong code adds nobody, keeps what was typed and shows no password."""
    answer = begin(client, "ABCD-EFGH-JKMN")

    assert answer.status_code == 422
    assert "This is not the code" in answer.text
    assert 'value="Anna Erste"' in answer.text
    assert ANNA["password"] not in answer.text
    assert people(client) == 0


def test_without_a_form_of_this_browser_nothing_is_taken(client: Any, code: str) -> None:
    """The code alone, sent from another site, is not enough."""
    answer = client.request(
        "POST", "/first-start", data={"code": code, **ANNA, "form_token": "another's"}
    )

    assert answer.status_code == 403
    assert people(client) == 0


def test_the_code_holds_once(client: Any, code: str) -> None:
    """The second who brings it is told to sign in."""
    begin(client, code)
    client.cookies.clear()
    with Session(client.app.state.engine) as session:
        builders.a_person(session, "builder")
        session.commit()

    client.get("/sign-in")
    answer = client.post("/first-start", data={"code": code, **ANNA, "login": "berta"})

    assert answer.status_code == 422
    assert "Somebody is known here already" in answer.text
    assert 'href="/sign-in">Sign in</a>' in answer.text
    assert "Nobody is known" not in answer.text
    assert people(client) == 2


def test_the_code_expires(client: Any, code: str) -> None:
    """After an hour the server has to be started again, which makes the former void."""
    past = now_utc() - timedelta(hours=2)
    with Session(client.app.state.engine) as session:
        session.execute(
            update(FirstCode).values(made_at=past, expires_at=past + timedelta(hours=1))
        )
        session.commit()

    assert "The code has expired" in begin(client, code).text

    with housekeeping(client.app.state.engine) as session:
        newer = make_first_code(session, now_utc())
    assert "This is not the code" in begin(client, code).text
    assert begin(client, newer).status_code == 303


def test_a_code_cannot_be_found_by_trying(client: Any, code: str) -> None:
    """After a few wrong ones even the right one has to wait."""
    for _ in range(client.app.state.settings.sign_in_attempts):
        begin(client, "ABCD-EFGH-JKMN")

    assert "Too many wrong passwords were tried" in begin(client, code).text
    with Session(client.app.state.engine) as session:
        session.execute(update(SignInAttempt).values(at=now_utc() - timedelta(minutes=16)))
        session.commit()
    assert begin(client, code).status_code == 303


def test_an_empty_form_is_answered_field_by_field(client: Any, code: str) -> None:
    """And does not count as a wrong code."""
    answer = begin(client, "", login="", name="", password="")

    assert answer.status_code == 422
    for field in ("code", "login", "name"):
        assert f'id="wrong-{field}"' in answer.text
    assert 'id="wrong-password"' in begin(client, code, password="").text
    with Session(client.app.state.engine) as session:
        assert session.scalar(select(func.count()).select_from(SignInAttempt)) == 0


def test_once_somebody_is_known_no_page_speaks_of_a_code(client: Any, code: str) -> None:
    """The sign-in page is what everybody meets from then on."""
    begin(client, code)
    client.cookies.clear()

    assert "One-time code" not in client.get("/sign-in").text


@pytest.mark.both_engines
def test_only_a_hash_of_the_code_is_kept_and_it_is_used_once(engine: Any) -> None:
    """On both engines; a second use is refused by the row, whoever is known."""
    with housekeeping(engine) as session:
        code = make_first_code(session, now_utc())
    with changing(engine, FIRST) as work:
        add_first_person(work, code, "anna", "Anna", (), password=ANNA["password"])

    with Session(engine) as session:
        kept = session.scalars(select(FirstCode)).one()
        assert code.replace("-", "") not in kept.code_hash
        assert kept.used_at is not None
    with pytest.raises(Refused, match="known here already"), changing(engine, FIRST) as work:
        add_first_person(work, code, "berta", "Berta", (), password=ANNA["password"])
