"""What machines can write: through the same functions as the pages, once each."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from service.people.tables import ApiToken
from service.platform.arithmetic.dates import Known, Span, span_of
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.tables import AuditEntry, EntryKey
from service.records.tables import RebuildRecord, RecordState, TorqueReading
from service.stacks.tables import HourReading, Moment
from tests import builders

Calling = Callable[..., Any]
READ_AT = (builders.START + timedelta(days=3)).isoformat()


def _a_bare_stack(engine: Engine, serial: str = "T-1") -> None:
    with Session(engine) as session:
        builders.a_stack(session, cells=0, serial=serial)
        session.commit()


@pytest.mark.both_engines
def test_a_repeated_call_with_one_key_reads_hours_once(calling: Calling, engine: Engine) -> None:
    """A flaky network may send a reading twice: it stands once, with the first answer."""
    _a_bare_stack(engine)
    client = calling("builder")

    def send() -> Any:
        return client.post(
            "/api/v1/stacks/T-1/hours",
            json={"hours": 12.5, "taken_at": READ_AT},
            headers={"Idempotency-Key": "bench-3-000017"},
        )

    first, second = send(), send()

    assert first.status_code == 201
    assert second.status_code == 200
    assert second.json() == first.json()
    with Session(engine) as session:
        running = select(func.count()).where(HourReading.moment == Moment.RUNNING)
        assert session.scalar(running) == 1


def test_a_key_belongs_to_one_person_and_one_address(calling: Calling, engine: Engine) -> None:
    """Two benches which count their keys alike lose nothing of each other."""
    _a_bare_stack(engine)
    _a_bare_stack(engine, "T-2")
    key = {"Idempotency-Key": "bench-run-0001"}
    read = {"hours": 12.5, "taken_at": READ_AT}
    client = calling("builder", name="at the first bench")
    there = client.post("/api/v1/stacks/T-1/hours", json=read, headers=key)

    elsewhere = client.post("/api/v1/stacks/T-2/hours", json=read, headers=key)
    client = calling("builder", name="at the second bench")
    later = read | {"taken_at": (builders.START + timedelta(days=4)).isoformat()}
    by_another = client.post("/api/v1/stacks/T-1/hours", json=later, headers=key)

    assert [answer.status_code for answer in (there, elsewhere, by_another)] == [201, 201, 201]
    assert len({answer.json()["id"] for answer in (there, elsewhere, by_another)}) == 3


def test_another_reading_under_a_used_key_is_refused(calling: Calling, engine: Engine) -> None:
    """What is not written is never answered as written."""
    _a_bare_stack(engine)
    client = calling("builder")
    key = {"Idempotency-Key": "bench-run-0001"}
    client.post("/api/v1/stacks/T-1/hours", json={"hours": 12.5, "taken_at": READ_AT}, headers=key)

    answer = client.post(
        "/api/v1/stacks/T-1/hours", json={"hours": 13, "taken_at": READ_AT}, headers=key
    )

    assert answer.status_code == 422
    (field,) = answer.json()["fields"]
    assert (field["field"], field["value"]) == ("Idempotency-Key", "bench-run-0001")
    assert "new key" in field["right_would_be"]


@pytest.mark.parametrize(("answer", "status"), [("/lots/47", 422), ("47", 200)])
def test_a_key_from_before_keys_had_an_address(
    calling: Calling, engine: Engine, answer: str, status: int
) -> None:
    """It still stands for what was made then: a page's is no number, which is said."""
    _a_bare_stack(engine)
    client = calling("builder")
    with Session(engine) as session:
        session.add(
            EntryKey(
                person_id=client.person_id,
                sent_to="",
                key="bench-run-0001",
                payload_sha256="",
                answer=answer,
                at=builders.START,
            )
        )
        session.commit()

    repeated = client.post(
        "/api/v1/stacks/T-1/hours",
        json={"hours": 12.5, "taken_at": READ_AT},
        headers={"Idempotency-Key": "bench-run-0001"},
    )

    assert repeated.status_code == status
    assert "Idempotency-Key" in repeated.text or repeated.json() == {"id": 47}


