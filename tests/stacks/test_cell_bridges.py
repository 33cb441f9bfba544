"""Cells bridged in service: noted, ended, corrected, taken back; their hours stand still."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.people.tables import Role
from service.platform import permissions
from service.platform.database import changing
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.tables import AuditEntry
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.changes.cell_bridges import (
    BridgeEntry,
    correct_bridge,
    end_bridge,
    note_bridge,
    withdraw_bridge,
)
from service.stacks.queries.cell_bridges import bridges_of_stack, written_bridge
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, CellBridge
from tests import builders
from tests.builders import FIRST_CLOSING, OPEN_FOR
from tests.stacks.test_hours import a_worker

DAY = timedelta(days=1)
LATER = FIRST_CLOSING + 100 * DAY
SECOND_CLOSING = FIRST_CLOSING + 30 * DAY


@pytest.fixture
def stack_id(engine: Engine) -> int:
    """Cells 1 and 2 live, 3 blank; opened after 300 h; 100 h in ten days since."""
    with Session(engine) as session:
        stack = builders.a_stack(session)
        types = builders.the_part_types(session)
        kinds = (types.mea, types.mea, types.blank_cell)
        meas = [builders.a_part(session, kind, stack=stack) for kind in kinds]
        laid = builders.a_pile(session, stack, 3, meas=meas)
        builders.a_build(session, stack, laid=laid)
        builders.a_build(session, stack, hours=300)
        builders.an_hour_reading(session, stack, 400, SECOND_CLOSING + 10 * DAY)
        session.commit()
        return stack.id


def told(cell: int = 1, begin: float = 2, end: float | None = None, **more: Any) -> BridgeEntry:
    """A bridge that began and ended so many days after the second closing."""
    given: dict[str, Any] = {
        "cell": cell,
        "from_at": SECOND_CLOSING + begin * DAY,
        "until_at": None if end is None else SECOND_CLOSING + end * DAY,
        "reason": "reverses at load",
        "allowed_by": "test engineer on duty",
    }
    return BridgeEntry(**(given | more))


def noted(engine: Engine, by: permissions.Person, stack_id: int, one: BridgeEntry) -> int:
    """Note a bridge."""
    with changing(engine, by, now=LATER) as work:
        return note_bridge(work, stack_id, one)


def hours_of_first_cell(engine: Engine, stack_id: int, known_at: Any = None) -> Hours:
    """Of the MEA in cell 1 of the present build."""
    with Session(engine) as session:
        build = session.scalars(
            select(Build.id).where(Build.stack_id == stack_id).order_by(Build.number.desc())
        ).first()
        assert build is not None
        mea = mea_of_cells(session, [build])[build][1]
        return part_hours(session, [mea], known_at)[mea].total


@pytest.mark.both_engines
def test_a_bridge_stops_the_hours_of_its_cell_until_it_is_ended(
    engine: Engine, stack_id: int
) -> None:
    by = a_worker(engine)
    bridge = noted(engine, by, stack_id, told(begin=2))
    assert hours_of_first_cell(engine, stack_id).hours == pytest.approx(320)
    with changing(engine, by, now=LATER + DAY) as work:
        end_bridge(work, bridge, until_at=SECOND_CLOSING + 7 * DAY, note="jumper off")

    assert hours_of_first_cell(engine, stack_id).hours == pytest.approx(350)
    thought = LATER + timedelta(hours=1)
    assert hours_of_first_cell(engine, stack_id, thought).hours == pytest.approx(320)
    with Session(engine) as session:
        entries = session.scalars(select(AuditEntry).order_by(AuditEntry.id)).all()
        assert [entry.act for entry in entries] == ["bridged cell:noted", "bridged cell:ended"]
        assert entries[0].subject_label.startswith("bridged cell 1 of ")
        assert entries[1].reason == "jumper off"
        rows = bridges_of_stack(session, stack_id)
        assert [row.stands for row in rows] == [False, False]
        assert [row.known_until is None for row in rows] == [True, False]


def test_a_corrected_bridge_and_one_taken_back_give_the_hours_back(
    engine: Engine, stack_id: int
) -> None:
    by = a_worker(engine)
    bridge = noted(engine, by, stack_id, told(cell=1, begin=2, end=7))
    with changing(engine, by, now=LATER + DAY) as work:
        second = correct_bridge(work, bridge, told(cell=2, begin=2, end=7), why="it was cell 2")
    assert hours_of_first_cell(engine, stack_id) == Hours(400)
    with changing(engine, by, now=LATER + 2 * DAY) as work:
        withdraw_bridge(work, second, why="it was another stack")

    with Session(engine) as session:
        assert all(row.known_until for row in bridges_of_stack(session, stack_id))
        assert written_bridge(session, second).cell == 2
        with pytest.raises(NotFound):
            written_bridge(session, 99)
    with pytest.raises(Refused, match="before"), changing(engine, by, now=LATER) as work:
        withdraw_bridge(work, second, why="again")


@pytest.mark.parametrize(
    ("one", "says"),
    [
        (told(cell=4), "no such cell"),
        (told(cell=3), "blank cell, which carries no load"),
        (told(begin=3, end=2), "before the beginning"),
        (told(begin=200), "lies ahead"),
        (told(begin=-0.1), "not closed then"),  # while it stood open
        (told(begin=-60), "not closed then"),  # before it was ever built
        (told(begin=-10, end=1), "opened before that"),
        (told(reason=""), "reason"),
        (told(allowed_by=" "), "allowed_by"),
        (told(begin=6, end=8), "bridged from .* already"),
    ],
)
def test_a_bridge_that_cannot_be_is_refused_in_words(
    engine: Engine, stack_id: int, one: BridgeEntry, says: str
) -> None:
    by = a_worker(engine)
    noted(engine, by, stack_id, told(begin=5, end=7))

    with pytest.raises(Refused, match=says):
        noted(engine, by, stack_id, one)


def test_a_cell_may_be_bridged_again_once_the_jumper_was_off(engine: Engine, stack_id: int) -> None:
    """And in the build before, whose opening ended it."""
    by = a_worker(engine)
    noted(engine, by, stack_id, told(begin=-20))
    noted(engine, by, stack_id, told(begin=1, end=2))
    noted(engine, by, stack_id, told(begin=2))

    with Session(engine) as session:
        assert [row.stands for row in bridges_of_stack(session, stack_id)] == [True, False, False]
        first = bridges_of_stack(session, stack_id)[-1]
        assert (first.build_number, first.opened_at) == (1, SECOND_CLOSING - OPEN_FOR)


def test_an_ended_bridge_is_not_ended_twice(engine: Engine, stack_id: int) -> None:
    by = a_worker(engine)
    bridge = noted(engine, by, stack_id, told(begin=2, end=3))

    with pytest.raises(Refused, match="has its end already"):
        _end(engine, by, bridge)
    with pytest.raises(Refused, match="noted already"), changing(engine, by, now=LATER) as work:
        correct_bridge(work, bridge, told(begin=2, end=3), why="looked again")


def _end(engine: Engine, by: permissions.Person, bridge: int) -> None:
    with changing(engine, by, now=LATER) as work:
        end_bridge(work, bridge, until_at=SECOND_CLOSING + 4 * DAY)


def test_somebody_without_leave_notes_no_bridge(engine: Engine, stack_id: int) -> None:
    nobody = permissions.Person(1, "x", "X", frozenset({Role.ADMIN}))

    with pytest.raises(NotAllowed):
        noted(engine, nobody, stack_id, told())
    with pytest.raises(NotFound):
        noted(engine, a_worker(engine), 99, told())


@pytest.mark.both_engines
def test_the_database_holds_one_standing_bridge_a_cell(engine: Engine, stack_id: int) -> None:
    """Whatever a change would let through."""
    by = a_worker(engine)
    noted(engine, by, stack_id, told(begin=2))
    with Session(engine) as session:
        row = session.scalars(select(CellBridge)).one()
        session.add(
            CellBridge(
                stack_id=row.stack_id,
                build_id=row.build_id,
                cell=row.cell,
                from_at=LATER,
                reason="again",
                allowed_by="nobody",
                by_id=row.by_id,
                known_from=LATER,
            )
        )
        with pytest.raises(IntegrityError):
            session.flush()
        session.rollback()
    with Session(engine) as session, pytest.raises(DBAPIError):
        session.execute(update(CellBridge).values(until_at=LATER))
