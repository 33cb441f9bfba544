"""Hours of a stack and of its parts at any time, whoever told what the meter showed."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.life.queries.own_hours import own_hours_at
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import build_spans
from service.stacks.queries.hour_histories import stack_total_at
from service.stacks.queries.hours import build_hours, stack_hours
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, HourReport, Stack
from tests import builders
from tests.builders import FIRST_CLOSING, OPEN_FOR, START
from tests.taps.tapping import a_bridge, a_report, a_run

DAY = timedelta(days=1)
SECOND_CLOSING = FIRST_CLOSING + 30 * DAY


@pytest.fixture
def two_builds(engine: Engine) -> tuple[int, int, int]:
    """Three cells, 300 h in the first build; the second read at 400 h ten days on."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        first = session.scalars(select(Build)).one()
        second = builders.a_build(session, stack, hours=300)
        builders.an_hour_reading(session, stack, 400, SECOND_CLOSING + 10 * DAY)
        session.commit()
        return stack.id, first.id, second.id


def test_hours_between_two_readings_are_taken_in_proportion(
    engine: Engine, two_builds: tuple[int, int, int]
) -> None:
    """And none run while the stack stands open."""
    stack_id, *_ = two_builds
    with Session(engine) as session:
        total = stack_total_at(session, [stack_id])[stack_id]

    assert total.at(START) == Hours(0)
    assert total.at(SECOND_CLOSING - OPEN_FOR) == Hours(300)
    assert total.at(SECOND_CLOSING) == Hours(300)
    assert total.at(SECOND_CLOSING + 5 * DAY).hours == pytest.approx(350)
    assert total.at(SECOND_CLOSING + 20 * DAY) == Hours(400, at_least=True)
    assert total.at(SECOND_CLOSING + 5 * DAY, 333.3) == Hours(333.3)


def test_an_mea_has_at_a_time_what_it_ran_before_and_since(
    engine: Engine, two_builds: tuple[int, int, int]
) -> None:
    """A reused MEA takes what it came with."""
    _stack_id, first_id, second_id = two_builds
    with Session(engine) as session:
        mea = mea_of_cells(session, [second_id])[second_id][2]
        session.get_one(builders.Part, mea).hours_before = 1000
        session.flush()

        own = own_hours_at(session, [mea])[mea]

    assert own.at(FIRST_CLOSING - DAY) is None
    assert own.at(FIRST_CLOSING) == Hours(1000)
    assert own.at(SECOND_CLOSING - timedelta(hours=1)) is None
    assert own.at(SECOND_CLOSING) == Hours(1300)
    assert own.at(SECOND_CLOSING + 5 * DAY) == Hours(pytest.approx(1350))
    assert own.at(SECOND_CLOSING + 5 * DAY, meter_hours=360) == Hours(1360)
    assert own.now == Hours(1400)
    assert [seat.span.build_id for seat in own.seats] == [first_id, second_id]


def test_what_a_bridged_cell_missed_is_no_hour_of_its_mea(
    engine: Engine, two_builds: tuple[int, int, int]
) -> None:
    """Bridged for five of the ten days between two readings: half of the hundred hours."""
    _stack_id, _, second_id = two_builds
    with Session(engine) as session:
        build = session.get_one(Build, second_id)
        a_bridge(session, build, 2, SECOND_CLOSING + 2 * DAY, SECOND_CLOSING + 7 * DAY)
        meas = mea_of_cells(session, [second_id])[second_id]

        own = own_hours_at(session, meas.values())
        parts = part_hours(session, meas.values())

    assert own[meas[1]].now == Hours(400)
    assert own[meas[2]].now.hours == pytest.approx(350)
    assert own[meas[2]].at(SECOND_CLOSING + 2 * DAY) == Hours(pytest.approx(320))
    assert own[meas[2]].at(SECOND_CLOSING + 4 * DAY) == Hours(pytest.approx(320))
    assert own[meas[2]].at(SECOND_CLOSING + 9 * DAY) == Hours(pytest.approx(340))
    assert parts[meas[2]].total.hours == pytest.approx(350)


def test_a_bridge_that_was_never_ended_ends_when_the_stack_is_opened(engine: Engine) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        first = session.scalars(select(Build)).one()
        a_bridge(session, first, 1, FIRST_CLOSING)
        builders.a_build(session, stack, hours=300)
        builders.an_hour_reading(session, stack, 400, SECOND_CLOSING + 10 * DAY)
        meas = mea_of_cells(session, [first.id])[first.id]

        hours = part_hours(session, meas.values())

    assert hours[meas[1]].total.hours == pytest.approx(100)
    assert hours[meas[2]].total.hours == pytest.approx(400)