def test_a_key_of_a_page_is_free_in_the_api(
    calling: Calling, signed_in_client: Calling, engine: Engine
) -> None:
    """The same person's form and call under one key are two entries."""
    _a_bare_stack(engine)
    pages = signed_in_client("builder")
    typed = {"hours": "10", "taken_at": "2026-02-01 10:00", "entry_key": "bench-run-0001"}
    assert pages.post("/stacks/T-1/hours", data=typed).status_code == 303
    with Session(engine) as session:
        person_id = session.scalars(select(EntryKey.person_id)).one()
    client = calling("builder")
    with Session(engine) as session:
        session.execute(update(ApiToken).values(person_id=person_id))
        session.commit()

    answer = client.post(
        "/api/v1/stacks/T-1/hours",
        json={"hours": 12.5, "taken_at": (builders.START + timedelta(days=60)).isoformat()},
        headers={"Idempotency-Key": "bench-run-0001"},
    )

    assert answer.status_code == 201, answer.text


def test_falling_hours_are_refused_by_name(calling: Calling, engine: Engine) -> None:
    """The message names the field, the value and the way out."""
    _a_bare_stack(engine)
    client = calling("builder")
    client.post("/api/v1/stacks/T-1/hours", json={"hours": 50, "taken_at": READ_AT})
    later = (builders.START + timedelta(days=4)).isoformat()

    answer = client.post("/api/v1/stacks/T-1/hours", json={"hours": 40, "taken_at": later})

    assert answer.status_code == 422
    (field,) = answer.json()["fields"]
    assert field["field"] == "hours"
    assert "40" in field["value"]


def test_a_time_without_a_zone_is_not_taken(calling: Calling, engine: Engine) -> None:
    """Machines say which zone they mean."""
    _a_bare_stack(engine)

    answer = calling("builder").post(
        "/api/v1/stacks/T-1/hours", json={"hours": 1, "taken_at": "2026-02-01T10:00:00"}
    )

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "taken_at"


def test_an_admin_alone_may_not_read_meters(calling: Calling, engine: Engine) -> None:
    """Running accounts is no leave to write records."""
    _a_bare_stack(engine)

    answer = calling("admin").post(
        "/api/v1/stacks/T-1/hours", json={"hours": 1, "taken_at": READ_AT}
    )

    assert answer.status_code == 403
    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(AuditEntry)) == 0


