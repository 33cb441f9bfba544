"""The page of an MEA's own life."""

import csv
import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.life.arithmetic.voltage_trend import MOST_READINGS
from service.stacks.tables import Build
from service.store.tables import Part
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.found_by_index import read_whole
from tests.life.mea_reading import (
    ReadStack,
    a_moved_mea,
    a_read_stack,
    an_open_circuit,
    first_mea,
    read_over,
)
from tests.taps.tapping import a_snapshot

Clients = Callable[..., Any]


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture
def made(app: Any) -> ReadStack:
    with Session(app.state.engine) as session:
        made = a_read_stack(session)
        session.commit()
    return made


def test_it_shows_voltage_rate_openings_and_builds(
    signed_in_client: Clients, made: ReadStack
) -> None:
    page = signed_in_client("builder").get(f"/parts/{made.weak}/life")

    said = words(page.text)
    assert page.status_code == 200
    assert 'role="img"' in page.text
    assert "From 0.6802 V at 0 h to" in said
    assert re.search(r"least squares −120\.\d", said)
    assert re.search(r"median of slopes −120\.\d", said)
    assert "B 2 C 1" in said
    assert "What changed at openings" in said
    assert re.search(rf"{made.serial} build 1, cell 3, position \d+ 2026-02-02", said)
    assert "Its design has no rule of failing yet" in said
    assert "No limit of the voltage is set: the design has no rule of failing yet" in said


def test_a_move_into_another_stack_is_drawn(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        made, serial = a_moved_mea(session)
        session.commit()

    said = words(signed_in_client("builder").get(f"/parts/{made.weak}/life").text)

    assert f"{serial} B 1 C 2" in said
    assert "in 3 builds" in said


def test_a_limit_may_be_asked_for(signed_in_client: Clients, made: ReadStack) -> None:
    page = signed_in_client("builder").get(f"/parts/{made.weak}/life?limit=0,53&density=0.7")

    said = words(page.text)
    assert "limit 0.53 V" in said
    assert "reaches it, now 0.563" in said
    assert "nothing promises that the voltage goes on as it did" in said


def test_what_was_typed_wrongly_stays_and_is_told(
    signed_in_client: Clients, made: ReadStack
) -> None:
    page = signed_in_client("builder").get(f"/parts/{made.weak}/life?limit=9&density=much")

    assert page.status_code == 422
    assert 'value="much"' in page.text
    assert 'id="wrong-limit"' in page.text
    assert 'id="wrong-density"' in page.text


def test_another_density_without_readings_names_those_with(
    signed_in_client: Clients, made: ReadStack
) -> None:
    said = words(signed_in_client("builder").get(f"/parts/{made.weak}/life?density=0.2").text)

    assert "Nothing was read of it within 2 % of 0.2 A/cm²" in said
    assert "It was read at 0.7 A/cm²" in said


def test_what_comes_back_is_told_where_there_were_stops(
    app: Any, signed_in_client: Clients, made: ReadStack
) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=2)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        for spell in range(3):
            begun = FIRST_CLOSING + timedelta(hours=6 + spell * 124)
            read_over(
                session,
                build,
                begun,
                from_h=100.0 * spell,
                hours_h=100.0,
                volts=[(0.7 - 0.002 * spell, 60.0)] * 2,
                every_h=10,
            )
        an_open_circuit(session, build, FIRST_CLOSING + timedelta(days=25), [0.94, 0.95])
        part_id = first_mea(session, build)
        session.commit()

    said = words(signed_in_client("builder").get(f"/parts/{part_id}/life").text)

    assert "with 2 stops between spells of running" in said
    assert re.search(r"Of it lasting µV in each hour, from restart to restart \d\d\.\d", said)
    assert "Without load 0.940 V" in said


def test_few_data_are_said_plainly(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=2)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        read_over(
            session, build, FIRST_CLOSING, from_h=0, hours_h=20, volts=[(0.7, 9.0)] * 2, every_h=20
        )
        part_id = first_mea(session, build)
        session.commit()

    said = words(signed_in_client("builder").get(f"/parts/{part_id}/life").text)

    assert "2 readings are too few for a rate with an interval" in said
    assert "cannot be told" in said.lower()


