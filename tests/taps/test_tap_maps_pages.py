"""The pages of tap maps: the map drawn, written, corrected and taken back."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.stacks.tables import Build, Stack
from service.taps.queries import taps_of
from service.taps.tables import TapMap
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.proposing import put_in_force
from tests.taps.tapping import a_snapshot, a_tap_map

Clients = Callable[..., Any]
DAY = timedelta(days=1)
TAPS = "/stacks/TEL-4/taps"
RIGHT = {"valid_from": "2026-02-03 08:00", "reason": "followed every lead"}


@pytest.fixture
def stack(app: Any) -> int:
    """Three cells, one day of voltages; and a stack never built."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TEL-4", cells=3)
        build = session.scalars(select(Build)).one()
        a_snapshot(session, build, FIRST_CLOSING + 10 * DAY, [0.61, 0.4, 0.63])
        builders.a_stack(session, serial="TEL-5")
        session.commit()
        return stack.id


def words(html: str) -> str:
    """The text of a page, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def approved(app: Any, client: Any) -> None:
    """Let somebody else approve what the page says waits."""
    (number,) = re.findall(r'href="/proposals/(\d+)"', client.get(TAPS).text)
    assert "What changes" in client.get(f"/proposals/{number}").text
    put_in_force(app.state.engine, int(number))


def cells(*numbers: int | str) -> dict[str, str]:
    """The fields of the channels in their order."""
    return {f"cell_{channel}": str(cell) for channel, cell in enumerate(numbers, 1)}


def test_without_a_map_each_channel_is_shown_on_the_cell_of_its_number(
    signed_in_client: Clients, stack: int
) -> None:
    page = signed_in_client("builder").get(TAPS)

    assert page.status_code == 200
    assert "Nobody has given a map" in page.text
    assert page.text.count("reads cell") == 3
    assert "not the cell of its number" not in page.text
    assert 'role="img"' in page.text


def test_a_map_is_written_from_a_form_begun_with_what_is_valid(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    client = signed_in_client("builder")
    form = client.get(f"{TAPS}/new").text
    assert re.findall(r'name="(cell_\d)"[^>]* value="(\d?)"', form) == [
        ("cell_1", "1"),
        ("cell_2", "2"),
        ("cell_3", "3"),
    ]

    answer = client.post(f"{TAPS}/new", data=RIGHT | cells(2, 1, ""))

    assert (answer.status_code, answer.headers["location"]) == (303, TAPS)
    assert "Nobody has given a map" in client.get(TAPS).text
    approved(app, client)
    page = words(client.get(TAPS).text)
    assert "1 reads cell 2, 2 reads cell 1, 3 reads none" in page
    assert "No channel reads cell 3" in page
    assert page.count("not the cell of its number") == 2
    assert "wrote tap map of TEL-4 from 2026-02-03" in words(client.get("/audit-trail").text)
    again = client.get(f"{TAPS}/new?channels=4").text
    assert re.findall(r'name="cell_\d"[^>]* value="(\d?)"', again) == ["2", "1", "", ""]


def test_what_cannot_be_stands_beside_its_field_and_nothing_is_lost(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    client = signed_in_client("builder")

    too_high = client.post(f"{TAPS}/new", data=RIGHT | cells(1, 2, 7))
    words_for_a_cell = client.post(f"{TAPS}/new", data=RIGHT | cells(1, "two", 3))
    no_time = client.post(f"{TAPS}/new", data=cells(1, 2, 3) | {"valid_from": "soon"})
    no_channels = client.post(f"{TAPS}/new", data=RIGHT)

    for answer in (too_high, words_for_a_cell, no_time, no_channels):
        assert answer.status_code == 422
    assert "Channel 3 reads cell 7, but the stack has 3 cells" in unescape(too_high.text)
    assert 'value="7"' in too_high.text
    assert 'id="wrong-cell_2"' in words_for_a_cell.text
    assert 'value="two"' in words_for_a_cell.text
    assert 'id="wrong-valid_from"' in no_time.text
    assert 'id="wrong-reason"' in no_time.text
    with Session(app.state.engine) as session:
        assert session.scalars(select(TapMap)).all() == []


def test_a_map_is_corrected_and_the_wrong_one_stays_readable(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    with Session(app.state.engine) as session:
        begun = FIRST_CLOSING + timedelta(hours=1, seconds=17)
        wrong = a_tap_map(session, stack, begun, {1: 1, 2: 3, 3: 2}).id
        session.commit()
    client = signed_in_client("builder")
    sheet = words(client.get(f"/tap-maps/{wrong}").text)
    assert "1 snapshots and 0 curves" in sheet
    form = client.get(f"/tap-maps/{wrong}/correct").text
    shown = re.search(r'id="valid_from"[^>]* value="([^"]+)"', form)
    assert shown

    answer = client.post(
        f"/tap-maps/{wrong}/correct",
        data=cells(2, 1, 3) | {"valid_from": shown[1], "reason": "lead 2 was on cell 1"},
    )

    assert answer.status_code == 303
    approved(app, client)
    with Session(app.state.engine) as session:
        at = FIRST_CLOSING + 10 * DAY
        assert taps_of(session, [stack]).cell_of(stack, at, ("U1", "U2", "U3")) == (2, 1, 3)
        kept = session.scalars(select(TapMap.valid_from).where(TapMap.id != wrong)).one()
    assert kept == begun, "the seconds the form does not show are kept"
    assert "What was thought before" in client.get(TAPS).text
    assert "Corrected or taken back" in client.get(f"/tap-maps/{wrong}").text
    again = client.post(
        f"/tap-maps/{wrong}/correct", data=cells(3, 2, 1) | {"valid_from": shown[1], "reason": "x"}
    )
    assert again.status_code == 422


def test_a_map_is_taken_back_with_its_reason(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    with Session(app.state.engine) as session:
        wrong = a_tap_map(session, stack, FIRST_CLOSING, {1: 2, 2: 1}).id
        session.commit()
    client = signed_in_client("builder")

    without = client.post(f"/tap-maps/{wrong}/take-back", data={"reason": ""})
    answer = client.post(f"/tap-maps/{wrong}/take-back", data={"reason": "of another stack"})

    assert without.status_code == 422
    assert answer.status_code == 303
    approved(app, client)
    assert "Nobody has given a map" in client.get(TAPS).text


def test_a_stack_never_built_and_unknown_ones_say_so(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    client = signed_in_client("builder")

    assert "has not been built yet" in client.get("/stacks/TEL-5/taps").text
    assert "has not been built yet" in client.get("/stacks/TEL-5/taps/new").text
    assert client.post("/stacks/TEL-5/taps/new", data=RIGHT | cells(1)).status_code == 422
    assert client.get("/stacks/nobody/taps").status_code == 404
    assert client.get("/tap-maps/99").status_code == 404
    assert client.get(f"{TAPS}/new?channels=many").status_code == 422


def test_who_may_only_look_sees_no_form(signed_in_client: Clients, app: Any, stack: int) -> None:
    client = signed_in_client("admin")

    assert f"{TAPS}/new" not in client.get(TAPS).text
    assert client.get(f"{TAPS}/new").status_code == 403
    assert client.post(f"{TAPS}/new", data=RIGHT | cells(1, 2, 3)).status_code == 403


def test_a_map_that_no_longer_fits_the_build_says_so(
    signed_in_client: Clients, app: Any, stack: int
) -> None:
    """The stack was rebuilt with fewer cells than the map reads."""
    with Session(app.state.engine) as session:
        row = session.get_one(Stack, stack)
        a_tap_map(session, stack, FIRST_CLOSING, {1: 1, 2: 2, 3: 3})
        builders.a_build(session, row, laid=builders.a_pile(session, row, 2), hours=100)
        session.commit()

    page = words(signed_in_client("builder").get(TAPS).text)

    assert "The map does not fit build 2" in page
    assert "It is older than build 2" in page
    assert "Channel 3 reads cell 3, but the stack has 2 cells" in page