def _first_build(engine: Engine) -> dict[str, Any]:
    """A whole first build of two cells, as a machine at a bench would send it."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=0, serial="T-9")
        tool = builders.a_torque_instrument(session)
        fixings = builders.some_fixings(session, stack)
        pile = builders.a_pile(session, None, 2)
        for part, *_ in fixings:
            part.whereabouts, part.stack_id = Whereabouts.IN_STORE, None
        body = {
            "stack": "t-9",
            "kind": "first build",
            "reason": "made for a test",
            "performed_from": "2026-02-02T08:00:00+00:00",
            "fixings_fitted": [
                {
                    "rod_number": rod,
                    "end": end,
                    "part_id": part.id,
                    "done_at": "2026-02-02T10:00:00Z",
                }
                for part, rod, end in fixings
            ],
            "put_on": [
                {
                    "end": "free end",
                    "part_id": part.id,
                    "facing": facing,
                    "done_at": "2026-02-02T09:00:00Z",
                }
                for part, facing in pile
            ],
            "torque_at_closing": [
                {
                    "rod_number": rod,
                    "pass_number": pass_number,
                    "torque_nm": 3.0 * pass_number,
                    "instrument": tool.label,
                    "taken_at": "2026-02-02T11:00:00Z",
                }
                for pass_number in (1, 2, 3)
                for rod in (1, 2, 3, 4)
            ],
            "closing": {"closed_at": "2026-02-02T11:30:00Z", "hours": 0},
            "hand_in": True,
        }
        session.commit()
    return body


def test_a_whole_first_build_in_one_call(calling: Calling, engine: Engine) -> None:
    """Layers, fixings and readings arrive, are handed in and can be read back."""
    body = _first_build(engine)
    client = calling("builder")

    made = client.post("/api/v1/records", json=body)

    assert made.status_code == 201, made.text
    record = client.get(f"/api/v1/records/{made.json()['id']}").json()
    pile = client.get("/api/v1/stacks/T-9/layers").json()
    assert record["state"] == "handed in"
    assert record["content_holds"] is True
    assert len(pile["layers"]) == len(body["put_on"])
    assert sum(layer["kind"] == Kind.MEA for layer in pile["layers"]) == 2
    assert pile["build"]["state"] == "not released"


def test_a_whole_record_is_all_or_nothing(calling: Calling, engine: Engine) -> None:
    """One wrong reading at the end leaves nothing behind, and says where it stands."""
    body = _first_build(engine)
    body["torque_at_closing"][-1]["rod_number"] = 99

    answer = calling("builder").post("/api/v1/records", json=body)

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "torque_at_closing.11.rod_number"
    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(RebuildRecord)) == 0
        assert session.scalar(select(func.count()).select_from(TorqueReading)) == 0


def test_a_question_comes_with_its_key_and_is_answered_by_sending_it(
    calling: Calling, engine: Engine
) -> None:
    """Which way a part lies, nobody knows but who lays it."""
    body, client = _first_build(engine), calling("builder")
    index = next(n for n, layer in enumerate(body["put_on"]) if layer["facing"] != "either way")
    answer = body["put_on"][index].pop("facing")

    asked = client.post("/api/v1/records", json=body)

    assert asked.status_code == 422
    (field,) = asked.json()["fields"]
    assert field["field"] == f"put_on.{index}.facing"
    assert field["question"]["key"] == "facing"
    assert field["question"]["answers"] == ["fixed end", "free end"]
    assert field["question"]["facts"]["part"]
    body["put_on"][index][field["question"]["key"]] = answer
    assert client.post("/api/v1/records", json=body).status_code == 201


@pytest.mark.both_engines
def test_a_torque_reading_goes_into_an_open_record(calling: Calling, engine: Engine) -> None:
    """A driver with a radio may send its readings one by one."""
    body = _first_build(engine)
    readings = body.pop("torque_at_closing")
    body.pop("closing")
    body["hand_in"] = False
    client = calling("builder")
    record_id = client.post("/api/v1/records", json=body).json()["id"]

    answer = client.post(f"/api/v1/records/{record_id}/torque-readings", json=readings[0])

    assert answer.status_code == 201, answer.text
    with Session(engine) as session:
        (reading,) = session.scalars(select(TorqueReading)).all()
        assert (reading.rod_number, reading.torque_nm) == (1, 3.0)


@pytest.mark.parametrize("state", ["open", "void"])
def test_a_record_never_handed_in_is_read_as_it_stands(
    calling: Calling, engine: Engine, state: str
) -> None:
    """Whoever began a record by machine can read what stands in it so far."""
    body = _first_build(engine) | {"hand_in": False}
    put_on = len(body["put_on"])
    client = calling("builder")
    record_id = client.post("/api/v1/records", json=body).json()["id"]
    with Session(engine) as session:
        session.get_one(RebuildRecord, record_id).state = RecordState(state)
        session.commit()

    answer = client.get(f"/api/v1/records/{record_id}")

    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert (told["state"], told["content_sha256"], told["content_holds"]) == (state, None, None)
    entries = told["content"]["entries"]
    assert sum(entry["kind"] == "put on" for entry in entries) == put_on
    assert len(told["content"]["torque_readings"]) == 12
    assert told["content"]["handed_in"] == {"by": None, "at": None}


@pytest.mark.both_engines
def test_case_35_a_record_of_old_paper_keeps_what_is_known_of_its_date(
    calling: Calling, signed_in_client: Calling, engine: Engine
) -> None:
    """A year, a month, a day: shown as it is known, in the order that a person states."""
    dated = dict.fromkeys(("performed_from", "done_at", "closed_at"), "1998")
    body = _first_build(engine) | {"torque_at_closing": [], "not_done": {"torque": "not on paper"}}
    for entries in (body["fixings_fitted"], body["put_on"], [body["closing"]], [body]):
        for entry in entries:
            entry |= {name: dated[name] for name in dated.keys() & entry.keys()}
    body["closing"]["hours"] = 5
    client, page = calling("builder"), signed_in_client("builder")

    made = client.post("/api/v1/records", json=body)

    assert made.status_code == 201, made.text
    first = made.json()["id"]
    content = client.get(f"/api/v1/records/{first}").json()["content"]
    assert (content["performed_from"], content["closed_at"]) == ("1998", "1998")
    assert client.get("/api/v1/stacks/T-9/layers").json()["build"]["closed_at"] == "1998"

    typed = {
        "stack": "T-9",
        "kind": "inspection",
        "reason": "found in the drawer",
        "performed_from": "1998-05",
        "worked": page.person_id,
    }
    asked = page.post("/records/new", data=typed)
    assert asked.status_code == 422
    assert f"It came after record {first} (first build, 1998)" in asked.text
    begun = page.post("/records/new", data=typed | {"comes_after": first})
    assert begun.status_code == 303
    second = first + 1
    texts = [page.get(at).text for at in (f"/records/{second}", "/records", "/stacks/T-9")]
    assert ["May 1998" in text for text in texts] == [True] * 3
    assert not any("1998-0" in text.replace('datetime="1998-05"', "") for text in texts)
    assert 'value="1998-05"' in page.get(f"/records/{second}/head").text
    mea = body["put_on"][5]["part_id"]
    for at in (
        f"/records/{first}",
        f"/records/{first}/corrections/new",
        f"/records/{first}/approval",
        f"/parts/{mea}/trace",
        "/stacks/T-9/hours",
        "/audit-trail",
        f"/api/v1/records/{first}/facts",
        "/api/v1/stacks/T-9/hours",
    ):
        text = (client if at.startswith("/api") else page).get(at).text
        assert "1998" in text, at
        assert not re.search(r"1998-01|99999\d", text), at
    (row,) = client.get("/api/v1/records?kind=inspection").json()["rows"]
    assert row["performed_from"] == "1998-05"
    with Session(engine) as session:
        taken_at = session.scalars(
            select(HourReading.taken_at).where(HourReading.moment == Moment.CLOSING)
        ).one()
        began = session.scalars(
            select(RebuildRecord.performed_from).order_by(RebuildRecord.id)
        ).all()
    assert began[0] < began[1]
    year = (datetime(1998, 1, 1, tzinfo=UTC), datetime(1999, 1, 1, tzinfo=UTC))
    assert span_of(taken_at) == Span(*year, Known.YEAR)

    hours = {"taken_at": "1999-01-02T00:00:00Z"}
    outrun = client.post("/api/v1/stacks/T-9/hours", json=hours | {"hours": 9000})
    fits = client.post("/api/v1/stacks/T-9/hours", json=hours | {"hours": 8700})
    assert (outrun.status_code, fits.status_code) == (422, 201)
    assert "from 1998 to 1999-01-02 00:00 UTC" in outrun.text
    assert "unknown" in page.get(f"/parts/{mea}").text


def test_case_35_what_contradicts_a_partial_date_is_refused(
    calling: Calling, engine: Engine
) -> None:
    """Entries of such a record have its date; the order of events is asked, and holds."""
    with Session(engine) as session:
        builders.a_build(session, builders.a_stack(session, serial="T-9"), cells=2)
        session.commit()
    client = calling("builder")
    body = {"stack": "T-9", "kind": "inspection", "reason": "paper"}

    def send(began: str, **more: Any) -> Any:
        answer = client.post("/api/v1/records", json=body | {"performed_from": began} | more)
        assert answer.status_code in {201, 422}, answer.text
        return answer.json()["fields"][0] if answer.status_code == 422 else answer.json()["id"]

    day = f"{builders.FIRST_CLOSING:%Y-%m-%d}"
    exception = {"reason": "not on the paper", "done_at": f"{day}T20:00:00Z"}
    assert send("2026-13")["field"] == "performed_from"
    assert "lies ahead" in send("2190")["reason"]
    (built,) = client.get("/api/v1/records").json()["rows"]
    asked = send(day)
    assert f"before or after record {built['id']} (first build, {day} " in asked["reason"]
    assert send(day, comes_after=built["id"] + 7) == asked
    assert "closed later" in send(day, comes_after=0)["reason"]
    number = send(day, comes_after=built["id"])
    entry = client.post(f"/api/v1/records/{number}/entries/exception", json=exception)
    assert "without a time of day" in entry.json()["fields"][0]["reason"]
    entry = client.post(
        f"/api/v1/records/{number}/entries/exception", json=exception | {"done_at": day}
    )
    assert entry.status_code == 201, entry.text
    head = client.get(f"/api/v1/records/{number}").json()["content"]
    assert {each["done_at"] for each in head["entries"]} == {day}
