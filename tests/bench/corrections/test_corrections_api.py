"""Corrections as machines read them: beside the record's content, listed, one by number."""

from collections.abc import Callable
from typing import Any

import pytest

from service.bench.queries.rebuild_records import record_view
from service.bench.tables import CorrectionOf
from service.platform.database import reading
from tests.proof.test_releases_corrected import FAR_ABOVE, Released

Calling = Callable[..., Any]


@pytest.fixture
def stack(app: Any) -> Released:
    return Released(app.state.engine)


def test_a_record_says_what_was_corrected_beside_its_content(
    stack: Released, calling: Calling
) -> None:
    fact = stack.fact(CorrectionOf.TORQUE)
    number = stack.propose(fact, "90 N·m", **FAR_ABOVE)
    client = calling("builder")
    address = f"/api/v1/records/{stack.bench.number}"

    (waiting,) = client.get(address).json()["corrections"]
    stack.decide(number)
    answer = client.get(address).json()

    assert waiting["state"] == "waiting"
    (made,) = answer["corrections"]
    assert (made["id"], made["state"], made["holds"]) == (number, "approved", True)
    assert (made["field"], made["was"], made["is"]) == (fact.label, fact.old_value, "90 N·m")
    assert answer["content_holds"] is True
    readings = str(answer["content"])
    assert "9.1" in readings
    assert "90 N" not in readings


def test_corrections_are_listed_and_read_by_number(stack: Released, calling: Calling) -> None:
    client = calling("builder")
    first = stack.propose(stack.fact(CorrectionOf.TORQUE), "90 N·m", **FAR_ABOVE)
    second = stack.propose(stack.fact(CorrectionOf.HOURS), "119")

    listed = client.get("/api/v1/corrections").json()
    before = client.get(f"/api/v1/corrections/{first}").json()
    stack.decide(first)
    done = client.get(f"/api/v1/corrections/{first}").json()

    assert [row["id"] for row in listed["rows"]] == [second, first]
    assert listed["rows"][1]["record"] == stack.bench.number
    turned = client.get("/api/v1/corrections", params={"limit": 1}).json()
    (oldest,) = client.get("/api/v1/corrections", params={"page": turned["next"]}).json()["rows"]
    assert oldest["id"] == first
    waiting = client.get("/api/v1/corrections", params={"state": "waiting"}).json()["rows"]
    assert [row["id"] for row in waiting] == [second]
    of_record = {"record": stack.bench.number + 1}
    assert client.get("/api/v1/corrections", params=of_record).json()["rows"] == []
    verdict = f"closing of record {stack.bench.number}, limits of the closed clamp"
    for answer in (before, done):
        (row,) = [row for row in answer["follows"] if row["what"] == verdict]
        assert (row["before"], row["after"]) == ("pass", "fail")
    assert (before["state"], done["state"]) == ("waiting", "approved")
    assert any("is released to hydrogen" in note for note in before["notes"])
    assert client.get("/api/v1/corrections/999").status_code == 404


def test_a_part_s_history_and_trace_are_told_as_they_were_known(
    stack: Released, calling: Calling
) -> None:
    fact = stack.fact(CorrectionOf.LAYER_PART)
    stack.lab.rows(lambda s: stack.a_spare(s, fact.details.part_type_id, "S-9"))
    number = stack.propose(fact, "S-9")
    then = stack.lab.now
    stack.later()
    stack.decide(number)
    client = calling("builder")

    def builds(road: str, serial: str, **query: str) -> int:
        answer = client.get(f"/api/v1/parts/{serial}/{road}", params=query)
        assert answer.status_code == 200, answer.text
        return len(answer.json()["sittings" if road == "history" else "builds"])

    for road in ("history", "trace"):
        assert builds(road, "S-9") == 1
        assert builds(road, "S-9", known_at=then.isoformat()) == 0


@pytest.mark.parametrize(
    ("address", "names"),
    [
        ("/api/v1/records?stak=A&limit=5", ["stak"]),
        ("/api/v1/parts/X/history?knownat=2026-01-01T00:00:00Z&drawing=", ["knownat"]),
        ("/api/v1/floor?x=1&y=2", ["x", "y"]),
        ("/api/v1/desk?x=1", ["x"]),
        ("/api/v1/desk/torque?x=1", ["x"]),
    ],
)
def test_a_parameter_nobody_knows_is_refused(
    calling: Calling, address: str, names: list[str]
) -> None:
    answer = calling("builder").get(address)

    assert answer.status_code == 422, answer.text
    assert [field["field"] for field in answer.json()["fields"]] == names


def test_every_route_for_machines_refuses_unknown_parameters(calling: Calling) -> None:
    client = calling("admin")
    for address, methods in client.get("/api/v1/openapi.json").json()["paths"].items():
        if not address.startswith("/api/v1/"):
            continue
        filled = address.replace("{calculator}", "torque").replace("{", "").replace("}", "")
        for method in methods:
            answer = client.request(method, filled, params={"not_a_parameter": "1"})
            assert answer.status_code == 422, (method, address, answer.text)
            fields = [field["field"] for field in answer.json()["fields"]]
            assert fields == ["not_a_parameter"], (method, address)


def test_case_06_a_signature_stands_on_the_version_before_a_correction(
    stack: Released, calling: Calling
) -> None:
    fact = stack.fact(CorrectionOf.LAYER_PART)
    stack.lab.rows(lambda s: stack.a_spare(s, fact.details.part_type_id, "S-9"))
    number = stack.propose(fact, "S-9")
    client = calling("builder")
    waiting = signature(stack)

    stack.decide(number)

    assert waiting == ""
    assert signature(stack) == f"on the version before correction {number}"
    answer = client.get(f"/api/v1/records/{stack.bench.number}").json()
    signed, corrected = answer["decisions"]
    assert (signed["meaning"], signed["before_corrections"]) == ("approved", [number])
    assert (corrected["correction_id"], corrected["before_corrections"]) == (number, [])
    for serial in ("S-9", fact.old_value):
        sittings = client.get(f"/api/v1/parts/{serial}/history").json()["sittings"]
        assert (2 in {each["build_number"] for each in sittings}) is (serial == "S-9")


def signature(stack: Released) -> str:
    with reading(stack.lab.engine) as session:
        approval = record_view(session, stack.bench.number).approval
    assert approval is not None
    return approval.version_in_words


def test_any_value_is_proposed_and_read_by_machine(stack: Released, calling: Calling) -> None:
    client = calling("builder")
    address = f"/api/v1/records/{stack.bench.number}"
    (fact,) = [each for each in client.get(f"{address}/facts").json() if each["part_of"] == "notes"]
    sent = {
        "of": fact["of"],
        "subject": fact["subject"],
        "part_of": fact["part_of"],
        "new_value": "The bench was cold.",
        "reason": "left out",
    }

    made = client.post(f"{address}/corrections", json=sent)
    unknown = client.post(f"{address}/corrections", json=sent | {"part_of": "nothing"})

    assert made.status_code == 201, made.text
    assert unknown.status_code == 422
    (waiting,) = client.get(address).json()["corrections"]
    assert (waiting["was"], waiting["is"]) == ("not given", "The bench was cold.")
