"""Curves and voltages typed in: where they belong, what is refused, how MEAs are followed."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.condition.arithmetic.cell_histories import mea_histories, moments_near
from service.condition.arithmetic.typed_voltages import typed_channels
from service.condition.changes import add_curve, type_voltages, void_curve, void_voltages
from service.condition.queries.cell_histories import stack_voltages
from service.condition.queries.polarisation_curves import curves_of_builds, polarisation_curve
from service.condition.queries.snapshots import MOST_NEAR
from service.platform.errors import NotAllowed, NotFound, Refused
from service.runs.tables import CurveDirection, PolarisationCurve, Snapshot
from service.stacks.tables import Build
from tests.builders import FIRST_CLOSING
from tests.condition.curving import DAY, ReadStack, a_read_stack, some_points
from tests.operation.keeping import NOW
from tests.taps.tapping import a_bridge, a_snapshot, a_tap_map

FOUR = typed_channels(4)


def curve(stack: ReadStack, **given: Any) -> int:
    facts: dict[str, Any] = {
        "taken_at": stack.before,
        "channels": FOUR,
        "points": some_points(4),
        "occasion": "commissioning",
        "temperature_c": 65.0,
        **given,
    }
    with stack.lab.work(stack.lab.builder) as work:
        return add_curve(work, stack.stack_id, **facts)


def voltages(stack: ReadStack, **given: Any) -> int:
    facts: dict[str, Any] = {
        "taken_at": stack.before,
        "current_a": 70.0,
        "voltages_v": (0.69, 0.68, None, 0.66),
        **given,
    }
    with stack.lab.work(stack.lab.builder) as work:
        return type_voltages(work, stack.stack_id, **facts)


def test_a_curve_is_kept_with_the_build_of_its_time(engine: Engine) -> None:
    stack = a_read_stack(engine)

    key = curve(stack)

    with Session(engine) as session:
        found = polarisation_curve(session, key)
    assert (found.build_number, found.stack, found.occasion) == (1, stack.serial, "commissioning")
    assert found.points == some_points(4)
    assert found.direction is CurveDirection.TYPED
    assert tuple(found.by_part) == stack.first_meas
    assert [point.voltage_v for point in found.by_cell[2]] == [
        point.means_v[1] for point in some_points(4)
    ]
    entry = stack.lab.last_entry()
    assert (entry.act, entry.subject_id, entry.stack_id) == ("curve:added", key, stack.stack_id)


def test_curves_of_builds_are_told_in_four_statements(engine: Engine, statements: Any) -> None:
    stack = a_read_stack(engine)
    first, second = curve(stack), curve(stack, taken_at=stack.after)

    with Session(engine) as session, statements() as seen:
        found = curves_of_builds(session, stack.build_ids)

    assert [[it.id for it in found[build]] for build in stack.build_ids] == [[first], [second]]
    assert len(seen) == 4
    assert tuple(found[stack.build_ids[1]][0].by_part) == stack.second_meas


def test_a_tap_map_and_a_bridge_say_whose_curve_it_is(engine: Engine) -> None:
    """Channel 1 read cell 2; cell 3 was bridged: its curve says nothing of its MEA."""
    stack = a_read_stack(engine)
    key = curve(stack)

    def crossed(session: Session) -> None:
        a_tap_map(session, stack.stack_id, FIRST_CLOSING, {1: 2, 2: 1, 3: 3, 4: 4})
        build = session.get_one(PolarisationCurve, key).build_id
        a_bridge(session, session.get_one(Build, build), 3, FIRST_CLOSING, None)

    stack.lab.rows(crossed)
    with Session(engine) as session:
        found = polarisation_curve(session, key)

    one, two, _, four = stack.first_meas
    assert set(found.by_part) == {one, two, four}
    assert found.by_part[two][-1].voltage_v == some_points(4)[-1].means_v[0]
    assert found.by_part[one][-1].voltage_v == some_points(4)[-1].means_v[1]


def test_a_curve_made_void_counts_no_more_and_stays(engine: Engine) -> None:
    stack = a_read_stack(engine)
    key = curve(stack)

    with stack.lab.work(stack.lab.builder) as work:
        void_curve(work, key, reason="taken with a wet stack")

    with Session(engine) as session:
        assert curves_of_builds(session, stack.build_ids)[stack.build_ids[0]] == ()
        assert polarisation_curve(session, key).known_until == NOW
    assert stack.lab.last_entry().reason == "taken with a wet stack"
    with pytest.raises(Refused, match="void already"), stack.lab.work() as work:
        void_curve(work, key, reason="again")


@pytest.mark.parametrize(
    ("given", "field", "says"),
    [
        ({"taken_at": FIRST_CLOSING - DAY}, "taken_at", "build 1 was closed later"),
        ({"taken_at": FIRST_CLOSING + 30 * DAY - timedelta(hours=1)}, "taken_at", "stood open"),
        ({"taken_at": NOW + DAY}, "taken_at", "lies ahead"),
        ({"channels": typed_channels(3), "points": some_points(3)}, "rows", "has 4 cells"),
        ({"channels": typed_channels(5), "points": some_points(5)}, "rows", "reads cell 5"),
        ({"channels": typed_channels(4), "points": some_points(3)}, "rows", "4 channels"),
        ({"points": ()}, "rows", "needs points"),
        ({"temperature_c": 650.0}, "temperature_c", "no stack has it"),
        ({"meter_hours": -1.0}, "meter_hours", "below zero"),
    ],
)
def test_what_cannot_be_a_curve_of_the_stack_is_refused(
    engine: Engine, given: dict[str, Any], field: str, says: str
) -> None:
    stack = a_read_stack(engine)

    with pytest.raises(Refused, match=says) as refused:
        curve(stack, **given)

    assert refused.value.field == field


def test_only_who_works_with_stacks_may_bring_curves(engine: Engine) -> None:
    stack = a_read_stack(engine)

    with pytest.raises(NotAllowed), stack.lab.work(stack.lab.admin) as work:
        add_curve(
            work,
            stack.stack_id,
            taken_at=stack.before,
            channels=FOUR,
            points=some_points(4),
        )
    with pytest.raises(NotFound), stack.lab.work() as work:
        void_curve(work, 99, reason="not there")


# Voltages typed in


def test_voltages_typed_in_are_kept_and_made_void(engine: Engine) -> None:
    stack = a_read_stack(engine)

    key = voltages(stack, temperature_c=64.0, meter_hours=101.0)

    row = stack.lab.get(Snapshot, key)
    assert (row.density_a_cm2, row.build_id) == (0.7, stack.build_ids[0])
    assert row.means_v == "[0.69, 0.68, null, 0.66]"
    assert stack.lab.last_entry().act == "voltages:typed in"
    with stack.lab.work() as work:
        void_voltages(work, key, reason="read off another stack")
    assert stack.lab.get(Snapshot, key).known_until == NOW
    assert stack.lab.last_entry().act == "voltages:made void"
    voltages(stack)
    with pytest.raises(Refused, match="void already"), stack.lab.work() as work:
        void_voltages(work, key, reason="again")


@pytest.mark.parametrize(
    ("given", "field", "says"),
    [
        ({"voltages_v": (0.69, 0.68, 0.67)}, "voltages", "has 4 cells"),
        ({"voltages_v": (None,) * 4}, "voltages", "no channel was read"),
        ({"voltages_v": (0.69, 68.0, 0.67, 0.66)}, "voltages", "no cell has it"),
        ({"stack_voltage_v": 1e308}, "stack_voltage_v", "no stack has it"),
        ({"meter_hours": 1e308}, "meter_hours", "a thousand years"),
        ({"current_a": -1.0}, "current_a", "below zero"),
        ({"current_a": 70_000.0}, "current_a", "700 A/cm²"),
        ({"channels": ("U1", "U2")}, "voltages", "there are 2 channels"),
    ],
)
def test_voltages_no_stack_has_are_refused(
    engine: Engine, given: dict[str, Any], field: str, says: str
) -> None:
    stack = a_read_stack(engine)

    with pytest.raises(Refused, match=says) as refused:
        voltages(stack, **given)

    assert refused.value.field == field


def test_one_moment_is_typed_in_once(engine: Engine) -> None:
    stack = a_read_stack(engine)
    voltages(stack)

    with pytest.raises(Refused, match="typed in already"):
        voltages(stack)


# Each MEA through renumbering


def test_an_mea_is_followed_from_cell_to_cell(engine: Engine) -> None:
    """The MEA of cell 2 sits in cell 1 after the rebuild: one history, two places."""
    stack = a_read_stack(engine)
    voltages(stack, voltages_v=(0.700, 0.690, 0.680, 0.670))
    voltages(stack, taken_at=stack.after, voltages_v=(0.660, 0.650, 0.640, 0.630))

    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id)
        histories = mea_histories(moments_near(found.moments, 0.7))

    of_part = {history.part_id: history for history in histories}
    moved = of_part[stack.first_meas[1]]
    assert moved.places == ((1, 2), (2, 1))
    assert [it.voltage_v for it in moved.readings] == [0.690, 0.660]
    assert [it.hours_h for it in moved.readings] == [100.0, 400.0]
    assert moved.change_v == pytest.approx(-0.030)
    assert of_part[stack.first_meas[0]].places == ((1, 1),)
    assert of_part[stack.second_meas[3]].places == ((2, 4),)
    assert [(it.build, it.hours_h) for it in found.openings] == [(1, 300.0)]
    assert found.labels.keys() == {*stack.first_meas, *stack.second_meas}


def test_everything_read_of_a_stack_takes_the_same_statements(
    engine: Engine, statements: Any
) -> None:
    stack = a_read_stack(engine)
    voltages(stack)
    with Session(engine) as session, statements() as few:
        stack_voltages(session, stack.stack_id)
    for day in range(1, 5):
        voltages(stack, taken_at=stack.before + day * DAY)
        curve(stack, taken_at=stack.after + day * DAY)

    with Session(engine) as session, statements() as seen:
        found = stack_voltages(session, stack.stack_id)

    assert (len(found.snapshots), len(found.curves)) == (5, 4)
    assert len(seen) == 19
    assert len(few) <= len(seen)


def test_of_thousands_of_snapshots_some_hundred_are_read_whole(engine: Engine) -> None:
    """The first and last of each build, the newest and the one asked for are among them."""
    stack = a_read_stack(engine)

    def many(session: Session) -> list[int]:
        build = session.get_one(Build, stack.build_ids[0])
        other = session.get_one(Build, stack.build_ids[1])
        at = FIRST_CLOSING + DAY
        hour = timedelta(hours=1)
        rows = [a_snapshot(session, build, at + n * hour / 4, [0.7] * 4) for n in range(500)]
        rows += [a_snapshot(session, other, stack.after + n * hour, [0.69] * 4) for n in range(2)]
        return [row.id for row in rows]

    ids = stack.lab.rows(many)
    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id, snapshot_id=ids[251])

    read = [snapshot.id for snapshot in found.snapshots]
    assert len(found.heads) == 502
    assert MOST_NEAR <= len(read) <= MOST_NEAR + 5
    assert {ids[0], ids[251], ids[499], *ids[500:]} <= set(read)


def test_curves_stand_beside_voltages_at_one_density(engine: Engine) -> None:
    """A curve read at the reference density is a reading like another; at zero it is open."""
    stack = a_read_stack(engine)
    voltages(stack)
    key = curve(stack, taken_at=stack.after)

    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id)

    assert found.reference_a_cm2 == 0.7
    (at_curve,) = found.moments_at(0.6)
    assert (at_curve.key, at_curve.build) == (f"c{key}", 2)
    between = [(a + b) / 2 for a, b in zip(some_points(4)[6].means_v, some_points(4)[7].means_v)]  # type: ignore[operator]  # noqa: B905
    assert [seen.voltage_v for seen in at_curve.cells.values()] == pytest.approx(between)
    assert found.moments_at(3.0) == ()
    assert [moment.is_open for moment in found.moments] == [False, True]
