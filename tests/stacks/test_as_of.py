"""The same pair of times, ``on`` and ``known_at``, gives the same state on pages and by the API."""

import html
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.queries.statements import known
from service.stacks.tables import BuildPeriod, HourReading, Layer, Moment
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.life.test_traces import a_failing_mea
from tests.stacks.test_stacks_pages import Clients, words

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


@pytest.fixture
def mea(app: Any) -> int:
    """An MEA of two builds whose opening hours, and one of whose neighbours, were corrected."""
    with Session(app.state.engine) as session:
        part, _first, second = a_failing_mea(session)
        opening = session.scalars(
            select(HourReading).where(HourReading.moment == Moment.OPENING)
        ).first()
        assert opening is not None
        opening.known_until = corrected_at(session)
        session.flush()
        fields = {c.key: getattr(opening, c.key) for c in HourReading.__table__.columns}
        fields |= {"id": None, "known_from": opening.known_until, "known_until": None}
        session.add(HourReading(**fields | {"hours": 110.0, "replaces_id": opening.id}))
        wrong = session.scalars(
            select(Layer).where(Layer.build_id == second.id, Layer.part_id == part.id)
        ).one()
        wrong.known_until, wrong.present = opening.known_until, False
        session.flush()
        fields = {c.key: getattr(wrong, c.key) for c in Layer.__table__.columns}
        right = builders.a_part(session, builders.the_part_types(session).mea, serial="MEA-R")
        fields |= {"id": None, "known_from": wrong.known_until, "known_until": None}
        session.add(Layer(**fields | {"part_id": right.id, "present": True}))
        session.commit()
        return int(part.id)


def corrected_at(session: Session) -> datetime:
    """Two days after the last closing."""
    closed_at = max(session.scalars(select(BuildPeriod.closed_at)))
    return closed_at + 2 * DAY


def asked(engine: Engine) -> list[dict[str, str]]:
    """Before all, in build 1, in build 2; known in build 1, before the correction, now."""
    with Session(engine) as session:
        periods = list(
            session.scalars(
                select(BuildPeriod).where(known(BuildPeriod)).order_by(BuildPeriod.closed_at)
            )
        )
        corrected = corrected_at(session)
    opened = periods[0].opened_at
    assert opened is not None
    before, first, second = FIRST_CLOSING - DAY, opened - HOUR, periods[1].closed_at + HOUR
    pairs = [(None, None), (before, None), (first, None), (second, None)]
    pairs += [(None, first), (None, corrected - HOUR), (first, corrected - HOUR)]
    named = [{"on": pair[0], "known_at": pair[1]} for pair in pairs]
    return [{name: at.isoformat() for name, at in pair.items() if at} for pair in named]


def hours_in(text: str) -> list[float]:
    return [float(number) for number in re.findall(r"([\d.]+)\s*h\b", words(text))]


@pytest.mark.both_engines
def test_pages_and_api_give_the_same_state_for_the_same_times(
    engine: Engine, mea: int, signed_in_client: Clients, calling: Any
) -> None:
    """Layers of the stack, hours of its builds, builds and hours of the part and of its trace."""
    page, api = signed_in_client("quality"), calling("quality")
    states = set()
    for at in asked(engine):
        layers = api.get("/api/v1/stacks/TEL-1/layers", params=at).json()["layers"]
        kinds = api.get("/api/v1/stacks/TEL-1/hours", params=at).json()
        life = api.get("/api/v1/parts/MEA-7/history", params=at).json()
        trace = api.get("/api/v1/parts/MEA-7/trace", params=at).json()

        stack = page.get("/stacks/TEL-1", params=at).text
        assert re.findall(r'href="/parts/(\d+)"', between(stack, "Layers from the fixed end")) == [
            str(layer["part"]) for layer in layers
        ], at
        hours_page = page.get("/stacks/TEL-1/hours", params=at).text
        by_meter = [
            row.split("</td>")[1] for row in rows_of(between(hours_page, "Hours of its builds"))
        ]
        assert [hours_in(cell) for cell in by_meter] == [
            [round(build["by_the_meter"]["hours"], 1)] for build in reversed(kinds["builds"])
        ], at
        for text, answer in (
            (page.get(f"/parts/{mea}", params=at).text, life),
            (page.get(f"/parts/{mea}/trace", params=at).text, trace),
        ):
            assert hours_in(between(text, "<dt>Hours</dt>"))[0] == round(
                answer["hours"]["hours"], 1
            ), at
            assert f"{answer['events']['load_cycles']}" in between(text, "<dt>Load cycles"), at
        states.add((len(layers), kinds["hours"]["hours"], life["hours"]["hours"]))

    assert len(states) > 4, "the times tell states apart"


def test_a_page_names_what_it_does_not_know_and_the_api_refuses_it(
    signed_in_client: Clients, calling: Any, mea: int
) -> None:
    """In a line on the page; as 422 by the API."""
    page = signed_in_client("quality").get("/stacks/TEL-1/hours?record=13&on=2026-03-01&x=1")
    known = signed_in_client("quality").get(f"/parts/{mea}?known_at=2026-03-01")
    answer = calling("quality").get("/api/v1/stacks/TEL-1/hours?record=13")

    assert page.status_code == 200
    assert "Not known here: record, x" in words(page.text)
    assert "Not known here" not in known.text
    assert answer.status_code == 422
    assert "record" in answer.text


def test_a_time_that_cannot_be_read_is_refused_beside_its_field(
    signed_in_client: Clients, mea: int
) -> None:
    """What was typed stays."""
    page = signed_in_client("quality").get(f"/parts/{mea}?known_at=soon")

    assert page.status_code == 422
    assert "“soon” is not a date and time" in html.unescape(page.text)
    assert 'value="soon"' in page.text


def test_a_record_sheet_shows_the_corrections_known_at_a_time(
    signed_in_client: Clients, calling: Any, mea: int
) -> None:
    """A record has one time of its own, so it takes known_at alone."""
    page = signed_in_client("quality").get("/records/1", params={"known_at": "2026-02-03 10:00"})
    api = calling("quality")
    answer = api.get(
        "/api/v1/records/1",
        params={"known_at": datetime(2020, 1, 1, tzinfo=UTC).isoformat()},
    )

    assert "Corrections and the closing as known on 2026-02-03 10:00" in words(page.text)
    assert answer.json()["decisions"] == []
    assert api.get("/api/v1/records/1").json()["decisions"] != []
    assert api.get("/api/v1/records/1?on=2026-01-01T00:00:00Z").status_code == 422


def between(text: str, start: str) -> str:
    """The table or the line of a page that begins so; empty where there is none."""
    rest = text.partition(start)[2]
    return rest.partition("</dd>" if start.startswith("<dt>") else "</table>")[0]


def rows_of(table: str) -> list[str]:
    return table.split('<th scope="row"')[1:]
