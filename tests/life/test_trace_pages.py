"""The trace of a failing MEA on one page."""

import re
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.store.arithmetic.calibrations import CalibrationResult
from service.store.tables import Hold, Part
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.life.test_traces import a_calibration, a_failing_mea
from tests.stacks.test_part_lives import a_finding, part_at
from tests.stacks.test_stacks_pages import Clients, words

DAY = timedelta(days=1)


@pytest.fixture
def failing(app: Any) -> int:
    """An MEA whose torque driver was found out of tolerance afterwards."""
    with Session(app.state.engine) as session:
        mea, first, second = a_failing_mea(session)
        a_finding(session, second.record_id, mea.id, "pinhole")
        a_finding(session, second.record_id, part_at(session, first, 5), "extrusion")
        a_calibration(
            session, FIRST_CLOSING + 90 * DAY, CalibrationResult.OUT_OF_TOLERANCE, error=-7.5
        )
        session.commit()
        return int(mea.id)


def test_the_trace_tells_the_whole_story_on_one_page(
    signed_in_client: Clients, failing: int
) -> None:
    """Builds, people, approval, torque, instrument in doubt, neighbours, lots, findings."""
    page = words(signed_in_client("quality").get(f"/parts/{failing}/trace").text)

    assert "Trace of MEA MEA-7" in page
    first, second = page.split("1. Stack TEL-1 , build 1")[1].split("2. Stack TEL-1 , build 2")
    assert "Worked on it Bo Lund Witnessed Wim Oke (named, not confirmed) Approved by" in first
    assert "not approved" in second
    assert "found out of tolerance afterwards" in first
    assert "−7.5 % of the reading" in first
    assert "MEA next, toward the free end" in first
    assert "Seen at its opening" in first
    assert "MEA-7 pinhole 2" in first
    assert "extrusion" in first
    assert "Hours in it 120.0 h" in first


def test_the_trace_lists_where_every_other_part_of_its_lots_is(
    signed_in_client: Clients, failing: int
) -> None:
    """Counted and by name, its own lot first; a link from each neighbour leads to its lot."""
    html = signed_in_client("quality").get(f"/parts/{failing}/trace").text
    lots = words(html.partition('id="lots"')[2])

    assert re.findall(r"Lot ([^ ]+) ,", lots)[0] == "M-4"
    assert lots.count("Lot L-") == 2
    assert "2 other parts known, 0 fitted." in lots
    assert "MEA-8 (in store)" in lots
    assert "MEA-9 (scrapped, rejected)" in lots
    assert "association, not a cause" in lots
    anchors = set(re.findall(r'href="#(lot-\d+)"', html))
    assert anchors
    assert anchors <= set(re.findall(r'id="([^"]+)"', html))


@pytest.mark.parametrize("reason", ["peels at the frame.", "peels at the frame"])
def test_why_a_lot_is_held_ends_in_one_full_stop(
    app: Any, signed_in_client: Clients, failing: int, reason: str
) -> None:
    """However it was typed."""
    with Session(app.state.engine) as session:
        by_id = builders.a_person(session, "quality").id
        lot_id = session.get_one(Part, failing).lot_id
        placed = {"placed_by_id": by_id, "placed_at": builders.START}
        session.add(Hold(lot_id=lot_id, reason=reason, **placed))
        session.commit()

    page = words(signed_in_client("quality").get(f"/parts/{failing}/trace").text)

    assert "On hold: peels at the frame. 2 other parts known" in page


def test_the_trace_as_it_was_known_leaves_out_what_came_later(
    signed_in_client: Clients, failing: int
) -> None:
    """And what cannot be read as a time is said."""
    client = signed_in_client("quality")

    then = client.get(f"/parts/{failing}/trace?known_at=2026-02-10+12:00").text
    wrong = client.get(f"/parts/{failing}/trace?known_at=soon")

    assert "1. Stack" in words(then)
    assert "2. Stack" not in words(then)
    assert wrong.status_code == 422
    assert "is not a date and time" in wrong.text


def test_a_part_never_fitted_has_a_trace_that_says_so(app: Any, signed_in_client: Clients) -> None:
    """No build, no lot."""
    with Session(app.state.engine) as session:
        part_id = builders.a_part(session, builders.the_part_types(session).mea).id
        session.commit()

    page = signed_in_client("quality").get(f"/parts/{part_id}/trace").text

    assert "It sat in no build" in page
    assert "Neither the part nor what lay around it has a lot" in page
