"""What a stubborn machine sends for a log: names, notes and mappings of every wrong shape."""

import json
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.database import housekeeping
from service.platform.errors import Busy
from service.runs.changes.run_uploads import end_upload
from service.runs.files import run_reading
from service.runs.files.logs import guess_log, look_at
from service.runs.tables import RunUpload
from tests import builders
from tests.runs.bench_logs import a_log, until_read

Calling = Callable[..., Any]
RUNS = "/api/v1/stacks/T-1/runs"
BEGAN = "2026-02-04T08:00:00+01:00"
LOG = a_log().encode("latin-1")


@pytest.fixture
def client(calling: Calling, engine: Engine) -> Any:
    """Somebody who may send the logs of stack T-1."""
    with Session(engine) as session:
        stack = builders.a_stack(session, serial="T-1")
        builders.a_release(session, builders.a_build(session, stack, cells=4))
        session.commit()
    return calling("builder")


@pytest.mark.parametrize(
    "mapping",
    [
        "{" * 3,
        '{"form": "log columns 1", "cells": ' + "[" * 100_000,
        '{"form": "log columns 1", "time": {"kind": "clock", "columns": 7}}',
        '{"form": "log columns 1", "cells": [{"column": "U", "channel": 1e400}]}',
        '{"form": "log columns 1", "header_line": "one", "time": null}',
        "a\x00b",
    ],
)
def test_a_mapping_of_another_shape_is_refused(client: Any, mapping: str) -> None:
    answer = client.post(
        RUNS, data={"mapping": mapping, "began_at": BEGAN}, files={"log": ("a.csv", LOG)}
    )

    assert 400 <= answer.status_code < 500, answer.text
    assert answer.json()["detail"]


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\logs\\night.csv", "night.csv"),
        ("..", ".."),
        ("a\x00b.csv", "ab.csv"),
        ("two\r\nlines.csv", "twolines.csv"),
        ("\u202egnp.csv", "gnp.csv"),
        ("x" * 500, "x" * 200),
    ],
)
def test_a_name_of_a_file_is_never_a_path_nor_half_hidden(
    client: Any, engine: Engine, name: str, kept: str
) -> None:
    answer = client.post(RUNS, data={"name": name}, files={"log": ("a.csv", LOG)})

    assert answer.status_code == 202, answer.text
    with Session(engine) as session:
        assert session.scalars(select(RunUpload.name)).all() == [kept]


def test_a_log_that_could_not_be_noted_leaves_no_file(
    client: Any, app: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_all: object, **_named: object) -> None:
        raise Busy

    monkeypatch.setattr(run_reading, "begin_upload", gone)
    answer = client.post(RUNS, files={"log": ("a.csv", LOG)})

    assert answer.status_code == 503
    assert not list((app.state.settings.data_folder / "run-uploads").iterdir())


@pytest.mark.parametrize("field", ["note", "mapping", "began_at", "name"])
def test_a_sign_no_row_can_hold_is_refused_or_left_out(client: Any, field: str) -> None:
    answer = client.post(RUNS, data={field: "a\x00b"}, files={"log": ("a.csv", LOG)})

    assert answer.status_code in {202, 400, 404, 422}, answer.text


def test_headings_nobody_can_print_are_read_or_refused(client: Any) -> None:
    log = a_log().replace("U1 (V)", "U1\u202e (V)").replace("Bench 3", "\u0085")
    answer = client.post(RUNS, files={"log": ("a.csv", log.encode())})

    assert answer.status_code in {202, 422}
    assert json.loads(answer.content)


def test_a_log_that_waits_its_turn_says_so(
    client: Any, engine: Engine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(run_reading, "WAITING_TOLD_S", 0.05)
    busy = threading.Semaphore(0)
    monkeypatch.setattr(run_reading, "AT_ONCE", busy)
    file = tmp_path / "sample.csv"
    file.write_bytes(LOG)
    told = {"mapping": guess_log(look_at(file)).mapping.to_json(), "began_at": BEGAN}

    sent = client.post(RUNS, data=told, files={"log": ("a.csv", LOG)}, params={"wait": 1}).json()
    waiting = client.get(sent["status"]).json()
    busy.release()
    until_read()
    after = client.get(sent["status"]).json()
    with housekeeping(engine) as session:
        end_upload(session, sent["token"], refused="a second reading", now=builders.START)

    assert "waits until other logs are read" in waiting["message"]
    assert after["state"] == client.get(sent["status"]).json()["state"] == "done"
