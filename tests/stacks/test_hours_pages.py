"""Hours on pages: a bench's reports by the day, and hours at load, with gas and by date apart."""

import html
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.stacks.tables import Build
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.taps.tapping import a_bridge, a_report, a_run
from tests.taps.test_tap_maps_pages import words

Clients = Callable[..., Any]
DAY = timedelta(days=1)


@pytest.fixture
def mea(app: Any) -> int:
    """The MEA of cell 2, bridged from the second day on; 40 h by the meter, one day's log."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TEL-4", cells=3)
        build = session.scalars(select(Build)).one()
        a_run(
            session,
            build,
            FIRST_CLOSING,
            FIRST_CLOSING + DAY,
            meter=(0, 20),
            load_hours=18,
            gas_hours=22,
        )
        a_bridge(session, build, 2, FIRST_CLOSING + DAY)
        a_report(session, stack.id, FIRST_CLOSING + 2 * DAY, [30.0, 35.0, 40.0])
        session.commit()
        return mea_of_cells(session, [build.id])[build.id][2]


def test_the_hours_page_tells_days_logs_and_kinds(signed_in_client: Clients, mea: int) -> None:
    page = words(signed_in_client("builder").get("/stacks/TEL-4/hours").text)

    assert "reported by a bench, 3 times that day" in page
    assert "30 to 40 h" in page
    assert "at the end of a log" in page
    assert "cell 2 bridged" in page
    row = page.partition("blank or bridged 1 2026-02-02")[2]
    assert "40.0 h 38.0 h 42.0 h" in row.replace("\u2009", " ")


def test_the_part_page_keeps_the_hours_of_a_bridged_cell_apart(
    signed_in_client: Clients, app: Any, mea: int
) -> None:
    """18 h of the log at load, 20 missed since; 42 with gas."""
    client = signed_in_client("builder")

    page = words(client.get(f"/parts/{mea}").text).replace("\u2009", " ")

    assert (
        "At load 18.0 h ; 20.0 h less than its stacks, while its cell was blank or bridged" in page
    )
    assert "Gas-exposed 42.0 h" in page
    assert "Calendar" in page
    assert "bridged: cell 2" in words(client.get("/stacks/TEL-4").text)


def test_older_readings_are_a_page_further(signed_in_client: Clients, app: Any, mea: int) -> None:
    app.state.settings = app.state.settings.model_copy(update={"page_rows": 1})
    client = signed_in_client("builder")

    first = client.get("/stacks/TEL-4/hours").text
    assert "at the end of a log" not in first
    address = first.partition('rel="next"')[0].rpartition('href="')[2].partition('"')[0]
    second = client.get(address.replace("&amp;", "&").partition("#")[0])

    assert second.status_code == 200
    assert "at the end of a log" in second.text
    assert 'rel="prev"' in second.text
    assert client.get("/stacks/TEL-4/hours?page=soon").status_code == 422


def test_reports_of_a_wrong_stack_are_taken_back_on_the_page(
    signed_in_client: Clients, app: Any, mea: int
) -> None:
    client = signed_in_client("builder")
    page = client.get("/stacks/TEL-4/hours")
    assert "A bench reported another stack's meter" in html.unescape(page.text)
    day = (FIRST_CLOSING + 2 * DAY).date().isoformat()

    back, why = "/stacks/TEL-4/hours/taken-back", "Of TEL-5."
    refused = client.post(back, data={"key": "a", "first_day": "2020-01-01", "back_reason": why})
    taken = client.post(
        back, data={"key": "b", "first_day": day, "back_reason": why}, follow_redirects=False
    )

    assert refused.status_code == 422
    assert "no bench reported" in refused.text
    assert "Of TEL-5." in refused.text
    assert taken.status_code == 303
    assert "reported by a bench" not in words(client.get("/stacks/TEL-4/hours").text)
    page = client.get("/stacks/TEL-4/hours").text
    assert "Reports taken back" in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
