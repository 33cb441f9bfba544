"""What stands beside a signature: the login, accounts that look alike, the same browser."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.people.changes.people import add_person, begin_session, change_mail
from service.people.queries.signers import remarks_beside
from service.people.tables import Person as PersonRow
from service.people.tables import Role, SignInSession
from service.platform.audit import Event
from service.platform.database import changing, housekeeping, now_utc
from service.platform.errors import NotAllowed, Question, Refused
from service.platform.pages.guard import browser_cookie
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.tables import Decision, RebuildRecord
from tests import builders
from tests.bench.at_the_bench import known
from tests.bench.test_approvals_pages import a_record, sign, words

Clients = Callable[..., Any]
NOW = builders.START + timedelta(days=30)
OWNER = Person(0, "owner", "the machine's owner", frozenset({Role.ADMIN}))


def beside(engine: Engine, signer: int, *others: int) -> tuple[str, ...]:
    with Session(engine) as session:
        return remarks_beside(session, signer, others, NOW)


def some(engine: Engine, *names: str, mail: str | None = None) -> list[int]:
    with Session(engine) as session:
        people = [builders.a_person(session, Role.BUILDER, name=name) for name in names]
        for person in people:
            person.mail = mail
        session.commit()
        return [person.id for person in people]


def seen(engine: Engine, person_id: int, browser: str, ago: timedelta) -> None:
    with housekeeping(engine) as session:
        begin_session(session, person_id, f"{person_id} {browser}", NOW - ago, browser)


def test_a_like_name_stands_beside_the_signature_and_another_one_does_not(engine: Engine) -> None:
    first, second, other = some(engine, "Anton Reyes", "Reyes, Antón", "Petra Lind")

    assert beside(engine, second, first, other) == (
        "Anton Reyes (person-1) had a part in this: a like name.",
    )
    assert beside(engine, second, second, other) == ()


def test_the_same_mail_stands_beside_the_signature(engine: Engine) -> None:
    first, second = some(engine, "Anton Reyes", "Petra Lind", mail="lab@tarnfield.example")

    (remark,) = beside(engine, second, first)
    assert remark.endswith("had a part in this: the same mail address.")


@pytest.mark.both_engines
@pytest.mark.parametrize(("hours", "is_told"), [(1, True), (11.9, True), (12.1, False)])
def test_the_same_browser_counts_for_twelve_hours(
    engine: Engine, hours: float, is_told: bool
) -> None:
    first, second, other = some(engine, "Anton Reyes", "Petra Lind", "Keiko Arden")
    seen(engine, first, "tablet at bench 2", timedelta(hours=hours))
    seen(engine, second, "tablet at bench 2", timedelta(minutes=1))
    seen(engine, other, "at the desk", timedelta(minutes=1))

    told = beside(engine, second, first, other)

    assert told == (
        ("Anton Reyes (person-1) had a part in this: the same browser within 12 h.",)
        if is_told
        else ()
    )


@pytest.mark.both_engines
def test_a_mail_address_is_changed_and_the_one_of_before_still_tells(engine: Engine) -> None:
    """By its person or an admin; who takes another's is asked whose it is."""
    first, second, other = some(
        engine, "Anton Reyes", "Petra Lind", "Keiko Arden", mail="a@b.example"
    )
    with Session(engine) as session:
        petra = known(session, session.get_one(PersonRow, second))
    taken = "anton@b.example"

    with changing(engine, OWNER) as work:
        change_mail(work, first, taken)
    with changing(engine, petra) as work, pytest.raises(Question, match="Anton Reyes"):
        change_mail(work, second, taken)
    with changing(engine, petra) as work, pytest.raises(NotAllowed):
        change_mail(work, first, "")
    with changing(engine, petra) as work:
        change_mail(work, second, "petra@b.example")
    with changing(engine, petra) as work, pytest.raises(Refused, match="it is so already"):
        change_mail(work, second, "petra@b.example")

    remarks = beside(engine, second, first, other)
    assert len(remarks) == 2
    assert all(remark.endswith(": the same mail address.") for remark in remarks)
    with Session(engine) as session:
        entry = session.scalars(
            select(AuditEntry).where(
                AuditEntry.act == Event.PERSON_MAIL, AuditEntry.subject_id == second
            )
        ).one()
    assert json.loads(entry.changes) == [["mail", "a@b.example", "petra@b.example"]]