def test_a_blank_cell_and_what_lies_in_it_has_no_hours(engine: Engine) -> None:
    """Its gas passes on; the parts outside the cells have the stack's hours."""
    with Session(engine) as session:
        stack = builders.a_stack(session)
        types = builders.the_part_types(session)
        cells = [types.mea, types.blank_cell]
        meas = [builders.a_part(session, one, stack=stack) for one in cells]
        laid = builders.a_pile(session, stack, 2, meas=meas)
        builders.a_build(session, stack, laid=laid)
        builders.an_hour_reading(session, stack, 120, FIRST_CLOSING + 10 * DAY)

        hours = part_hours(session, [part.id for part, _ in laid])
        own = own_hours_at(session, [meas[1].id])[meas[1].id]

        assert hours[meas[0].id].total == Hours(120)
        assert hours[meas[1].id].total == Hours(0)
        assert own.at(FIRST_CLOSING + 20 * DAY) == Hours(0)
        assert hours[laid[0][0].id].total == Hours(120)


def test_reports_of_a_bench_count_like_readings(
    engine: Engine, two_builds: tuple[int, int, int]
) -> None:
    """The newest report is the stack's hours, and the build's."""
    stack_id, first_id, second_id = two_builds
    at = SECOND_CLOSING + 20 * DAY
    with Session(engine) as session:
        a_report(session, stack_id, at, [410.0, 411.0, 422.5])

        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(422.5)
        assert build_hours(session, [stack_id]) == {first_id: Hours(300), second_id: Hours(122.5)}
        spans = build_spans(session, [stack_id], at - DAY).builds
        half = stack_hours(session, [stack_id], at + timedelta(seconds=30))[stack_id]

    assert spans[second_id].ran == Hours(100), "as known the day before"
    assert half.hours == Hours(410)


def test_a_log_tells_what_the_meter_showed_at_both_its_ends(
    engine: Engine, two_builds: tuple[int, int, int]
) -> None:
    stack_id, _first_id, second_id = two_builds
    begin = SECOND_CLOSING + 12 * DAY
    with Session(engine) as session:
        build = session.get_one(Build, second_id)
        a_run(session, build, begin, begin + 2 * DAY, meter=(405.0, 450.0))

        assert build_hours(session, [stack_id])[second_id] == Hours(150)
        total = stack_total_at(session, [stack_id])[stack_id]

    assert total.at(begin + DAY).hours == pytest.approx(427.5)


def test_reports_on_the_day_of_a_rebuild_are_parted_by_the_opening(engine: Engine) -> None:
    """Nobody read the meter at the opening: the day's first report is the least it was."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        first = session.scalars(select(Build)).one()
        second = builders.a_build(session, stack)
        morning = (SECOND_CLOSING - OPEN_FOR).replace(hour=1)
        a_report(session, stack.id, morning, [200.0])
        _add_to_day(session, stack.id, SECOND_CLOSING + timedelta(hours=4), 203.0)

        hours = build_hours(session, [stack.id])

    assert hours[first.id] == Hours(200, at_least=True)
    assert hours[second.id] == Hours(0, at_least=True)


def _add_to_day(session: Session, stack_id: int, at: datetime, hours: float) -> None:
    row = session.scalars(select(HourReport).where(HourReport.stack_id == stack_id)).one()
    assert row.day == date(at.year, at.month, at.day)
    row.last_at, row.last_hours, row.report_count = at, hours, row.report_count + 1
    session.flush()


@pytest.mark.parametrize("days", [1, 30])
def test_own_hours_take_as_many_statements_for_a_day_as_for_a_month(
    engine: Engine, statements: Callable[[], Any], days: int
) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        build = session.scalars(select(Build)).one()
        for day in range(days):
            at = FIRST_CLOSING + day * DAY
            a_report(session, stack.id, at, [20.0 * day, 20.0 * day + 10])
        meas = mea_of_cells(session, [build.id])[build.id].values()
        with statements() as seen:
            own = own_hours_at(session, meas)
        assert session.scalars(select(Stack.id)).one() == stack.id

    assert len(own) == 2
    assert len(seen) == 9
