"""Operating hours over meters, builds and parts."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform import permissions
from service.platform.database import changing, make_engine
from service.platform.errors import NotAllowed, Refused, Stale
from service.platform.tables import AuditEntry, Base
from service.stacks.arithmetic.running_hours import (
    Hours,
    Meter,
    Offset,
    TotalAt,
    hours_between,
    offsets,
)
from service.stacks.changes.hours import read_hours, replace_meter
from service.stacks.changes.stacks import FirstMeter, add_stack, change_stack
from service.stacks.queries.hour_histories import hour_history
from service.stacks.queries.hours import build_hours, stack_hours
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, HourReading, Layer, Moment
from tests import builders
from tests.builders import FIRST_CLOSING, START

DAY = timedelta(days=1)
LATER = START + 365 * DAY


def a_worker(engine: Engine) -> permissions.Person:
    """Somebody who may read meters."""
    with Session(engine) as session:
        person = builders.a_person(session, Role.BUILDER)
        session.commit()
        return permissions.Person(person.id, person.login, person.name, frozenset({Role.BUILDER}))


def an_empty_stack(engine: Engine, meter_hours: float = 0.0) -> int:
    """A stack with its first meter, fitted at `START`."""
    with Session(engine) as session:
        stack_id = builders.a_stack(session, meter_hours=meter_hours).id
        session.commit()
        return stack_id


# Over meters


def test_hours_go_on_over_a_replaced_meter(engine: Engine) -> None:
    """812 h on the first meter, 30 h on the second which came with 5: 837 h."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=400, taken_at=START + 20 * DAY)
    with changing(engine, by, now=LATER) as work:
        number = replace_meter(
            work,
            stack_id,
            last_hours=812,
            first_hours=5,
            label="B",
            replaced_at=START + 40 * DAY,
            reason="display was dead",
        )
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=30, taken_at=START + 50 * DAY)

    with Session(engine) as session:
        now = stack_hours(session, [stack_id])[stack_id]
        history = hour_history(session, stack_id)

    assert number == 2
    assert now.hours == history.now == Hours(812 + 30 - 5)
    assert now.read_at == history.read_at == START + 50 * DAY
    assert [reading.total for reading in history.readings.rows] == [837, 812, 812, 400, 0]
    assert [reading.meter_number for reading in history.readings.rows] == [2, 2, 1, 1, 1]


def test_a_meter_that_could_not_be_read_any_more_leaves_at_least(engine: Engine) -> None:
    """Its last reading counts; from then on sums say at least."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=400, taken_at=START + 20 * DAY)
    with changing(engine, by, now=LATER) as work:
        replace_meter(
            work,
            stack_id,
            last_hours=None,
            first_hours=0,
            label="",
            replaced_at=START + 40 * DAY,
            reason="burnt",
        )
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=30, taken_at=START + 50 * DAY)

    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(430, at_least=True)


@pytest.mark.parametrize(
    ("hours", "day", "says"),
    [
        (399, 25, "already showed 400 h"),  # cannot count backwards
        (501, 25, "showed only 500 h later"),  # a late entry lies between its neighbours
        (-1, 50, "below zero"),
        (1e308, 50, "a thousand years"),
        (600, -70_000, "before 1900"),
        (600, 400, "lies ahead"),  # not in the future
    ],
)
def test_a_reading_that_cannot_be_is_refused_in_words(
    engine: Engine, hours: float, day: int, says: str
) -> None:
    """And nothing is written."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with Session(engine) as session:
        stack = session.get_one(builders.Stack, stack_id)
        builders.an_hour_reading(session, stack, 400, START + 20 * DAY)
        builders.an_hour_reading(session, stack, 500, START + 30 * DAY)
        session.commit()

    with pytest.raises(Refused, match=says), changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=hours, taken_at=START + day * DAY)

    with Session(engine) as session:
        assert session.scalar(select(func.count(HourReading.id))) == 3
        assert session.scalar(select(func.count(AuditEntry.id))) == 0


