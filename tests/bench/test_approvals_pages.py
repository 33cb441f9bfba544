"""The sheets on which records are approved, sent back and made void."""

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.operation.migrating import triggers
from service.people.tables import SignInAttempt
from service.records.tables import (
    Decision,
    Finding,
    Involvement,
    RebuildRecord,
    RecordPersonRemoved,
    RecordState,
    Step,
    StepKind,
)
from tests import builders

Clients = Callable[..., Any]


def a_record(app: Any, cells: int = 2, builds: int = 2) -> int:
    """The last of some builds of a stack is handed in and waits; its record's number."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session)
        for number in range(1, builds + 1):
            hours = 100.0 * number if number > 1 else None
            build = builders.a_build(
                session, stack, cells=cells, approved=number < builds, hours=hours
            )
        session.commit()
        return build.record_id


def state_of(app: Any, record_id: int) -> RecordState:
    with Session(app.state.engine) as session:
        return session.get_one(RebuildRecord, record_id).state


def hash_of(app: Any, record_id: int) -> str:
    with Session(app.state.engine) as session:
        return session.get_one(RebuildRecord, record_id).content_sha256 or ""


def sign(client: Any, app: Any, record_id: int, **given: str) -> Any:
    data = {"content_sha256": hash_of(app, record_id), "password": builders.PASSWORD} | given
    return client.post(f"/records/{record_id}/approve", data=data)


def words(answer: Any) -> str:
    """The page's text without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


def test_nothing_waits_in_an_empty_laboratory(signed_in_client: Clients) -> None:
    assert "Nothing waits for a decision" in signed_in_client("supervisor").get("/approvals").text


def test_what_waits_leads_to_its_sheet(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)

    page = signed_in_client("supervisor").get("/approvals")

    assert f'<a class="button" href="/records/{record_id}/approval">Review</a>' in page.text
    assert "intact" in page.text


@pytest.mark.parametrize("roles", [("builder",), ("quality",), ("admin",)])
def test_who_may_not_decide_reads_why(
    app: Any, signed_in_client: Clients, roles: tuple[str, ...]
) -> None:
    record_id = a_record(app)
    client = signed_in_client(*roles)

    assert "This needs the role supervisor" in client.get("/approvals").text
    sheet = client.get(f"/records/{record_id}/approval")
    assert "This needs the role supervisor" in sheet.text
    assert "/approve" not in sheet.text
    assert sign(client, app, record_id).status_code == 403
    assert state_of(app, record_id) is RecordState.HANDED_IN


def test_nobody_approves_their_own_work(app: Any, signed_in_client: Clients) -> None:
    """Not even with every role there is; the page says so and the post is refused as well."""
    record_id = a_record(app)
    client = signed_in_client("builder", "quality", "supervisor", "admin")
    lift_triggers(app)
    with app.state.engine.begin() as connection:
        connection.execute(
            text("UPDATE step SET by_id = :me WHERE record_id = :id AND sequence = 1"),
            {"me": client.person_id, "id": record_id},
        )

    sheet = client.get(f"/records/{record_id}/approval")

    assert "You worked on this, witnessed it, were named in it once" in sheet.text
    assert sign(client, app, record_id).status_code == 403


def test_who_was_taken_out_of_the_head_reads_so_and_cannot_sign(
    app: Any, calling: Callable[..., Any], signed_in_client: Clients
) -> None:
    record_id = a_record(app)
    once_named = signed_in_client("supervisor")
    with Session(app.state.engine) as session:
        record = session.get_one(RebuildRecord, record_id)
        session.add(
            RecordPersonRemoved(
                record_id=record_id,
                person_id=once_named.person_id,
                involvement=Involvement.WITNESSED,
                removed_by_id=record.written_by_id,
                removed_at=record.written_at,
            )
        )
        session.commit()

    theirs = once_named.get(f"/records/{record_id}/approval")
    others = signed_in_client("supervisor").get(f"/records/{record_id}/approval")
    told = calling("builder").get(f"/api/v1/records/{record_id}").json()

    assert sign(once_named, app, record_id).status_code == 403
    assert "were named in it once" in theirs.text
    assert "named as “witnessed”, taken out" in words(others)
    assert [each["involvement"] for each in told["removed"]] == ["witnessed"]
    assert told["removed"][0]["login"] in told["had_a_part"]


def lift_triggers(app: Any) -> None:
    """Let a test change what nobody may change."""
    with app.state.engine.begin() as connection:
        triggers().lift(connection)


