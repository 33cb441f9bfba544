"""Hours at load, gas-exposed and calendar, of stacks and of parts, whatever happened to them."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.platform.arithmetic.vocabulary import Kind
from service.stacks.arithmetic.part_hours import PartHours
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.hour_kinds import BuildKinds, part_kinds, stack_kinds
from service.stacks.queries.hours import stack_hours
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, Fixing, HourMeter, Layer, Moment
from service.store.tables import Part, PartType
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.taps.tapping import a_bridge, a_report, a_run

DAY = timedelta(days=1)
NOW = FIRST_CLOSING + 20 * DAY


def the_build(session: Session, cells: int = 3, hours: float = 100.0) -> Build:
    """A stack with its first build, read after ten days."""
    stack = builders.a_stack(session, cells=cells)
    builders.an_hour_reading(session, stack, hours, FIRST_CLOSING + 10 * DAY)
    return session.scalars(select(Build).where(Build.stack_id == stack.id)).one()


def test_without_logs_the_meter_counts_as_load_and_gas(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)

        (kinds,) = stack_kinds(session, build.stack_id)

    assert kinds.of(None, NOW) == PartHours(Hours(100), Hours(100), 480.0)


def test_a_log_stands_in_place_of_what_the_meter_counted_meanwhile(engine: Engine) -> None:
    """100 h in ten days; the log has two of them: 15 h at load, 18 with gas."""
    with Session(engine) as session:
        build = the_build(session)
        begin = FIRST_CLOSING + 4 * DAY
        a_run(session, build, begin, begin + 2 * DAY, load_hours=15, gas_hours=18)

        (kinds,) = stack_kinds(session, build.stack_id)

    assert kinds.at_load.hours == pytest.approx(80 + 15)
    assert kinds.gas_exposed.hours == pytest.approx(80 + 18)


def test_gas_a_log_did_not_record_is_taken_for_the_recorded_time(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)
        begin = FIRST_CLOSING + 12 * DAY
        a_run(session, build, begin, begin + DAY, meter=(100, 120), load_hours=20)

        (kinds,) = stack_kinds(session, build.stack_id)

    assert kinds.at_load.hours == pytest.approx(120)
    assert kinds.gas_exposed.hours == pytest.approx(124)


def test_a_bridged_cell_keeps_its_gas_and_misses_the_load(engine: Engine) -> None:
    """Bridged over one of the two days of the log, and two of the days by the meter alone."""
    with Session(engine) as session:
        build = the_build(session)
        begin = FIRST_CLOSING + 4 * DAY
        a_run(session, build, begin, begin + 2 * DAY, load_hours=15, gas_hours=18)
        a_bridge(session, build, 2, begin + DAY, begin + 4 * DAY)
        meas = mea_of_cells(session, [build.id])[build.id]

        kinds = part_kinds(session, meas.values(), NOW)

    assert kinds[meas[2]].total.out_of_load.hours == pytest.approx(7.5 + 20)
    assert kinds[meas[2]].total.at_load.hours == pytest.approx(95 - 27.5)
    assert kinds[meas[2]].total.gas_exposed.hours == pytest.approx(98)
    assert kinds[meas[1]].total.at_load.hours == pytest.approx(95)


def test_a_blank_cell_has_gas_and_calendar_and_no_load(engine: Engine) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session)
        types = builders.the_part_types(session)
        blank = builders.a_part(session, types.blank_cell, stack=stack)
        meas = [builders.a_part(session, types.mea, stack=stack), blank]
        laid = builders.a_pile(session, stack, 2, meas=meas)
        builders.a_build(session, stack, laid=laid)
        builders.an_hour_reading(session, stack, 120, FIRST_CLOSING + 10 * DAY)

        kinds = part_kinds(session, [blank.id], NOW)[blank.id].total

    assert kinds == PartHours(Hours(0), Hours(120), 480.0, Hours(120))


def test_what_a_part_came_with_counts_as_at_load(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)
        mea = mea_of_cells(session, [build.id])[build.id][1]
        session.get_one(Part, mea).hours_before = 500
        session.flush()

        kinds = part_kinds(session, [mea], NOW)[mea].total

    assert kinds.at_load == Hours(600)
    assert kinds.gas_exposed == Hours(600, at_least=True)


@pytest.mark.parametrize("builds", [1, 4])
def test_kinds_take_as_many_statements_for_one_build_as_for_four(
    engine: Engine, statements: Callable[[], Any], builds: int
) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        for number in range(1, builds):
            builders.a_build(session, stack, hours=100.0 * number)
        parts = session.scalars(select(Layer.part_id).distinct()).all()
        with statements() as seen:
            assert len(part_kinds(session, parts, NOW)) == len(parts)

    assert len(seen) == 8


# Whatever the sequence of rebuilds


@dataclass(frozen=True)
class Episode:
    """What happened between one closing and the next opening."""

    hours: float
    """by the meter, h"""
    blank: frozenset[int]
    """cells blank in this build"""
    turned: bool
    """the MEAs change places at the closing"""
    reported: bool
    """by the bench, beside the reading at the opening"""
    logged: tuple[float, float] | None
    """shares of the log's day at load, and of the rest with gas"""
    bridged: tuple[int, float, float] | None
    """cell, and the shares of the time between which it was bridged"""
    new_meter: bool

    @property
    def load_and_gas_h(self) -> tuple[float, float]:
        """Hours of the log's day at load and with gas; its meter counts a tenth of the load."""
        load, gas = self.logged or (0.0, 0.0)
        load_h = 24 * load
        return load_h, load_h + (24 - load_h) * gas if self.logged else 0.0