def test_a_late_reading_is_taken_where_it_fits(engine: Engine) -> None:
    """Entered days later, between two that were entered before."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    for hours, day in ((400, 20), (500, 30), (450, 25), (400, 22), (500, 28)):
        with changing(engine, by, now=LATER) as work:
            read_hours(work, stack_id, hours=hours, taken_at=START + day * DAY)

    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(500)
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id)).first()
        assert entry is not None
        assert (entry.act, entry.subject_label, entry.stack_id) == (
            "hours:read",
            "TARN-001",
            stack_id,
        )


def test_a_reading_from_the_time_of_the_meter_before_goes_to_that_meter(engine: Engine) -> None:
    """The meter is the one that was fitted at the time of the reading."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        replace_meter(
            work,
            stack_id,
            last_hours=800,
            first_hours=0,
            label="",
            replaced_at=START + 40 * DAY,
            reason="worn",
        )
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=700, taken_at=START + 30 * DAY)

    with (
        pytest.raises(Refused, match="showed only 800 h later"),
        changing(engine, by, now=LATER) as work,
    ):
        read_hours(work, stack_id, hours=801, taken_at=START + 31 * DAY)
    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(800)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"last_hours": 300}, "already showed 400 h"),
        ({"replaced_at": START + 10 * DAY}, "read after that time"),
        ({"replaced_at": LATER + DAY}, "lies ahead"),
        ({"first_hours": -1}, "below zero"),
        ({"reason": "  "}, "reason"),
    ],
)
def test_a_replacement_that_cannot_be_is_refused(
    engine: Engine, given: dict[str, Any], says: str
) -> None:
    """Each with what is wrong."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=400, taken_at=START + 20 * DAY)
    right: dict[str, Any] = {
        "last_hours": 450,
        "first_hours": 0,
        "label": "",
        "replaced_at": START + 40 * DAY,
        "reason": "worn",
    }

    with pytest.raises(Refused, match=says), changing(engine, by, now=LATER) as work:
        replace_meter(work, stack_id, **(right | given))


def test_who_has_no_role_reads_no_meter(engine: Engine) -> None:
    """The change asks, whichever face called it."""
    stack_id = an_empty_stack(engine)
    nobody = permissions.Person(1, "x", "X", frozenset({Role.ADMIN}))

    with pytest.raises(NotAllowed), changing(engine, nobody, now=LATER) as work:
        read_hours(work, stack_id, hours=1, taken_at=START)


# Stacks


def test_a_stack_is_added_with_its_meter_and_freezes_its_design(engine: Engine) -> None:
    """Serials are compared without regard to case and surrounding space."""
    by = a_worker(engine)
    with Session(engine) as session:
        design_id = builders.a_design(session).id
        session.commit()
    with changing(engine, by, now=LATER) as work:
        stack_id = add_stack(
            work,
            serial=" TEL-9 ",
            design_id=design_id,
            place="bench 2",
            meter=FirstMeter(12.5, "M1", START),
        )

    with Session(engine) as session:
        stack = session.get_one(builders.Stack, stack_id)
        assert (stack.serial, stack.serial_key, stack.place) == ("TEL-9", "tel-9", "bench 2")
        assert session.get_one(builders.Design, design_id).frozen_at == LATER
        assert stack_hours(session, [stack_id])[stack_id].hours == Hours(0)
    with (
        pytest.raises(Refused, match="there is a stack TEL-9 already"),
        changing(engine, by, now=LATER) as work,
    ):
        add_stack(work, serial="tel-9", design_id=design_id)


def test_the_second_to_change_a_stack_is_told_what_changed(engine: Engine) -> None:
    """Whoever saves over a stale page is told."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        change_stack(work, stack_id, place="bench 2", notes="", as_shown=("bench 1", ""))

    with (
        pytest.raises(Stale) as told,
        changing(engine, by, now=LATER) as work,
    ):
        change_stack(work, stack_id, place="bench 3", notes="", as_shown=("bench 1", ""))
    assert told.value.changes == ("place: now “bench 2”",)


# Builds and parts


