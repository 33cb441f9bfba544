"""A bench sends its logs: raw or as a form, with a saved mapping, and asks what became of them."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.runs.files.logs import guess_log, look_at
from tests import builders
from tests.runs.bench_logs import a_log, until_read

Calling = Callable[..., Any]
CELLS = 4
RUNS = "/api/v1/stacks/T-1/runs"
BEGAN = "2026-02-04T08:00:00+01:00"


@pytest.fixture
def stack(engine: Engine) -> int:
    """A stack with one released build."""
    with Session(engine) as session:
        stack = builders.a_stack(session, serial="T-1")
        builders.a_release(session, builders.a_build(session, stack, cells=CELLS))
        session.commit()
        return stack.id


@pytest.fixture
def columns(tmp_path: Path) -> dict[str, Any]:
    """Which column is what, as somebody confirmed it."""
    file = tmp_path / "sample.csv"
    file.write_bytes(a_log().encode("latin-1"))
    told: dict[str, Any] = json.loads(guess_log(look_at(file)).mapping.to_json())
    return told


def raw(client: Any, content: bytes, **query: object) -> Any:
    asked = {"name": "log.csv", "began_at": BEGAN, "wait": 60} | query
    return client.post(RUNS, content=content, params=asked)


def test_a_log_goes_in_raw_through_a_saved_mapping(
    calling: Calling, stack: int, columns: dict[str, Any]
) -> None:
    client = calling("builder")
    kept = client.post("/api/v1/run-mappings", json={"name": "bench 3", "mapping": columns})
    assert kept.status_code == 201

    answer = raw(client, gzip.compress(a_log().encode("latin-1")), mapping="bench 3")

    assert answer.status_code == 201, answer.text
    told = answer.json()
    assert (told["state"], told["done"]) == ("done", 1.0)
    assert client.get(told["status"]).json() == told
    run = client.get(f"/api/v1/runs/{told['run']}").json()
    assert run["run"]["reading"]["load_hours"] == pytest.approx(3.25)
    assert run["run"]["reading"]["began_at"].startswith("2026-02-04T07:00:00")
    assert run["run"]["reading"]["not_released"] is None
    assert run["mapping"] == columns
    assert {one["kind"] for one in run["snapshots"]} == {"steady load", "open circuit"}
    assert [one["id"] for one in client.get(RUNS).json()] == [told["run"]]
    assert client.get("/api/v1/run-mappings").json()[0]["name"] == "bench 3"
    again = raw(client, gzip.compress(a_log().encode("latin-1"), mtime=1), mapping="bench 3")
    assert again.status_code == 422
    assert "overlaps run" in again.text


def test_a_log_goes_in_as_a_form_with_its_mapping_beside(
    calling: Calling, stack: int, columns: dict[str, Any]
) -> None:
    client = calling("builder")

    answer = client.post(
        RUNS,
        params={"wait": 60},
        data={"mapping": json.dumps(columns), "began_at": BEGAN, "note": "night run"},
        files={"log": ("night.csv", a_log().encode("latin-1"))},
    )

    assert answer.status_code == 201, answer.text
    run = client.get(f"/api/v1/runs/{answer.json()['run']}").json()["run"]
    assert (run["name"], run["note"], run["added_by"]) == (
        "night.csv",
        "night run",
        "builder calling",
    )


def test_without_waiting_the_status_tells_when_it_is_read(
    calling: Calling, stack: int, columns: dict[str, Any]
) -> None:
    client = calling("builder")
    client.post("/api/v1/run-mappings", json={"name": "bench 3", "mapping": columns})

    answer = raw(client, a_log().encode("latin-1"), mapping="bench 3", wait=0)

    assert answer.status_code in {201, 202}
    until_read()
    told = client.get(answer.json()["status"]).json()
    assert told["state"] == "done"
    assert told["page"] == f"/runs/{told['run']}"


def test_without_a_mapping_the_log_waits_for_somebody(calling: Calling, stack: int) -> None:
    client = calling("builder")

    told = raw(client, a_log().encode("latin-1"))

    assert told.status_code == 202
    assert told.json()["state"] == "waiting"
    assert told.json()["page"] == f"/runs/uploads/{told.json()['token']}"


@pytest.mark.parametrize(
    ("change", "status", "said"),
    [
        ({"mapping": "bench 9"}, 404, "no column mapping"),
        ({"mapping": "{}"}, 422, "log columns 1"),
        ({"content": b""}, 422, "is empty"),
        ({"content": b"hello"}, 422, "no row of it holds"),
        ({"began_at": "2026-02-01T08:00:00Z"}, 422, "was closed later"),
        ({"began_at": "2026-02-04T08:00:00"}, 422, "timezone"),
        ({"wait": 10_000}, 422, "600"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(
    *,
    calling: Calling,
    stack: int,
    columns: dict[str, Any],
    change: dict[str, Any],
    status: int,
    said: str,
) -> None:
    client = calling("builder")
    client.post("/api/v1/run-mappings", json={"name": "bench 3", "mapping": columns})
    content = change.get("content", a_log().encode("latin-1"))
    query = {name: value for name, value in change.items() if name != "content"}

    answer = raw(client, content, **{"mapping": "bench 3"} | query)

    assert answer.status_code == status, answer.text
    assert said in answer.text


def test_a_run_is_read_again_and_made_void(
    calling: Calling, stack: int, columns: dict[str, Any]
) -> None:
    client = calling("builder")
    client.post("/api/v1/run-mappings", json={"name": "bench 3", "mapping": columns})
    run = raw(client, a_log().encode("latin-1"), mapping="bench 3").json()["run"]
    columns["counting"]["idle_a_cm2"] = 0.8

    answer = client.post(
        f"/api/v1/runs/{run}/again", json={"reason": "idle limit", "mapping": columns}
    )

    assert answer.status_code == 202
    until_read()
    assert client.get(answer.json()["status"]).json()["state"] == "done"
    told = client.get(f"/api/v1/runs/{run}").json()
    assert told["run"]["reading"]["load_hours"] == 0.0
    assert len(told["readings"]) == 2
    clock = {"minutes": 30, "reason": "the logger was half an hour slow"}
    moved = client.post(f"/api/v1/runs/{run}/clock", json=clock).json()
    assert moved["run"]["reading"]["began_at"] != told["run"]["reading"]["began_at"]
    assert moved["doubts"][-1] == "The log’s clock was corrected by +30 min."
    void = client.post(f"/api/v1/runs/{run}/void", json={"reason": "a trial"})
    assert void.json()["reading"] is None


def test_who_only_reads_sends_no_log(calling: Calling, stack: int) -> None:
    client = calling()

    assert raw(client, a_log().encode("latin-1")).status_code == 403
    assert client.get(RUNS).status_code == 200
    assert client.get("/api/v1/runs/999").status_code == 404
