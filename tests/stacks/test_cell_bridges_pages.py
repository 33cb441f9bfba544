"""The pages of bridged cells: noted with a caution, ended, corrected, taken back."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.stacks.tables import Build, CellBridge
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.taps.tapping import a_bridge
from tests.taps.test_tap_maps_pages import words

Clients = Callable[..., Any]
BRIDGES = "/stacks/TEL-4/bridges"
TOLD = {
    "cell": "2",
    "from_at": "2026-02-05 10:00",
    "until_at": "",
    "reason": "reverses at load",
    "allowed_by": "Anton Achterberg (invented), test lead",
}


@pytest.fixture
def stack(app: Any) -> int:
    """Two live cells and a blank one; and a stack never built."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TEL-4")
        types = builders.the_part_types(session)
        kinds = (types.mea, types.mea, types.blank_cell)
        meas = [builders.a_part(session, kind, stack=stack) for kind in kinds]
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, 3, meas=meas))
        builders.a_stack(session, serial="TEL-5")
        session.commit()
        return stack.id


def test_the_page_warns_before_it_asks(signed_in_client: Clients, stack: int) -> None:
    """A jumper across a cell with gas in it short-circuits that cell."""
    page = signed_in_client("builder").get(BRIDGES).text

    told = words(page)
    assert "A jumper across a gas-fed cell short-circuits it" in told
    assert told.index("short-circuits") < told.index("Note a bridged cell")
    assert "local codes" in told
    assert "No cell is bridged now" in told
    assert page.count("<option") == 3, "a blank cell is not offered"


def test_a_bridge_is_noted_ended_and_corrected(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    client = signed_in_client("builder")

    noted = client.post(BRIDGES, data=TOLD)
    assert (noted.status_code, noted.headers["location"]) == (303, BRIDGES)
    assert "still bridged" in words(client.get(BRIDGES).text)
    assert "bridged now" in words(client.get("/bridges/1").text)
    assert client.post("/bridges/1/end", data={"until_at": "2026-02-05 09:00"}).status_code == 422
    ended = client.post("/bridges/1/end", data={"until_at": "2026-02-07 10:00", "note": "off"})
    assert ended.status_code == 303
    assert "No cell is bridged now" in words(client.get(BRIDGES).text)
    right = TOLD | {"cell": "1", "until_at": "2026-02-07 10:00", "why": "it was cell 1"}
    assert client.get("/bridges/2/correct").status_code == 200
    corrected = client.post("/bridges/2/correct", data=right)

    assert corrected.status_code == 303
    with Session(app.state.engine) as session:
        rows = session.scalars(select(CellBridge).order_by(CellBridge.id)).all()
        assert [(row.cell, row.known_until is None) for row in rows] == [
            (2, False),
            (2, False),
            (1, True),
        ]
    trail = words(client.get("/audit-trail").text)
    for sentence in (
        "noted bridged cell 2",
        "noted the end of bridged cell 2",
        "corrected bridged",
    ):
        assert sentence in trail
    assert "it was cell 1" in trail


def test_what_cannot_be_stands_beside_its_field_and_nothing_is_lost(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    client = signed_in_client("builder")

    blank = client.post(BRIDGES, data=TOLD | {"cell": "3"})
    unasked = client.post(BRIDGES, data=TOLD | {"allowed_by": "", "reason": ""})
    early = client.post(BRIDGES, data=TOLD | {"from_at": "2026-01-01 10:00"})

    for answer, field in ((blank, "cell"), (unasked, "allowed_by"), (early, "from_at")):
        assert answer.status_code == 422
        assert f'id="wrong-{field}"' in answer.text
        assert "2026-0" in answer.text
    assert 'id="wrong-reason"' in unasked.text
    with Session(app.state.engine) as session:
        assert session.scalars(select(CellBridge)).all() == []


def test_a_bridge_is_taken_back_with_its_reason(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    with Session(app.state.engine) as session:
        build = session.scalars(select(Build)).one()
        bridge = a_bridge(session, build, 1, FIRST_CLOSING + timedelta(days=1)).id
        session.commit()
    client = signed_in_client("builder")

    assert client.post(f"/bridges/{bridge}/take-back", data={"why": " "}).status_code == 422
    assert client.post(f"/bridges/{bridge}/take-back", data={"why": "never"}).status_code == 303

    assert "What was thought before" in client.get(BRIDGES).text
    assert "taken back" in words(client.get(f"/bridges/{bridge}").text)


def test_a_stack_never_built_and_who_may_only_look(signed_in_client: Clients, stack: int) -> None:
    client = signed_in_client("admin")

    assert "no cell to bridge" in client.get("/stacks/TEL-5/bridges").text
    assert "Note a bridged cell" not in client.get(BRIDGES).text
    assert client.post(BRIDGES, data=TOLD).status_code == 403
    assert client.get("/bridges/99").status_code == 404
    assert signed_in_client("builder").post("/stacks/TEL-5/bridges", data=TOLD).status_code == 422
