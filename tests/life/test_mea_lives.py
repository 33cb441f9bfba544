"""An MEA's own life: its voltage over its own hours, through builds, cells and stacks."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.life.arithmetic.hours_to_limit import Outlook
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.arithmetic.voltage_trend import Method
from service.life.queries.mea_histories import mea_histories
from service.life.queries.mea_lives import mea_life
from service.runs.tables import Snapshot
from service.stacks.tables import Build
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.life.mea_reading import a_moved_mea, a_read_stack, an_open_circuit, first_mea, read_over
from tests.taps.tapping import a_bridge, a_snapshot, a_tap_map


def test_an_mea_is_followed_through_builds_and_cells(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)

        life = mea_life(session, made.weak)

    assert [(it.sat.build_number, it.sat.cell, it.readings) for it in life.builds] == [
        (1, 3, 16),
        (2, 1, 11),
    ]
    assert life.density_a_cm2 == pytest.approx(0.7)
    assert life.trend is not None
    assert life.trend.least_squares is not None
    assert life.trend.median_of_slopes is not None
    assert life.trend.least_squares.slope_uv_h == pytest.approx(-120, abs=1)
    assert life.trend.median_of_slopes.slope_uv_h == pytest.approx(-120, abs=1)
    assert life.trend.jumps[0].rise_v == pytest.approx(0.003, abs=3e-4)
    assert life.readings is not None
    assert life.readings.hours_h[0] == pytest.approx(0)
    assert life.readings.hours_h[-1] == pytest.approx(1000)


def test_an_mea_is_followed_into_another_stack(engine: Engine) -> None:
    """Its own hours go on where they were, whatever the other stack's meter shows."""
    with Session(engine) as session:
        made, serial = a_moved_mea(session)

        life = mea_life(session, made.weak)

    assert [(it.sat.stack_serial, it.sat.cell) for it in life.builds] == [
        (made.serial, 3),
        (made.serial, 1),
        (serial, 2),
    ]
    assert life.readings is not None
    assert life.readings.hours_h[-1] == pytest.approx(1100, abs=0.1)
    assert life.trend is not None
    assert life.trend.least_squares is not None
    assert life.trend.least_squares.slope_uv_h == pytest.approx(-120, abs=1)
    assert len(life.trend.jumps) == 2