def test_a_fall_that_gets_faster_is_said(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        for step in range(20):
            ran_h = 30.0 * step
            at = FIRST_CLOSING + timedelta(hours=ran_h)
            volts = round(0.68 - 2e-7 * ran_h**2 + 0.0002 * (-1) ** step, 5)
            a_snapshot(session, build, at, [volts], meter_hours=ran_h)
        part_id = first_mea(session, build)
        session.commit()

    said = words(signed_in_client("builder").get(f"/parts/{part_id}/life?limit=0.6").text)

    assert "It does not fall evenly" in said
    assert "It falls faster of late than the rates above say" in said
    assert re.search(r"Looking back: .* h earlier than foreseen", said)


def test_more_readings_than_are_drawn_are_drawn_together(
    app: Any, signed_in_client: Clients
) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        hours, volts = 2.0 * MOST_READINGS, [(0.68, 30.0)]
        read_over(session, build, FIRST_CLOSING, from_h=0, hours_h=hours, volts=volts, every_h=2.0)
        part_id = first_mea(session, build)
        session.commit()

    page = signed_in_client("builder").get(f"/parts/{part_id}/life")

    assert page.status_code == 200
    assert re.search(r"301 readings were drawn together to \d+ means", words(page.text))


def test_unread_hour_meters_are_said(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        for day in (1, 2, 3, 4):
            a_snapshot(session, build, FIRST_CLOSING + timedelta(days=day), [0.7 - day / 1000])
        part_id = first_mea(session, build)
        session.commit()

    client = signed_in_client("builder")
    said = words(client.get(f"/parts/{part_id}/life").text)

    assert "The hour meter was not read around 4 of 4 of these" in said

    with Session(app.state.engine) as session:
        part = session.get_one(Part, part_id)
        part.hours_before, part.hours_before_unknown = 0.0, True
        session.commit()
    said = words(client.get(f"/parts/{part_id}/life").text)
    assert "How long it ran before it came is not known" in said
    assert "The hour meter was not read" not in said
    assert "too few for a rate" in said


def test_other_parts_and_unread_meas_say_what_is_missing(
    app: Any, signed_in_client: Clients
) -> None:
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        plate, mea = (builders.a_part(session, it).id for it in (types.fuel_plate, types.mea))
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        fitted = first_mea(session, build)
        session.commit()
    client = signed_in_client("builder")

    assert "this is a half plate" in words(client.get(f"/parts/{plate}/life").text)
    assert "It sat in no build" in words(client.get(f"/parts/{mea}/life").text)
    assert "No voltage under load was read" in words(client.get(f"/parts/{fitted}/life").text)
    assert client.get("/parts/999999/life").status_code == 404


def test_the_readings_can_be_taken_along_as_a_list(
    app: Any, signed_in_client: Clients, made: ReadStack
) -> None:
    with Session(app.state.engine) as session:
        session.get_one(builders.Stack, made.stack_id).serial = "=TARN;1"
        session.commit()
    client = signed_in_client("builder")

    answer = client.get(f"/parts/{made.weak}/life.csv?density=0.7&known_at=")

    rows = list(csv.reader(answer.text.removeprefix("\ufeff").splitlines(), delimiter=";"))
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert len(rows) == 28
    assert rows[0][:4] == ["at", "own hours (h)", "hours are at least", "voltage (V)"]
    first, last = rows[1], rows[-1]
    assert (float(first[1]), float(first[3])) == pytest.approx((0.0, 0.6802))
    assert last[1] == "1000.00"
    assert last[5:8] == ["'=TARN;1", "2", "1"]
    assert client.get(f"/parts/{made.weak}/life.csv?density=much").status_code == 422
    assert "/life.csv?" in client.get(f"/parts/{made.weak}/life").text


def test_the_part_leads_to_its_life(signed_in_client: Clients, made: ReadStack) -> None:
    client = signed_in_client("builder")

    assert f'href="/parts/{made.weak}/life"' in client.get(f"/parts/{made.weak}").text


def test_the_page_finds_its_rows_by_index(
    app: Any, signed_in_client: Clients, made: ReadStack, statements: Callable[[], Any]
) -> None:
    client = signed_in_client("builder")
    client.get(f"/parts/{made.weak}/life")

    with statements() as seen:
        client.get(f"/parts/{made.weak}/life")

    assert read_whole(app.state.engine, seen) == []
    assert len(seen) <= 36
