"""Pages of failing MEAs: the rule of a design, the list with reasons, a person's word."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.life.tables import FailingMark, FailingRule, RuleVerdict
from tests.found_by_index import read_whole
from tests.life.mea_reading import ReadStack, a_read_stack
from tests.proposing import put_in_force

Clients = Callable[..., Any]
FAILED = {"says": "failed", "grounds": "voltage"}
SAID = {"source": "design note 7, invented", "reason": "first rule"}
RATE = {
    "rate_limit": "60",
    "rate_method": "median of slopes",
    "rate_readings": "8",
    "rate_hours": "200",
}
VOLTAGE = {"voltage_limit": "0,60", "voltage_readings": "2"}


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture
def made(app: Any) -> ReadStack:
    with Session(app.state.engine) as session:
        made = a_read_stack(session)
        session.commit()
    return made


def write(client: Any, made: ReadStack, **typed: str) -> Any:
    answer = client.post(f"/designs/{made.design_id}/failing-rule/new", data=SAID | typed)
    if answer.status_code == 303:
        proposal_id = int(answer.headers["location"].removeprefix("/proposals/"))
        put_in_force(client.app.state.engine, proposal_id)
    return answer


def test_a_rule_names_tests_and_words_of_findings_beside_voltages(
    signed_in_client: Clients, made: ReadStack
) -> None:
    client = signed_in_client("quality")
    grounds = {"crossover_limit": "0,02", "short_limit": "500", "leak_limit": "0.05"}

    write(client, made, **grounds, finding_words="PINHOLE", finding_limit="2")

    page = words(client.get(f"/designs/{made.design_id}/failing-rule").text)
    for sentence in (
        "hydrogen crossover above 0.02\u2009mbar·L/s",
        "short resistance below 500\u2009Ω·cm²",
        "leak to the outside above 0.05\u2009mbar·L/s",
        "found on it: PINHOLE, severity 2 or more",
    ):
        assert sentence.replace("\u2009", " ") in page.replace("\u202f", " ").replace("\u2009", " ")
    form = client.get(f"/designs/{made.design_id}/failing-rule/new").text
    assert re.search(r'name="finding_words" value="PINHOLE" checked', form)
    assert 'name="short_readings"' not in form, "a test is judged by itself"
    wrong = write(client, made, finding_words="NO-SUCH")
    assert wrong.status_code == 422
    assert "NO-SUCH" in words(wrong.text)


def test_a_rule_is_written_and_says_who_meets_it(
    signed_in_client: Clients, made: ReadStack
) -> None:
    client = signed_in_client("quality")
    empty = words(client.get(f"/designs/{made.design_id}/failing-rule").text)
    assert "No rule is kept yet" in empty

    answer = write(client, made, reference_density="0.7", **RATE, **VOLTAGE)

    assert answer.headers["location"].startswith("/proposals/")
    page = words(client.get(f"/designs/{made.design_id}/failing-rule").text)
    assert "Version 1, in force" in page
    assert "below 0.6 V at the reference density, 2 readings in a row" in page
    assert "1 MEA meets the rule unconfirmed" in page
    trail = client.get("/audit-trail?kind=failing+rule")
    assert "put rule of failing of" in words(trail.text)
    listed = client.get("/failing")
    assert f'href="/parts/{made.weak}/life"' in listed.text
    said = words(listed.text)
    assert "faster than 60 µV/h even by the slow end" in said
    assert f"{made.serial} , cell 1" in said
    life = words(client.get(f"/parts/{made.weak}/life").text)
    assert "meets the rule of failing" in life
    assert "already below" in life


def test_the_form_of_a_new_version_begins_with_the_one_in_force(
    signed_in_client: Clients, made: ReadStack
) -> None:
    client = signed_in_client("quality")
    write(client, made, reference_density="0.7", **RATE, **VOLTAGE)

    html = client.get(f"/designs/{made.design_id}/failing-rule/new").text

    for name, value in (
        ("rate_limit", "60"),
        ("rate_hours", "200"),
        ("voltage_limit", "0.6"),
        ("voltage_readings", "2"),
        ("reference_density", "0.7"),
        ("loss_limit", ""),
    ):
        assert re.search(rf'name="{name}"[^>]* value="{value}"', html), name
    same = write(client, made, reference_density="0.7", **RATE, **VOLTAGE)
    assert same.status_code == 422
    assert "nothing differs from version 1" in words(same.text).lower()


def test_wrong_figures_are_refused_beside_their_fields_and_kept(
    signed_in_client: Clients, app: Any, made: ReadStack
) -> None:
    client = signed_in_client("quality")

    answer = write(client, made, voltage_limit="60", loss_limit="10", loss_readings="50")

    assert answer.status_code == 422
    assert 'id="wrong-voltage_limit"' in answer.text
    assert 'id="wrong-loss_readings"' in answer.text
    assert re.search(r'name="loss_limit"[^>]* value="10"', answer.text)
    none = write(client, made)
    assert none.status_code == 422
    assert "No limit is given" in words(none.text)
    with Session(app.state.engine) as session:
        assert session.scalars(select(FailingRule)).all() == []


def test_a_builder_reads_the_rule_and_the_list_only(
    signed_in_client: Clients, made: ReadStack
) -> None:
    write(signed_in_client("quality"), made, **VOLTAGE)
    client = signed_in_client("builder")

    assert client.get("/failing").status_code == 200
    assert "Write a new version" not in client.get(f"/designs/{made.design_id}/failing-rule").text
    assert client.get(f"/designs/{made.design_id}/failing-rule/new").status_code == 403
    assert write(client, made, **RATE).status_code == 403
    assert client.get(f"/parts/{made.weak}/failing").status_code == 403
    assert "/failing" in client.get("/failing").text
    word = {"failed_at": "2026-03-20 10:00", "reason": "weak", **FAILED}
    assert client.post(f"/parts/{made.weak}/failing", data=word).status_code == 403


def test_a_person_confirms_and_withdraws_with_a_reason(
    signed_in_client: Clients, app: Any, made: ReadStack
) -> None:
    client = signed_in_client("quality", name="Ida Moss")
    write(client, made, **RATE)
    form = client.get(f"/parts/{made.weak}/failing")
    assert "The rule says met" in words(form.text)

    empty = client.post(f"/parts/{made.weak}/failing", data={"failed_at": "yesterday"})
    assert empty.status_code == 422
    assert 'value="yesterday"' in empty.text
    word = {"failed_at": "2026-03-20 10:00", "reason": "weak in two builds", **FAILED}
    answer = client.post(f"/parts/{made.weak}/failing", data=word)

    assert answer.headers["location"] == f"/parts/{made.weak}/life"
    life = words(client.get(f"/parts/{made.weak}/life").text)
    assert "failed" in life
    assert "weak in two builds" in life
    part = words(client.get(f"/parts/{made.weak}").text)
    assert "failed" in part
    listed = words(client.get("/failing?which=failed").text)
    assert "weak in two builds failed since 2026-03-20 10:00 ; Ida Moss" in listed
    trail = words(client.get("/audit-trail").text)
    assert "recorded a word on" in trail
    assert "it is: failed" in trail

    gone = client.post(
        f"/parts/{made.weak}/failing/withdraw", data={"withdrawal": "the lead was loose"}
    )

    assert gone.status_code == 303
    life = words(client.get(f"/parts/{made.weak}/life").text)
    assert "Withdrawn by Ida Moss" in life
    assert "the lead was loose" in life
    with Session(app.state.engine) as session:
        assert len(session.scalars(select(FailingMark)).all()) == 1


def test_sending_a_word_twice_makes_one(
    signed_in_client: Clients, app: Any, made: ReadStack
) -> None:
    client = signed_in_client("quality")
    word = {"failed_at": "2026-03-20 10:00", "reason": "weak", "entry_key": "once", **FAILED}

    answers = [client.post(f"/parts/{made.weak}/failing", data=word) for _turn in range(2)]

    assert [it.status_code for it in answers] == [303, 303]
    with Session(app.state.engine) as session:
        assert len(session.scalars(select(FailingMark)).all()) == 1


def test_lists_of_every_kind_can_be_asked_for(signed_in_client: Clients, made: ReadStack) -> None:
    client = signed_in_client("quality")
    write(client, made, open_circuit_limit="0.85")

    cannot = client.get("/failing?which=cannot+be+judged")
    assert "no open-circuit readings to judge it by" in words(cannot.text)
    assert client.get(f"/failing?design={made.design_id}").status_code == 200
    assert client.get("/failing?which=do+not+meet+it").status_code == 200
    assert client.get("/failing?which=nothing").status_code == 422


def test_a_long_list_is_shown_page_by_page(
    signed_in_client: Clients, app: Any, made: ReadStack
) -> None:
    app.state.settings = app.state.settings.model_copy(update={"page_rows": 2})
    client = signed_in_client("quality")
    write(client, made, voltage_limit="0.9")

    first = client.get("/failing?which=meet+the+rule%2C+not+confirmed")
    more = unescape(re.findall(r'href="([^"]+page=[^"]+)"', first.text)[0])
    second = client.get(more)

    shown = [re.findall(r"/parts/(\d+)/life", page.text) for page in (first, second)]
    assert sorted(int(it) for page in shown for it in page) == sorted(made.meas.values())
    assert [len(page) for page in shown] == [2, 2]


def test_the_rest_is_judged_on_request(
    signed_in_client: Clients, app: Any, made: ReadStack
) -> None:
    client = signed_in_client("quality")
    write(client, made, **VOLTAGE)
    with Session(app.state.engine) as session:
        for verdict in session.scalars(select(RuleVerdict)):
            session.delete(verdict)
        session.commit()

    answer = client.post(f"/designs/{made.design_id}/failing-rule/judge", data={})

    assert answer.status_code == 303
    with Session(app.state.engine) as session:
        assert len(session.scalars(select(RuleVerdict)).all()) == 4


def test_the_design_leads_to_its_rule(signed_in_client: Clients, made: ReadStack) -> None:
    client = signed_in_client("builder")

    assert f'href="/designs/{made.design_id}/failing-rule"' in (
        client.get(f"/designs/{made.design_id}").text
    )


def test_the_list_finds_its_rows_by_index(
    app: Any, signed_in_client: Clients, made: ReadStack, statements: Callable[[], Any]
) -> None:
    client = signed_in_client("quality")
    write(client, made, **VOLTAGE)
    word = {"failed_at": "2026-03-20 10:00", "reason": "weak", **FAILED}
    client.post(f"/parts/{made.meas[1]}/failing", data=word)
    client.get("/failing")

    with statements() as seen:
        client.get(f"/failing?design={made.design_id}&which=failed")
        client.get(f"/failing?design={made.design_id}")

    assert read_whole(app.state.engine, seen) == []
    assert len(seen) <= 19  # four tables, and the grounds of those that have rows
