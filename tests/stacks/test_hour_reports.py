"""What a bench reports of an hour meter: every minute, in one row a day."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.corrections import propose
from service.bench.queries.corrections import correctable
from service.bench.tables import CorrectionOf
from service.people.tables import Role
from service.platform import permissions
from service.platform.arithmetic.dates import AsOf
from service.platform.database import changing
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.tables import AuditEntry
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.changes.hour_reports import Report, report_hours, take_back_reports
from service.stacks.changes.hours import read_hours, replace_meter
from service.stacks.queries.build_spans import build_spans
from service.stacks.queries.hour_histories import BY_A_BENCH, hour_history
from service.stacks.queries.hours import build_hours, stack_hours
from service.stacks.tables import Build, HourReport
from tests import builders
from tests.builders import FIRST_CLOSING, START
from tests.found_by_index import read_whole
from tests.stacks.test_hours import a_worker, an_empty_stack
from tests.taps.tapping import a_run
from tests.turning import turned

DAY = timedelta(days=1)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
RUN_AT = START + 20 * DAY
LATER = START + 365 * DAY


def reported(engine: Engine, by: permissions.Person, stack_id: int, *given: Report) -> int:
    """Report, a year later."""
    with changing(engine, by, now=LATER) as work:
        return report_hours(work, stack_id, given).new


def minutes(at: datetime, count: int, hours: float) -> list[Report]:
    """A meter that runs, told every minute."""
    return [Report(round(hours + n / 60, 4), at + n * MINUTE) for n in range(count)]


def test_a_day_of_minutes_is_one_row_and_one_entry_of_the_trail(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    at = RUN_AT.replace(hour=0, minute=0)
    for start in range(0, 1440, 360):
        reported(engine, by, stack_id, *minutes(at + start * MINUTE, 360, 100 + start / 60))
    for start in range(5):
        reported(engine, by, stack_id, *minutes(at + DAY + start * MINUTE, 1, 124 + start / 60))

    with Session(engine) as session:
        rows = session.scalars(select(HourReport).order_by(HourReport.day)).all()
        entries = session.scalars(select(AuditEntry)).all()
        assert [row.report_count for row in rows] == [1440, 5]
        assert (rows[0].first_hours, rows[0].first_at) == (100, at)
        assert (rows[0].last_hours, rows[0].last_at) == (
            pytest.approx(123.9833),
            at + 1439 * MINUTE,
        )
        assert [entry.act for entry in entries] == ["hours:reported"] * 2
        assert stack_hours(session, [stack_id])[stack_id].hours.hours == pytest.approx(124.0667)
        assert stack_hours(session, [stack_id])[stack_id].read_at == at + DAY + 4 * MINUTE


def test_a_report_sent_again_is_taken_once(engine: Engine) -> None:
    """A bench that heard no answer sends the same again."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    first, second = Report(100, RUN_AT), Report(100.5, RUN_AT + 30 * MINUTE)

    assert reported(engine, by, stack_id, first, second) == 2
    assert reported(engine, by, stack_id, first, second) == 0
    assert reported(engine, by, stack_id, second) == 0

    with Session(engine) as session:
        (row,) = session.scalars(select(HourReport)).all()
        assert row.report_count == 2