def test_a_mail_address_is_changed_on_the_persons_page(app: Any, signed_in_client: Clients) -> None:
    """One that is somebody else's is asked about; nothing typed is lost."""
    some(app.state.engine, "Anton Reyes", mail="lab@b.example")
    client = signed_in_client("builder")
    me = client.get("/floor").text.split('href="/people/')[1].split('"')[0]
    sent = {"mail": "Lab@b.example"}

    asked = client.post(f"/people/{me}/mail", data=sent)
    answered = client.post(f"/people/{me}/mail", data=sent | {"like_name": "another"})

    assert asked.status_code == 422
    assert "Anton Reyes (person-" in asked.text
    assert 'value="Lab@b.example"' in asked.text
    assert answered.status_code == 303
    assert "<dd>Lab@b.example</dd>" in client.get(f"/people/{me}").text


def test_what_stands_beside_takes_four_statements(engine: Engine, statements: Any) -> None:
    people = some(engine, *(f"Person {number}" for number in range(20)))

    with Session(engine) as session, statements() as asked:
        remarks_beside(session, people[0], people[1:], NOW)

    assert len(asked) == 4


def test_adding_a_like_name_asks_and_the_answer_adds(engine: Engine) -> None:
    some(engine, "Anton Reyes")

    with pytest.raises(Question) as asked, changing(engine, OWNER) as work:
        add_person(work, "anton2", "anton reyes", [Role.BUILDER])
    assert (asked.value.key, set(asked.value.answers)) == ("like_name", {"another"})
    with changing(engine, OWNER) as work:
        add_person(work, "anton2", "anton reyes", [Role.BUILDER], like_name="another")


def test_the_page_asks_before_it_adds_a_like_name(signed_in_client: Clients) -> None:
    admin = signed_in_client("admin")
    form = {"login": "anton", "name": "Anton Reyes", "roles": ["builder"]}
    admin.post("/people/add", data=form)

    asked = admin.post("/people/add", data=form | {"login": "anton2"})
    answered = admin.post("/people/add", data=form | {"login": "anton2", "like_name": "another"})

    assert asked.status_code == 422
    assert "Anton Reyes (anton) is here already" in asked.text
    assert '<button type="submit" name="like_name" value="another">' in asked.text
    assert answered.headers["location"] == "/people/anton2"


def test_a_second_account_in_the_same_browser_is_warned_and_stands_on_the_sheet(
    app: Any, calling: Clients, signed_in_client: Clients
) -> None:
    record_id = a_record(app)
    signer = signed_in_client("supervisor", name="Ines Falk")
    with Session(app.state.engine) as session:
        writer = session.get_one(RebuildRecord, record_id).written_by_id
    browser = signer.cookies[browser_cookie(app.state.settings)]
    with housekeeping(app.state.engine) as session:
        begin_session(session, writer, "the writer's secret", now_utc(), browser)

    before = signer.get(f"/records/{record_id}/approval")
    answer = sign(signer, app, record_id)
    after = signed_in_client("builder").get(f"/records/{record_id}/approval")

    assert answer.status_code == 303
    assert "Look twice." in before.text
    assert "had a part in this: the same browser within 12 h." in before.text
    with Session(app.state.engine) as session:
        (decision,) = session.scalars(select(Decision).where(Decision.record_id == record_id)).all()
        assert "same browser" in (decision.remarks or "")
        hashes = session.scalars(select(SignInSession.browser_sha256)).all()
    assert browser not in hashes
    assert f"Approved by Ines Falk ({login_of(app, signer)}), supervisor," in words(after)
    assert "the same browser within 12 h." in words(after)
    (told,) = calling("builder").get(f"/api/v1/records/{record_id}").json()["decisions"]
    assert told["person"] == f"Ines Falk ({login_of(app, signer)})"
    assert "same browser" in told["remarks"]


def test_a_browser_keeps_its_value_from_one_sign_in_to_the_next(
    app: Any, signed_in_client: Clients
) -> None:
    client = signed_in_client("builder")
    name = browser_cookie(app.state.settings)
    first = client.cookies[name]

    client.post("/sign-out")
    again = client.post(
        "/sign-in", data={"login": login_of(app, client), "password": builders.PASSWORD}
    )

    assert again.status_code == 303
    assert client.cookies[name] == first


def login_of(app: Any, client: Any) -> str:
    with Session(app.state.engine) as session:
        login: str = session.get_one(builders.Person, client.person_id).login
        return login