def test_own_hours_include_those_it_came_with(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        session.get_one(builders.Part, made.weak).hours_before = 250.0
        session.flush()

        readings = mea_life(session, made.weak).readings

    assert readings is not None
    assert (readings.hours_h[0], readings.hours_h[-1]) == pytest.approx((250, 1250))


def test_hours_to_the_asked_limit_by_both_methods(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)

        life = mea_life(session, made.weak, limit_v=0.530)

    now_v = 0.680 + 0.003 - 120e-6 * 1000
    expected = (now_v - 0.530) / 120e-6
    assert [it.method for it in life.outlooks] == list(Method)
    for one in life.outlooks:
        assert one.outlook is Outlook.REACHES
        assert one.hours_h == pytest.approx(expected, rel=0.05)
        assert one.low_h is not None
        assert one.high_h is not None
        assert one.low_h < one.hours_h < one.high_h


def test_another_density_tells_another_life(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        second = session.get_one(Build, made.second)
        begun = FIRST_CLOSING + timedelta(days=50)
        read_over(
            session,
            second,
            begun,
            from_h=1000.0,
            hours_h=20.0,
            volts=[(0.75, 0.0)] * 4,
            every_h=5,
            density_a_cm2=0.3,
        )

        usual, low = mea_life(session, made.weak), mea_life(session, made.weak, density_a_cm2=0.3)

    assert usual.density_a_cm2 == pytest.approx(0.7)
    assert low.readings is not None
    assert low.readings.readings == 5
    assert low.densities == ((0.3, 5), (0.7, 27))


def test_a_corrected_tap_map_reads_the_life_anew(engine: Engine) -> None:
    """The leads of cells 2 and 3 were crossed all the time: the weak one is another MEA."""
    with Session(engine) as session:
        made = a_read_stack(session)
        a_tap_map(session, made.stack_id, FIRST_CLOSING, {1: 1, 2: 3, 3: 2, 4: 4})

        was_second, was_third = (mea_life(session, made.meas[cell]) for cell in (2, 3))

    assert was_second.builds[0].last_v is not None
    assert was_third.builds[0].last_v is not None
    assert was_second.builds[0].last_v < was_third.builds[0].last_v - 0.04


def test_of_two_channels_on_a_cell_the_first_that_read_something_counts(engine: Engine) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        a_tap_map(session, stack.id, FIRST_CLOSING, {1: 1, 2: 1})
        for day, means in ((1, [0.61, 0.70]), (2, [None, 0.62])):
            a_snapshot(session, build, FIRST_CLOSING + timedelta(days=day), means)

        readings = mea_life(session, first_mea(session, build)).readings

    assert readings is not None
    assert readings.voltages_v == (0.61, 0.62)


def test_what_a_bridged_cell_shows_is_not_its_meas_life(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        before = mea_life(session, made.weak).builds[1].readings
        second = session.get_one(Build, made.second)
        a_bridge(session, second, 1, FIRST_CLOSING + timedelta(days=40))

        after = mea_life(session, made.weak).builds[1].readings

    assert 0 < after < before


def test_what_comes_back_at_stops_is_told_from_what_is_lost(engine: Engine) -> None:
    """Three spells of 100 h, standing a day between; 2 of 6 mV are lasting."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        for spell in range(3):
            begun = FIRST_CLOSING + timedelta(hours=6 + spell * 124)
            at_v = 0.7 - 0.002 * spell
            read_over(
                session,
                build,
                begun,
                from_h=spell * 100.0,
                hours_h=100.0,
                volts=[(at_v, 60.0)] * 3,
                every_h=10,
            )
        part_id = first_mea(session, build)

        life = mea_life(session, part_id)

    assert isinstance(life.recovery, Recovery)
    assert life.recovery.running_uv_h.value == pytest.approx(60, abs=2)
    assert life.recovery.lasting_uv_h is not None
    assert life.recovery.lasting_uv_h.value == pytest.approx(20, abs=3)
    assert len(life.recovery.stops) == 2


def test_without_stops_it_is_said_that_it_cannot_be_told(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)

        life = mea_life(session, made.weak)

    assert isinstance(life.recovery, CannotTell)
    assert "1 spell" in life.recovery.why


def test_voltages_without_load_stand_apart(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        at = FIRST_CLOSING + timedelta(days=45)
        an_open_circuit(session, session.get_one(Build, made.second), at, [0.91, 0.95, 0.95, 0.95])

        life = mea_life(session, made.weak)

    assert life.without_load == ((at, 0.91),)
    assert life.readings is not None
    assert life.readings.readings == 27


def test_scores_are_those_of_the_newest_build_at_the_density(engine: Engine) -> None:
    """A cell that stands apart at part load only says nothing of its full load."""
    with Session(engine) as session:
        made = a_read_stack(session)
        at = FIRST_CLOSING + timedelta(days=46)
        a_snapshot(
            session,
            session.get_one(Build, made.second),
            at,
            [0.40, 0.80, 0.801, 0.802],
            density_a_cm2=0.1,
        )

        history = mea_histories(session, [made.weak])[made.weak]

    at_load = history.at_density(0.7)
    scores, of_all = history.scores(at_load), history.scores(None)
    assert (len(scores), len(of_all)) == (11, 12)
    assert [it for it in of_all if it is not None and it < -100]
    assert not [it for it in scores if it is not None and it < -100]
    assert history.newest is not None
    assert history.newest.build_number == 2


def test_a_part_that_was_never_read_has_a_life_without_voltages(engine: Engine) -> None:
    with Session(engine) as session:
        part = builders.a_part(session, builders.the_part_types(session).mea)
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()

        unbuilt, unread = (
            mea_life(session, part.id),
            mea_life(session, first_mea(session, build)),
        )

    assert (unbuilt.builds, unbuilt.trend, unbuilt.density_a_cm2) == ((), None, None)
    assert [it.readings for it in unread.builds] == [0]
    assert unread.trend is None


@pytest.mark.both_engines
def test_the_life_as_it_was_known_before(engine: Engine) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        times = session.scalars(select(Snapshot.known_from).order_by(Snapshot.known_from)).all()

        life = mea_life(session, made.weak, known_at=times[4])

    assert sum(it.readings for it in life.builds) == 5


def test_statements_do_not_grow_with_builds_and_readings(
    engine: Engine, statements: Callable[[], Any]
) -> None:
    with Session(engine) as session:
        made = a_read_stack(session)
        session.commit()
        counts = []
        for part_id in (made.weak, made.meas[2]):
            with statements() as seen:
                mea_life(session, part_id)
            counts.append(len(seen))
        builders.a_build(session, session.get_one(builders.Stack, made.stack_id), hours=1000.0)
        session.commit()
        with statements() as seen:
            mea_life(session, made.weak)
        counts.append(len(seen))

    assert len(set(counts)) == 1
    assert counts[0] <= 30