def two_builds(session: Session) -> tuple[Any, Build, Build]:
    """First build opened at 310 h, the second read at 480 h."""
    stack = builders.a_stack(session, cells=2)
    first = session.scalars(select(Build)).one()
    second = builders.a_build(session, stack, hours=310)
    builders.an_hour_reading(session, stack, 480, FIRST_CLOSING + 60 * DAY)
    session.flush()
    return stack, first, second


def test_a_build_runs_from_its_closing_to_its_opening(engine: Engine) -> None:
    """310 h in the first build, 170 in the second so far."""
    with Session(engine) as session:
        stack, first, second = two_builds(session)

        assert build_hours(session, [stack.id]) == {
            first.id: Hours(310),
            second.id: Hours(170),
        }


def test_a_part_carries_its_hours_with_it(engine: Engine) -> None:
    """What it came with and what it ran in each build; renewed gaskets begin anew."""
    with Session(engine) as session:
        _stack, first, second = two_builds(session)
        mea = session.scalars(
            select(Layer.part_id).where(Layer.build_id == first.id, Layer.position == 6)
        ).one()
        old_gasket = session.scalars(
            select(Layer.part_id).where(Layer.build_id == first.id, Layer.position == 5)
        ).one()
        new_gasket = session.scalars(
            select(Layer.part_id).where(Layer.build_id == second.id, Layer.position == 5)
        ).one()
        session.execute(
            update(builders.Part).where(builders.Part.id == mea).values(hours_before=1000)
        )

        hours = part_hours(session, [mea, old_gasket, new_gasket])

        assert hours[mea].total == Hours(1480)
        assert hours[mea].in_builds == {first.id: Hours(310), second.id: Hours(170)}
        assert hours[old_gasket].total == Hours(310)
        assert hours[new_gasket].total == Hours(170)


def test_unknown_hours_at_an_opening_make_it_at_least(engine: Engine) -> None:
    """Nobody read the meter at the opening: what was read before is the least."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        first = session.scalars(select(Build)).one()
        builders.an_hour_reading(session, stack, 200, FIRST_CLOSING + 5 * DAY)
        second = builders.a_build(session, stack)
        builders.an_hour_reading(session, stack, 300, FIRST_CLOSING + 40 * DAY)
        builders.an_hour_reading(session, stack, 350, FIRST_CLOSING + 50 * DAY)
        session.flush()

        hours = build_hours(session, [stack.id])

        assert hours[first.id] == Hours(200, at_least=True)
        assert hours[second.id] == Hours(50, at_least=True)


def test_a_corrected_reading_changes_hours_now_and_not_what_was_thought(engine: Engine) -> None:
    """310 h was misread, 301 h it was."""
    with Session(engine) as session:
        stack, first, second = two_builds(session)
        misread = session.scalars(
            select(HourReading).where(HourReading.moment == Moment.OPENING)
        ).one()
        corrected_at = LATER - DAY
        session.execute(
            update(HourReading).where(HourReading.id == misread.id).values(known_until=corrected_at)
        )
        session.add(
            HourReading(
                stack_id=stack.id,
                meter_id=misread.meter_id,
                moment=Moment.OPENING,
                hours=301,
                taken_at=misread.taken_at,
                record_id=misread.record_id,
                by_id=misread.by_id,
                known_from=corrected_at,
                replaces_id=misread.id,
            )
        )
        session.flush()

        assert build_hours(session, [stack.id]) == {first.id: Hours(301), second.id: Hours(179)}
        assert build_hours(session, [stack.id], corrected_at - DAY) == {
            first.id: Hours(310),
            second.id: Hours(170),
        }
        corrected = next(
            r for r in hour_history(session, stack.id).readings.rows if r.moment is Moment.OPENING
        )
        assert (corrected.shown, corrected.was) == (301, 310)


@pytest.mark.parametrize("builds", [1, 4])
def test_part_hours_take_as_many_statements_for_one_build_as_for_four(
    engine: Engine, statements: Callable[[], Any], builds: int
) -> None:
    """However many parts, builds and readings."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        for number in range(1, builds):
            builders.a_build(session, stack, hours=100.0 * number)
        parts = session.scalars(select(Layer.part_id).distinct()).all()
        with statements() as seen:
            assert len(part_hours(session, parts)) == len(parts)

    assert len(seen) == 7


