"""Voltages follow the part: channel to cell by the map of the time, cell to MEA by the build."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.condition.queries.snapshots import snapshot_heads, snapshots_read
from service.stacks.tables import Build, Layer
from service.taps.queries import taps_of
from service.taps.tables import TapMap
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.taps.tapping import a_bridge, a_snapshot, a_tap_map, voltages_of_build

DAY = timedelta(days=1)
RUN_AT = FIRST_CLOSING + 10 * DAY


def the_build(session: Session, cells: int = 3) -> Build:
    """A stack with its first build."""
    stack = builders.a_stack(session, cells=cells)
    return session.scalars(select(Build).where(Build.stack_id == stack.id)).one()


def test_without_a_map_each_channel_reads_the_cell_of_its_number(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)
        a_snapshot(session, build, RUN_AT, [0.61, 0.62, 0.63])
        meas = mea_of_cells(session, [build.id])[build.id]

        (found,) = voltages_of_build(session, [build.id])[build.id]

    assert found.cells == (1, 2, 3)
    assert found.part_ids == (meas[1], meas[2], meas[3])
    assert len(set(meas.values())) == 3
    assert {cell: one.mean_v for cell, one in found.by_cell.items()} == {1: 0.61, 2: 0.62, 3: 0.63}
    assert found.at == RUN_AT


def test_a_voltage_is_read_through_the_map_valid_at_its_time(engine: Engine) -> None:
    """Two leads were crossed between two snapshots."""
    with Session(engine) as session:
        build = the_build(session)
        a_snapshot(session, build, RUN_AT, [0.61, 0.62, 0.63])
        a_tap_map(session, build.stack_id, RUN_AT + DAY, {1: 2, 2: 1, 3: None})
        a_snapshot(session, build, RUN_AT + 2 * DAY, [0.51, 0.52, 0.53])
        meas = mea_of_cells(session, [build.id])[build.id]

        before, after = voltages_of_build(session, [build.id])[build.id]

    assert before.cells == (1, 2, 3)
    assert after.cells == (2, 1, None)
    assert after.part_ids == (meas[2], meas[1], None)
    assert after.by_cell[1].mean_v == 0.52


def test_a_corrected_map_reads_the_voltages_anew_and_keeps_what_was_thought(
    engine: Engine,
) -> None:
    with Session(engine) as session:
        build = the_build(session)
        a_snapshot(session, build, RUN_AT, [0.61, 0.40, 0.63])
        wrong = a_tap_map(session, build.stack_id, FIRST_CLOSING, {1: 1, 2: 2, 3: 3})
        corrected_at = RUN_AT + 5 * DAY
        session.execute(
            update(TapMap).where(TapMap.id == wrong.id).values(known_until=corrected_at)
        )
        a_tap_map(
            session,
            build.stack_id,
            FIRST_CLOSING,
            {1: 1, 2: 3, 3: 2},
            known_from=corrected_at,
        )

        (now,) = voltages_of_build(session, [build.id])[build.id]
        (then,) = voltages_of_build(session, [build.id], RUN_AT + DAY)[build.id]

    assert now.by_cell[3].mean_v == 0.40
    assert then.by_cell[2].mean_v == 0.40


def test_blank_and_bridged_cells_blame_no_mea(engine: Engine) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session)
        types = builders.the_part_types(session)
        meas = [
            builders.a_part(session, types.mea, stack=stack),
            builders.a_part(session, types.blank_cell, stack=stack),
            builders.a_part(session, types.mea, stack=stack),
        ]
        pile = builders.a_pile(session, stack, 3, meas=meas)
        build = builders.a_build(session, stack, laid=pile)
        a_bridge(session, build, 3, RUN_AT + DAY)
        a_snapshot(session, build, RUN_AT, [0.61, 0.0, 0.63])
        a_snapshot(session, build, RUN_AT + 2 * DAY, [0.61, 0.0, 0.01])

        before, after = voltages_of_build(session, [build.id])[build.id]

        assert before.part_ids == (meas[0].id, None, meas[2].id)
        assert before.bridged == frozenset()
        assert after.bridged == {3}
        assert [one.is_bridged for one in after.by_cell.values()] == [False, False, True]


def test_an_mea_that_moves_takes_its_later_voltages_with_it(engine: Engine) -> None:
    """Cell 1 and 3 change places at the rebuild."""
    with Session(engine) as session:
        first = the_build(session)
        stack = session.get_one(builders.Stack, first.stack_id)
        of_first = mea_of_cells(session, [first.id])[first.id]
        laid = builders.a_pile(
            session,
            stack,
            3,
            meas=[session.get_one(builders.Part, of_first[cell]) for cell in (3, 2, 1)],
        )
        second = builders.a_build(session, stack, laid=laid)
        a_snapshot(session, first, RUN_AT, [0.61, 0.62, 0.63])
        a_snapshot(session, second, RUN_AT + 40 * DAY, [0.61, 0.62, 0.63])

        found = voltages_of_build(session, [first.id, second.id])

    assert found[first.id][0].part_ids == tuple(of_first[cell] for cell in (1, 2, 3))
    assert found[second.id][0].part_ids == tuple(of_first[cell] for cell in (3, 2, 1))


def test_columns_with_other_names_are_read_by_the_numbers_in_them(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)
        names = ("Cell 3 [mV]", "Cell 1 [mV]", "Cell 2 [mV]")

        assert taps_of(session, []).cell_of(build.stack_id, RUN_AT, names) == (3, 1, 2)


@pytest.mark.parametrize("snapshots", [1, 20])
def test_voltages_take_as_many_statements_for_one_snapshot_as_for_twenty(
    engine: Engine, statements: Callable[[], Any], snapshots: int
) -> None:
    with Session(engine) as session:
        build = the_build(session)
        for number in range(snapshots):
            a_snapshot(session, build, RUN_AT + number * DAY, [0.61, 0.62, 0.63])
        heads = snapshot_heads(session, [build.id])
        with statements() as seen:
            found = snapshots_read(session, build.stack_id, heads)

    assert len(found) == snapshots
    assert len(seen) == 4


def test_a_build_that_never_ran_has_no_voltages(engine: Engine) -> None:
    with Session(engine) as session:
        build = the_build(session)

        assert voltages_of_build(session, [build.id]) == {build.id: ()}
        assert session.scalars(select(Layer.id)).first() is not None
