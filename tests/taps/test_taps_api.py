"""Tap maps and bridged cells for machines: the same changes as on the pages, once a key."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.stacks.tables import CellBridge
from service.taps.tables import TapMap
from tests import builders
from tests.builders import FIRST_CLOSING

Calling = Callable[..., Any]
DAY = timedelta(days=1)
FROM = (FIRST_CLOSING + DAY).isoformat()


@pytest.fixture
def stack(engine: Engine) -> int:
    """Three cells in one build."""
    with Session(engine) as session:
        stack_id = builders.a_stack(session, cells=3, serial="T-1").id
        session.commit()
        return stack_id


def a_map(*cells: int | None) -> dict[str, Any]:
    """A map as a machine sends it."""
    taps = [{"channel": channel, "cell": cell} for channel, cell in enumerate(cells, 1)]
    return {"valid_from": FROM, "channels": taps, "reason": "leads laid anew"}


BRIDGE = {"cell": 2, "from_at": FROM, "reason": "reverses at load", "allowed_by": "test lead"}


def test_a_map_is_written_corrected_taken_back_and_read(
    calling: Calling, engine: Engine, stack: int
) -> None:
    client = calling("builder")
    key = {"Idempotency-Key": "bench-1-taps-1"}

    made = client.post("/api/v1/stacks/T-1/taps", json=a_map(1, 3, 2), headers=key)
    again = client.post("/api/v1/stacks/T-1/taps", json=a_map(1, 3, 2), headers=key)
    right = client.post(f"/api/v1/tap-maps/{made.json()['id']}/correction", json=a_map(2, 1, None))
    maps = client.get("/api/v1/stacks/t-1/taps").json()["maps"]
    taken = client.post(
        f"/api/v1/tap-maps/{right.json()['id']}/taking-back", json={"reason": "of another stack"}
    )

    assert (made.status_code, again.status_code) == (201, 200)
    assert again.json() == made.json()
    assert right.status_code == taken.status_code == 201
    assert [one["known_until"] is None for one in maps] == [True, False]
    assert maps[0]["channels"][2] == {"channel": 3, "cell": None}
    with Session(engine) as session:
        assert all(row.known_until for row in session.scalars(select(TapMap)))


def test_a_cell_the_stack_does_not_have_is_refused(
    calling: Calling, engine: Engine, stack: int
) -> None:
    client = calling("builder")

    answer = client.post("/api/v1/stacks/T-1/taps", json=a_map(4))

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "channels"
    assert calling("admin").post("/api/v1/stacks/T-1/taps", json=a_map(1)).status_code == 403


def test_a_bridge_is_noted_ended_corrected_and_taken_back(
    calling: Calling, engine: Engine, stack: int
) -> None:
    client = calling("builder")
    until = (FIRST_CLOSING + 3 * DAY).isoformat()

    noted = client.post("/api/v1/stacks/T-1/bridges", json=BRIDGE).json()["id"]
    standing = client.get("/api/v1/stacks/T-1/bridges").json()["bridges"]
    ended = client.post(f"/api/v1/bridges/{noted}/end", json={"until_at": until}).json()["id"]
    corrected = client.post(
        f"/api/v1/bridges/{ended}/correction",
        json=BRIDGE | {"cell": 1, "until_at": until, "why": "it was cell 1"},
    ).json()["id"]
    known = client.get("/api/v1/stacks/T-1/bridges").json()["bridges"]
    taken = client.post(f"/api/v1/bridges/{corrected}/taking-back", json={"reason": "never was"})

    assert [(one["cell"], one["stands"]) for one in standing] == [(2, True)]
    assert [one["cell"] for one in known if one["known_until"] is None] == [1]
    assert taken.status_code == 201
    with Session(engine) as session:
        assert all(row.known_until for row in session.scalars(select(CellBridge)))


def test_a_bridge_without_somebody_who_allowed_it_is_refused(
    calling: Calling, engine: Engine, stack: int
) -> None:
    answer = calling("builder").post(
        "/api/v1/stacks/T-1/bridges", json=BRIDGE | {"allowed_by": " "}
    )

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "allowed_by"
