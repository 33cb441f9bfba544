"""A sweep's file sent by a bench: through a saved mapping or one of its own, taken once."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.runs.arithmetic.log_columns import (
    CellColumn,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.changes.runs import keep_mapping
from service.runs.tables import Run, Snapshot
from tests.condition.curving import ReadStack, a_read_stack
from tests.condition.test_sweeps_pages import a_file

Calling = Callable[..., Any]
MAPPING = Mapping(
    TimeColumn(TimeKind.ELAPSED, ("Time (s)",)),
    tuple(CellColumn(f"U{channel} (V)", channel) for channel in range(1, 5)),
    (SignalColumn(Signal.CURRENT, "I (A)", "A"),),
)
RAW = {"content-type": "application/octet-stream"}


@pytest.fixture
def stack(engine: Engine) -> ReadStack:
    return a_read_stack(engine)


def test_a_sweep_is_taken_through_a_saved_mapping(calling: Calling, stack: ReadStack) -> None:
    with stack.lab.work(stack.lab.builder) as work:
        keep_mapping(work, "bench 3", MAPPING)
    client = calling("builder")
    asked = {
        "mapping": "bench 3",
        "name": "bench-3.csv",
        "taken_at": stack.before.isoformat(),
        "occasion": "commissioning",
    }
    headers = RAW | {"Idempotency-Key": "sweep-of-bench-3"}
    at = f"/api/v1/stacks/{stack.serial}/sweeps"

    made = client.post(at, params=asked, content=a_file(), headers=headers)
    again = client.post(at, params=asked, content=a_file(), headers=headers)

    assert made.status_code == 201, made.text
    assert again.json() == made.json()
    curve = client.get(f"/api/v1/curves/{made.json()['id']}").json()
    assert (curve["direction"], curve["occasion"]) == ("falling", "commissioning")
    assert curve["part_ids"] == list(stack.first_meas)
    with Session(stack.lab.engine) as session:
        assert session.scalars(select(Run.name)).all() == ["bench-3.csv"]
        assert session.scalars(select(Snapshot.kind)).all() == ["open circuit"]


@pytest.mark.parametrize(
    ("asked", "content", "says"),
    [
        ({}, a_file(), "does not say when"),
        ({"mapping": "{}"}, a_file(), "mapping"),
        ({"mapping": "nobody kept this"}, a_file(), "nobody kept this"),
        ({"taken_at": "2026-02-12T10:00:00Z"}, b"", "required"),
        ({"taken_at": "2026-02-12T10:00:00Z"}, b"neither;this\n1;2\n", "column"),
        ({"taken_at": "2020-02-12T10:00:00Z"}, a_file(), "was closed later"),
    ],
)
def test_what_cannot_be_taken_is_a_problem(
    calling: Calling, stack: ReadStack, asked: dict[str, str], content: bytes, says: str
) -> None:
    params = {"mapping": MAPPING.to_json(), **asked}

    answer = calling("builder").post(
        f"/api/v1/stacks/{stack.serial}/sweeps", params=params, content=content, headers=RAW
    )

    assert answer.status_code in {404, 422}
    assert answer.headers["content-type"] == "application/problem+json"
    assert says in answer.text
    with Session(stack.lab.engine) as session:
        assert session.scalars(select(Run)).all() == []