SHARES = st.floats(0, 1)
EPISODES = st.builds(
    Episode,
    hours=st.floats(24, 300),
    blank=st.frozensets(st.integers(1, 3), max_size=2),
    turned=st.booleans(),
    reported=st.booleans(),
    logged=st.none() | st.tuples(SHARES, SHARES),
    bridged=st.none() | st.tuples(st.integers(1, 3), SHARES, SHARES),
    new_meter=st.booleans(),
)


@settings(max_examples=settings.default.max_examples // 4)
@given(episodes=st.lists(EPISODES, min_size=1, max_size=4))
def test_hours_of_parts_add_up_to_hours_of_stacks_whatever_the_sequence_of_rebuilds(
    engine: Engine, episodes: list[Episode]
) -> None:
    """Every kind: layers times hours, nothing lost or twice; blank and bridged told apart."""
    with Session(engine) as session:
        stack = _played(session, episodes)
        now = FIRST_CLOSING + (len(episodes) + 1) * 30 * DAY
        builds = stack_kinds(session, stack.id)
        of_parts = part_kinds(session, _parts_of(session, stack.id), now)
        by_meter = part_hours(session, list(of_parts))
        of_stack = stack_hours(session, [stack.id])[stack.id].hours
        layers = {one.span.build_id: _layers(session, one.span.build_id) for one in builds}

        _adds_up(builds, of_parts.values(), layers, now)
        _meter_adds_up(session, builds, by_meter, layers)
        assert sum(one.span.ran.hours for one in builds) == pytest.approx(of_stack.hours)
        assert of_stack.hours == pytest.approx(sum(it.hours for it in episodes))
        for one, episode in zip(builds, episodes, strict=True):
            load_h, gas_h = episode.load_and_gas_h
            assert one.at_load.hours == pytest.approx(episode.hours + 0.9 * load_h)
            assert one.gas_exposed.hours == pytest.approx(episode.hours - 0.1 * load_h + gas_h)
        session.rollback()


def _adds_up(
    builds: tuple[BuildKinds, ...], parts: Any, layers: dict[int, list[Any]], now: Any
) -> None:
    found = sum((part.total for part in parts), PartHours())
    whole = {one.span.build_id: one.of(None, now) for one in builds}
    count = {build_id: len(rows) for build_id, rows in layers.items()}

    def times(kind: Callable[[PartHours], float]) -> Any:
        of_builds = (kind(hours) * count[build_id] for build_id, hours in whole.items())
        return pytest.approx(sum(of_builds), rel=1e-9, abs=1e-6)

    assert found.at_load.hours + found.out_of_load.hours == times(lambda it: it.at_load.hours)
    assert found.gas_exposed.hours == times(lambda it: it.gas_exposed.hours)
    assert found.calendar_h == times(lambda it: it.calendar_h)
    assert found.at_load.hours <= found.gas_exposed.hours + 1e-6
    idle = sum(
        one.of(row.cell, now).out_of_load.hours
        for one in builds
        for row in layers[one.span.build_id]
    )
    assert found.out_of_load.hours == pytest.approx(idle)


def _meter_adds_up(
    session: Session, builds: tuple[BuildKinds, ...], parts: Any, layers: dict[int, list[Any]]
) -> None:
    """By the meter alone: where no cell of a build was blank or bridged, to the last hour."""
    for one in builds:
        rows = layers[one.span.build_id]
        ran = sum(
            hours.in_builds[one.span.build_id].hours
            for hours in parts.values()
            if one.span.build_id in hours.in_builds
        )
        most = one.span.ran.hours * len(rows)
        untouched = not one.blank and not one.bridges
        assert ran == pytest.approx(most) if untouched else ran <= most + 1e-6


def _played(session: Session, episodes: list[Episode]) -> Any:
    types = builders.the_part_types(session)
    stack = builders.a_stack(session)
    meas = [builders.a_part(session, types.mea, stack=stack) for _ in range(3)]
    shown = 0.0
    for number, episode in enumerate(episodes):
        closed_at = FIRST_CLOSING + number * 30 * DAY
        opened_at = closed_at + 30 * DAY - builders.OPEN_FOR
        meas = meas[1:] + meas[:1] if episode.turned else meas
        cells = [
            builders.a_part(session, types.blank_cell, stack=stack)
            if cell in episode.blank
            else mea
            for cell, mea in enumerate(meas, 1)
        ]
        laid = builders.a_pile(session, stack, 3, meas=cells)
        before = shown if number else None
        build = builders.a_build(session, stack, laid=laid, closed_at=closed_at, hours=before)
        if episode.new_meter and number:
            shown = _another_meter(session, stack, shown, closed_at + timedelta(hours=1))
        _runs(session, build, episode, shown, opened_at)
        shown += episode.hours
    builders.an_hour_reading(session, stack, shown, opened_at)
    return stack


def _runs(session: Session, build: Build, episode: Episode, shown: float, opened_at: Any) -> None:
    """Between closing and opening: a report, a day's log in the middle, a bridge."""
    closed_at = opened_at - 30 * DAY + builders.OPEN_FOR
    begin = closed_at + 10 * DAY
    if episode.logged:
        load_h, gas_h = episode.load_and_gas_h
        meter = (shown + 0.2 * episode.hours, shown + 0.2 * episode.hours + load_h / 10)
        a_run(session, build, begin, begin + DAY, meter=meter, load_hours=load_h, gas_hours=gas_h)
    if episode.reported:
        showings = [shown + 0.5 * episode.hours, shown + 0.6 * episode.hours]
        a_report(session, build.stack_id, begin + 5 * DAY, showings)
    if episode.bridged and episode.bridged[0] not in episode.blank:
        cell, *shares = episode.bridged
        first, last = (closed_at + share * (opened_at - closed_at) for share in sorted(shares))
        a_bridge(session, build, cell, first, last if last > first else None)


def _another_meter(session: Session, stack: Any, last: float, at: Any) -> float:
    builders.an_hour_reading(session, stack, last, at, moment=Moment.REMOVED)
    meter = session.scalars(
        select(HourMeter).where(HourMeter.stack_id == stack.id).order_by(HourMeter.number.desc())
    ).first()
    assert meter is not None
    meter.removed_at = at
    session.add(HourMeter(stack_id=stack.id, number=meter.number + 1, fitted_at=at))
    session.flush()
    builders.an_hour_reading(session, stack, 3.0, at, moment=Moment.FITTED)
    return 3.0


def _parts_of(session: Session, stack_id: int) -> list[int]:
    of_stack = select(Build.id).where(Build.stack_id == stack_id)
    laid = session.scalars(select(Layer.part_id).where(Layer.build_id.in_(of_stack))).all()
    return sorted(set(laid))


def _layers(session: Session, build_id: int) -> list[Any]:
    return list(
        session.execute(select(Layer.cell, Layer.part_id).where(Layer.build_id == build_id))
    )


def test_fixings_have_the_hours_of_the_stack(engine: Engine) -> None:
    """Blank and bridged cells are nothing to a tie rod."""
    with Session(engine) as session:
        build = the_build(session)
        a_bridge(session, build, 1, FIRST_CLOSING)
        rod = session.scalars(
            select(Fixing.part_id)
            .join(Part, Part.id == Fixing.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Fixing.build_id == build.id, PartType.kind == Kind.TIE_ROD)
        ).first()
        assert rod is not None

        assert part_kinds(session, [rod], NOW)[rod].total == PartHours(
            Hours(100), Hours(100), 480.0
        )