def test_reports_may_come_late_and_in_any_order(engine: Engine) -> None:
    """The bench was cut off and sends the morning after the noon."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, Report(104, RUN_AT + 240 * MINUTE))
    reported(engine, by, stack_id, Report(102, RUN_AT + 120 * MINUTE), Report(100, RUN_AT))
    reported(engine, by, stack_id, Report(103, RUN_AT + 180 * MINUTE))

    with Session(engine) as session:
        (row,) = session.scalars(select(HourReport)).all()
        assert (row.first_hours, row.last_hours, row.report_count) == (100, 104, 4)
        assert row.first_at == RUN_AT


@pytest.mark.parametrize(
    ("hours", "after", "says"),
    [
        (99.0, timedelta(hours=1), "already showed 100 h"),  # falls
        (-1.0, timedelta(hours=1), "below zero"),
        (100.0, 400 * DAY, "lies ahead"),
        (430.0, 11 * DAY, "showed only 400 h later"),  # a reading of a later day
        (99.0, timedelta(0), "reported to show 100 h"),  # at the same time
    ],
)
def test_a_report_that_cannot_be_is_refused_with_all_sent_with_it(
    engine: Engine, hours: float, after: timedelta, says: str
) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=400, taken_at=RUN_AT + 20 * DAY)
    reported(engine, by, stack_id, Report(100, RUN_AT))

    with pytest.raises(Refused, match=says):
        reported(engine, by, stack_id, Report(100, RUN_AT + MINUTE), Report(hours, RUN_AT + after))

    with Session(engine) as session:
        (row,) = session.scalars(select(HourReport)).all()
        assert row.report_count == 1


def test_a_meter_that_shows_whole_hours_may_jump_by_one(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)

    assert reported(engine, by, stack_id, Report(100, RUN_AT), Report(101, RUN_AT + MINUTE)) == 2


def test_people_and_benches_hold_each_other_to_the_order(engine: Engine) -> None:
    """A reading has to lie between reports, a correction too."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, Report(100, RUN_AT), Report(110, RUN_AT + 12 * 60 * MINUTE))

    for hours, says in ((99, "already showed 100 h"), (111, "showed only 110 h later")):
        with pytest.raises(Refused, match=says), changing(engine, by, now=LATER) as work:
            read_hours(work, stack_id, hours=hours, taken_at=RUN_AT + 60 * MINUTE)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=101.5, taken_at=RUN_AT + 60 * MINUTE)
    with (
        pytest.raises(Refused, match="read after that time"),
        changing(engine, by, now=LATER) as work,
    ):
        replace_meter(
            work,
            stack_id,
            last_hours=105,
            first_hours=0,
            label="",
            replaced_at=RUN_AT + 120 * MINUTE,
            reason="worn",
        )


@pytest.mark.both_engines
def test_a_correction_of_a_reading_heeds_what_benches_and_logs_told(engine: Engine) -> None:
    by = a_worker(engine)
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build)).one()
        builders.an_hour_reading(session, stack, 105, FIRST_CLOSING + 2 * DAY)
        begin = FIRST_CLOSING + 3 * DAY
        a_run(session, build, begin, begin + DAY, meter=(108.0, 120.0), load_hours=12)
        stack_id, record_id = stack.id, build.record_id
        session.commit()
    reported(engine, by, stack_id, Report(100, FIRST_CLOSING + DAY))
    with Session(engine) as session:
        fact = next(
            fact
            for fact in correctable(session, record_id).facts
            if fact.of is CorrectionOf.HOURS and fact.old_value == "105 h"
        )

    for typed, says in (("99", "already showed 100 h"), ("109", "showed only 108 h later")):
        with pytest.raises(Refused, match=says), changing(engine, by, now=LATER) as work:
            propose(
                work,
                record_id,
                of=fact.of,
                subject_id=fact.subject_id,
                new_value=typed,
                reason="misread",
            )