# Pure arithmetic


def test_offsets_carry_what_meters_counted_before() -> None:
    """A meter fitted with 5 h on it takes them off again."""
    assert offsets([Meter(0, 812, True), Meter(5, 30, True), Meter(100, None)]) == (
        Offset(0, 0),
        Offset(807, 0),
        Offset(737, 0),
    )
    assert offsets([Meter(None, 40), Meter(0, 2)]) == (Offset(0, 1), Offset(40, 2))


@given(
    st.lists(st.floats(0, 1000), min_size=2, max_size=12).map(sorted),
    st.integers(0, 11),
)
def test_hours_of_neighbouring_builds_add_up(shown: list[float], cut: int) -> None:
    """What two builds ran is what the stack ran, wherever the stack was opened between."""
    totals = [TotalAt(START + at * DAY, total) for at, total in enumerate(shown)]
    at = totals[min(cut, len(totals) - 1)]

    whole = hours_between(totals, START, None, start=totals[0], end=None)
    first = hours_between(totals, START, at.taken_at, start=totals[0], end=at)
    second = hours_between(totals, at.taken_at, None, start=at, end=None)

    assert (first + second).hours == pytest.approx(whole.hours)
    assert not (first + second).at_least


@settings(max_examples=settings.default.max_examples // 4)
@given(
    st.lists(
        st.tuples(st.booleans(), st.floats(0, 500)),
        min_size=1,
        max_size=5,
    )
)
def test_hours_of_parts_add_up_to_hours_of_builds_times_layers(
    events: list[tuple[bool, float]],
) -> None:
    """Whatever was rebuilt and whichever meters were replaced: no hour is lost or told twice."""
    engine = make_engine("sqlite://")
    Base.metadata.create_all(engine)
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        total, on_meter, layers = 0.0, 0.0, {1: 11}
        ran = {1: 0.0}
        for number, (replaced, more) in enumerate(events, 2):
            total, on_meter = total + more, on_meter + more
            ran[number - 1] += more
            closed_at = FIRST_CLOSING + 30 * (number - 1) * DAY
            builders.a_build(session, stack, closed_at=closed_at, hours=on_meter)
            ran[number], layers[number] = 0.0, 11
            if replaced:
                on_meter = _another_meter(session, stack, on_meter, closed_at + DAY)
        builders.an_hour_reading(session, stack, on_meter + 7, LATER)
        ran[len(events) + 1] += 7
        session.flush()
        parts = session.scalars(select(Layer.part_id).distinct()).all()

        of_parts = part_hours(session, parts)
        of_builds = {
            session.get_one(Build, build_id).number: hours
            for build_id, hours in build_hours(session, [stack.id]).items()
        }
        of_stack = stack_hours(session, [stack.id])[stack.id].hours

    assert {n: pytest.approx(h.hours) for n, h in of_builds.items()} == ran
    assert not any(hours.at_least for hours in of_builds.values())
    assert of_stack.hours == pytest.approx(total + 7)
    assert sum(part.total.hours for part in of_parts.values()) == pytest.approx(
        sum(ran[number] * layers[number] for number in ran)
    )
    engine.dispose()


def _another_meter(session: Session, stack: Any, last: float, at: datetime) -> float:
    builders.an_hour_reading(session, stack, last, at, moment=Moment.REMOVED)
    meter = session.scalars(
        select(builders.HourMeter).order_by(builders.HourMeter.number.desc())
    ).first()
    assert meter is not None
    meter.removed_at = at
    session.add(builders.HourMeter(stack_id=stack.id, number=meter.number + 1, fitted_at=at))
    session.flush()
    builders.an_hour_reading(session, stack, 3.0, at, moment=Moment.FITTED)
    return 3.0