def test_the_sheet_shows_everything_that_is_signed(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    with Session(app.state.engine) as session:
        torque = session.execute(
            text("SELECT MAX(id) FROM torque_reading WHERE record_id = :id"), {"id": record_id}
        ).scalar_one()
    lift_triggers(app)
    with Session(app.state.engine) as session:
        session.execute(
            text("UPDATE torque_reading SET torque_nm = 12.25 WHERE id = :id"), {"id": torque}
        )
        lift = session.scalars(
            select(Step).where(Step.record_id == record_id, Step.kind == StepKind.LIFTED_OFF)
        ).first()
        assert lift is not None
        lift.written_at = lift.done_at + timedelta(days=3)
        session.add(
            Finding(
                record_id=record_id,
                step_id=lift.id,
                part_id=lift.part_id,
                condition="corroded",
                severity=2,
                where="at the air inlet",
            )
        )
        record = session.get_one(RebuildRecord, record_id)
        builders.hand_in(session, record, record.handed_in_at + timedelta(days=4))
        session.commit()

    page = signed_in_client("supervisor").get(f"/records/{record_id}/approval")
    seen = words(page)

    assert page.status_code == 200
    assert "Against build 1:" in seen
    assert "Outside the tolerance: rod" in seen
    assert "12.25" in seen
    assert "corroded" in seen
    assert "at the air inlet" in seen
    assert "Entered later" in seen
    assert "What your signature means." in seen
    assert "Build 2 of" in seen
    assert hash_of(app, record_id)[:8] in seen
    assert "not approved" in seen
    assert '<dl class="titleblock"' in page.text
    assert "<svg" in page.text


def test_a_first_build_shows_every_layer(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app, builds=1)

    page = signed_in_client("supervisor").get(f"/records/{record_id}/approval")

    assert "This is the first build: every layer is new." in page.text
    assert 'id="layer-17"' in page.text


def test_signing_approves_and_releases(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor", name="Ines Falk")

    answer = sign(client, app, record_id)

    assert (answer.status_code, answer.headers["location"]) == (
        303,
        f"/records/{record_id}/approval",
    )
    assert state_of(app, record_id) is RecordState.APPROVED
    page = client.get(f"/records/{record_id}/approval")
    assert f"<b>Approved</b> by Ines Falk (person-{client.person_id}), supervisor" in page.text
    assert "Nothing waits for a decision" in client.get("/approvals").text


def test_the_same_signature_sent_twice_signs_once(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor")

    first = sign(client, app, record_id, entry_key="once")
    second = sign(client, app, record_id, entry_key="once")

    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    with Session(app.state.engine) as session:
        decided = session.scalars(select(Decision).where(Decision.record_id == record_id)).all()
    assert len(decided) == 1


def test_a_wrong_password_is_refused_beside_its_field(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor")

    answer = sign(client, app, record_id, password="not mine")

    assert answer.status_code == 422
    assert "This is not your password; nothing was signed." in answer.text
    assert "not mine" not in answer.text
    assert state_of(app, record_id) is RecordState.HANDED_IN
    with Session(app.state.engine) as session:
        tried = session.scalars(select(SignInAttempt).where(~SignInAttempt.succeeded)).all()
    assert len(tried) == 1


def test_too_many_wrong_passwords_stop_signing(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor")
    for _ in range(app.state.settings.sign_in_attempts):
        assert sign(client, app, record_id, password="guess").status_code == 422

    answer = sign(client, app, record_id)

    assert answer.status_code == 422
    assert "Too many wrong passwords were tried" in answer.text
    assert state_of(app, record_id) is RecordState.HANDED_IN


def test_an_old_sheet_does_not_sign(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)

    answer = sign(signed_in_client("supervisor"), app, record_id, content_sha256="0" * 64)

    assert answer.status_code == 409
    assert "another one than you were shown" in answer.text


def test_content_changed_underneath_shows_and_cannot_be_signed(
    app: Any, signed_in_client: Clients
) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor")
    client.get(f"/records/{record_id}/approval")
    lift_triggers(app)
    with app.state.engine.begin() as connection:
        connection.execute(text("UPDATE torque_reading SET torque_nm = 9.1"))

    sheet = client.get(f"/records/{record_id}/approval")

    assert "the content in the database is no longer what was handed in" in sheet.text
    assert "This content cannot be signed." in sheet.text
    assert f"/records/{record_id}/approve" not in sheet.text
    assert "broken" in client.get("/approvals").text
    assert sign(client, app, record_id).status_code == 422


def test_sending_back_needs_a_reason_and_keeps_it(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    client = signed_in_client("supervisor")

    refused = client.post(f"/records/{record_id}/send-back", data={"reason": " "})
    answer = client.post(f"/records/{record_id}/send-back", data={"reason": "rod 2 reads low"})

    assert refused.status_code == 422
    assert answer.status_code == 303
    assert state_of(app, record_id) is RecordState.SENT_BACK
    assert "rod 2 reads low" in client.get("/approvals").text
    assert "rod 2 reads low" in client.get(f"/records/{record_id}/approval").text


def test_a_record_sent_back_is_taken_up_again(app: Any, signed_in_client: Clients) -> None:
    record_id = a_record(app)
    signed_in_client("supervisor").post(
        f"/records/{record_id}/send-back", data={"reason": "rod 2 reads low"}
    )
    client = signed_in_client("builder")
    assert (
        f'action="/records/{record_id}/take-up"'
        in client.get(f"/records/{record_id}/approval").text
    )

    answer = client.post(f"/records/{record_id}/take-up", data={})

    assert answer.headers["location"] == f"/records/{record_id}/bench"
    assert state_of(app, record_id) is RecordState.OPEN


def test_a_record_begun_by_mistake_is_made_void(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=2)
        record = builders.a_record(session, stack)
        record_id = record.id
        session.commit()
    client = signed_in_client("builder")
    with Session(app.state.engine) as session:
        session.get_one(RebuildRecord, record_id).written_by_id = client.person_id
        session.commit()

    refused = client.post(f"/records/{record_id}/void", data={"void_reason": ""})
    answer = client.post(f"/records/{record_id}/void", data={"void_reason": "wrong stack"})

    assert refused.status_code == 422
    assert "One sentence on why would be right." in refused.text
    assert (answer.status_code, answer.headers["location"]) == (303, f"/records/{record_id}")
    assert state_of(app, record_id) is RecordState.VOID
    assert "wrong stack" in client.get(f"/records/{record_id}/approval").text
    assert (
        signed_in_client("builder")
        .post(f"/records/{record_id}/void", data={"void_reason": "x"})
        .status_code
        == 403
    )


def test_a_record_with_entries_is_proposed_by_one_and_confirmed_by_another(
    app: Any, signed_in_client: Clients
) -> None:
    with Session(app.state.engine) as session:
        record = builders.a_record(session, builders.a_stack(session, cells=2))
        writer = builders.a_person(session)
        builders.Journal(session, record, writer, record.performed_from).step(StepKind.OPENED)
        record_id, at = record.id, f"/records/{record.id}/void"
        session.commit()
    builder, supervisor = signed_in_client("builder"), signed_in_client("supervisor")

    refused = builder.post(f"{at}/propose", data={"void_reason": ""})
    proposed = builder.post(f"{at}/propose", data={"void_reason": "wrong stack"})
    sheet = supervisor.get(f"/records/{record_id}/approval")
    by_builder = builder.post(at, data={"void_password": builders.PASSWORD})
    misspelt = supervisor.post(at, data={"void_password": "green"})
    confirmed = supervisor.post(at, data={"void_password": builders.PASSWORD})

    assert (refused.status_code, proposed.status_code) == (422, 303)
    assert "proposed it" in sheet.text
    assert "wrong stack." in sheet.text
    assert (by_builder.status_code, misspelt.status_code) == (403, 422)
    assert confirmed.status_code == 303
    assert state_of(app, record_id) is RecordState.VOID


@pytest.mark.parametrize(
    ("way", "data"),
    [("approve", {}), ("send-back", {"reason": "x"}), ("take-up", {}), ("void", {})],
)
def test_there_is_no_such_record(signed_in_client: Clients, way: str, data: dict[str, str]) -> None:
    client = signed_in_client("supervisor")

    assert client.get("/records/999/approval").status_code == 404
    assert client.post(f"/records/999/{way}", data=data | {"void_reason": "x"}).status_code in (
        404,
        422,
    )


def test_statements_do_not_grow_with_the_stack(
    app: Any, signed_in_client: Clients, statements: Callable[[], Any]
) -> None:
    """The sheet of 12 cells takes as many statements as that of one."""
    small, large = a_record(app, cells=1), a_record(app, cells=12)
    client = signed_in_client("supervisor")
    counts = []
    for record_id in (small, large):
        with statements() as seen:
            assert client.get(f"/records/{record_id}/approval").status_code == 200
        counts.append(len(seen))

    assert counts[0] == counts[1]


def test_statements_do_not_grow_with_what_waits(
    app: Any, signed_in_client: Clients, statements: Callable[[], Any]
) -> None:
    client = signed_in_client("supervisor")
    counts = []
    for _ in range(2):
        a_record(app, cells=1)
        with statements() as seen:
            assert client.get("/approvals").status_code == 200
        counts.append(len(seen))

    assert counts[0] == counts[1]