def test_reports_go_to_the_meter_fitted_at_their_time(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        replace_meter(
            work,
            stack_id,
            last_hours=300,
            first_hours=5,
            label="B",
            replaced_at=RUN_AT,
            reason="worn",
        )

    reported(engine, by, stack_id, Report(299, RUN_AT - DAY), Report(6, RUN_AT + 60 * MINUTE))

    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(301)
        assert len(session.scalars(select(HourReport)).all()) == 2


def test_a_stack_without_a_meter_and_somebody_without_leave_are_refused(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    nobody = permissions.Person(1, "x", "X", frozenset({Role.ADMIN}))

    with pytest.raises(NotAllowed):
        reported(engine, nobody, stack_id, Report(1, RUN_AT))
    with pytest.raises(NotFound):
        reported(engine, by, 99, Report(1, RUN_AT))
    with pytest.raises(Refused, match="nothing is reported"):
        reported(engine, by, stack_id)


@pytest.mark.both_engines
def test_the_database_lets_a_days_row_go_forward_only(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, Report(100, RUN_AT))

    for change in ({"last_hours": 99.0}, {"first_at": RUN_AT + MINUTE}, {"meter_id": 7}):
        with Session(engine) as session:
            with pytest.raises(DBAPIError):
                session.execute(update(HourReport).values(**change))
            session.rollback()


@pytest.mark.both_engines
def test_the_history_tells_days_among_readings(engine: Engine) -> None:
    """The newest first, each as hours of the stack; older ones a page further."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    for day in range(4):
        with changing(engine, by, now=RUN_AT + day * DAY + 30 * MINUTE) as work:
            report_hours(work, stack_id, minutes(RUN_AT + day * DAY, 30, 100 + 24 * day))
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=153, taken_at=RUN_AT + 2 * DAY + 300 * MINUTE)

    with Session(engine) as session:
        whole = hour_history(session, stack_id)
        there, back = turned(lambda turn: hour_history(session, stack_id, turn=turn).readings, 2)
        thought = hour_history(session, stack_id, AsOf(known_at=RUN_AT + 2 * DAY + HOUR))

    moments = [reading.moment for reading in whole.readings.rows]
    assert moments == [BY_A_BENCH, "in operation", *[BY_A_BENCH] * 3, "meter fitted"]
    assert (whole.readings.further, whole.readings.back) == ("", "")
    assert whole.now.hours == pytest.approx(172.4833)
    newest = whole.readings.rows[0]
    assert (newest.report_count, newest.first_shown) == (30, 172)
    assert tuple(there) == tuple(back) == whole.readings.rows
    assert thought.readings.rows[0].total == pytest.approx(148.4833)


@pytest.mark.both_engines
@pytest.mark.parametrize("limit", [1, 2, 3])
def test_readings_of_one_time_are_each_on_one_page(engine: Engine, limit: int) -> None:
    """A person reads the meter while a bench reports it, and it is replaced at that time."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    at = RUN_AT + DAY
    reported(engine, by, stack_id, Report(100, RUN_AT), Report(120, at))
    with changing(engine, by, now=LATER) as work:
        for _ in range(3):
            read_hours(work, stack_id, hours=120, taken_at=at)
        replace_meter(
            work, stack_id, last_hours=120, first_hours=0, label="B", replaced_at=at, reason="worn"
        )

    with Session(engine) as session:
        whole = hour_history(session, stack_id).readings.rows
        there, back = turned(
            lambda turn: hour_history(session, stack_id, turn=turn).readings, limit
        )

    assert [reading.taken_at for reading in whole].count(at) == 6
    assert tuple(there) == tuple(back) == whole


@pytest.mark.parametrize("count", [1, 300])
def test_what_is_read_does_not_grow_with_the_minutes_reported(
    engine: Engine, statements: Callable[[], Any], count: int
) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, *minutes(RUN_AT, count, 100))

    with Session(engine) as session, statements() as seen:
        assert len(hour_history(session, stack_id).readings.rows) == 2
        build_hours(session, [stack_id])
        stack_hours(session, [stack_id])

    assert len(seen) == 4 + 3 + 1
    with statements() as seen:
        reported(engine, by, stack_id, Report(200, RUN_AT + 5 * DAY))
        first_of_day = len(seen)
        reported(engine, by, stack_id, Report(200.1, RUN_AT + 5 * DAY + 6 * MINUTE))
    assert len(seen) - first_of_day <= 12


@pytest.mark.both_engines
def test_years_of_reports_are_found_by_index(engine: Engine, statements: Callable[[], Any]) -> None:
    if engine.dialect.name != "sqlite":
        pytest.skip("SQLite says how it finds rows")
    by, stack_id = a_worker(engine), an_empty_stack(engine)

    with Session(engine) as session, statements() as seen:
        build_spans(session, [stack_id])
        build_spans(session, [stack_id], RUN_AT)
        hour_history(session, stack_id)
    reported(engine, by, stack_id, Report(100, RUN_AT))

    assert read_whole(engine, seen) == []


TOLD = st.lists(
    st.tuples(st.integers(0, 6 * 24 * 60), st.booleans()),
    min_size=1,
    max_size=25,
    unique_by=lambda t: t[0],
)


@settings(max_examples=settings.default.max_examples // 4)
@given(told=TOLD, data=st.data())
def test_in_whatever_order_showings_come_the_hours_are_those_of_the_newest(
    engine: Engine, told: list[tuple[int, bool]], data: st.DataObject
) -> None:
    """People's and a bench's mixed; the count and the ends of every day are right."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    order = data.draw(st.permutations(told))
    for minute, by_bench in order:
        hours, at = 100 + minute / 60, RUN_AT + minute * MINUTE
        if by_bench:
            reported(engine, by, stack_id, Report(hours, at))
        else:
            with changing(engine, by, now=LATER) as work:
                read_hours(work, stack_id, hours=hours, taken_at=at)

    with Session(engine) as session:
        now = stack_hours(session, [stack_id])[stack_id]
        rows = session.scalars(select(HourReport).where(HourReport.stack_id == stack_id)).all()
        days = session.scalar(
            select(func.count(HourReport.day.distinct())).where(HourReport.stack_id == stack_id)
        )
    newest = max(minute for minute, _ in told)
    assert now.hours.hours == pytest.approx(100 + newest / 60)
    assert now.read_at == RUN_AT + newest * MINUTE
    assert sum(row.report_count for row in rows) == sum(by_bench for _, by_bench in told)
    assert len(rows) == days
    for row in rows:
        of_day = [
            minute
            for minute, by_bench in told
            if by_bench and (RUN_AT + minute * MINUTE).date() == row.day
        ]
        assert row.first_at == RUN_AT + min(of_day) * MINUTE
        assert row.last_hours == pytest.approx(100 + max(of_day) / 60)


@pytest.mark.both_engines
def test_benches_reporting_at_once_write_one_row_a_day(engine: Engine) -> None:
    """Two benches, or one whose calls overtake each other: nothing is lost, nothing twice."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    given = minutes(RUN_AT, 24, 100)

    def report(first: int) -> int:
        return sum(reported(engine, by, stack_id, one) for one in given[first::4])

    with ThreadPoolExecutor(4) as threads:
        new = sum(threads.map(report, range(4)))

    with Session(engine) as session:
        (row,) = session.scalars(select(HourReport)).all()
        assert (row.report_count, row.first_hours, row.last_hours) == (24, 100, given[-1].hours)
        assert (row.first_at, row.last_at) == (RUN_AT, given[-1].taken_at)
        entries = session.scalars(select(AuditEntry)).all()
    assert new == 24
    assert len(entries) == 1


def test_what_a_bench_reported_of_another_stack_is_taken_back(engine: Engine) -> None:
    """It counts no more, still tells what was thought then, and the day may be reported anew."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    at = RUN_AT.replace(hour=8)
    reported(engine, by, stack_id, Report(40, at - DAY), Report(1500, at + 100 * DAY))
    wrong = (at + 100 * DAY).date()

    with changing(engine, by, now=LATER + DAY) as work:
        days = take_back_reports(
            work, stack_id, first_day=wrong, last_day=wrong, reason="The bench of T-2."
        )
    with changing(engine, by, now=LATER + 2 * DAY) as work:
        new = report_hours(work, stack_id, [Report(47, at + 100 * DAY)]).new

    assert (days, new) == (1, 1)
    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours.hours == 47
        assert stack_hours(session, [stack_id], LATER)[stack_id].hours.hours == 1500
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).all()[1]
        assert (entry.act, entry.reason) == ("hours:reports taken back", "The bench of T-2.")


def test_nothing_is_taken_back_where_nothing_was_reported(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, Report(40, RUN_AT))

    day = (RUN_AT + DAY).date()
    days = {"first_day": day, "last_day": day}
    with changing(engine, by, now=LATER) as work, pytest.raises(Refused, match="no bench report"):
        take_back_reports(work, stack_id, **days, reason="Mistaken.")
    for told, says in (
        ({"first_day": RUN_AT.date(), "last_day": RUN_AT.date(), "reason": " "}, "reason"),
        ({"first_day": day, "last_day": RUN_AT.date(), "reason": "x"}, "before the first day"),
    ):
        with changing(engine, by, now=LATER) as work, pytest.raises(Refused, match=says):
            take_back_reports(work, stack_id, **told)


@pytest.mark.both_engines
def test_the_database_holds_what_was_taken_back(engine: Engine) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    reported(engine, by, stack_id, Report(40, RUN_AT))
    with changing(engine, by, now=LATER) as work:
        day = RUN_AT.date()
        take_back_reports(work, stack_id, first_day=day, last_day=day, reason="Mistaken.")

    with pytest.raises(DBAPIError, match="taken back before"), engine.begin() as connection:
        connection.execute(update(HourReport).values(known_until=None))
