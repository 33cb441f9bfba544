"""The life of a part: builds, neighbours, events, findings, holds, former beliefs."""

from collections.abc import Callable
from datetime import timedelta
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Facing, Kind, Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.tables import AuditEntry
from service.records.tables import Finding, RebuildRecord, Step, StepKind
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.part_lives import Events, event_counts, part_life
from service.stacks.queries.stack_sheets import stack_sheet
from service.stacks.queries.stacks import find_stack, stack_list
from service.stacks.tables import Build, Layer, Stack
from service.store.queries.scans import resolve
from service.store.tables import Hold
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.turning import turned

DAY = timedelta(days=1)


def part_at(session: Session, build: Build, position: int) -> int:
    """The part at a position of a build, as known now."""
    return session.scalars(
        select(Layer.part_id).where(
            Layer.build_id == build.id, Layer.position == position, Layer.known_until.is_(None)
        )
    ).one()


def a_finding(session: Session, record_id: int, part_id: int, condition: str) -> None:
    """Something seen on a part in a record."""
    step = session.scalars(
        select(Step).where(Step.record_id == record_id, Step.kind == StepKind.OPENED)
    ).one()
    session.add(
        Finding(
            record_id=record_id,
            step_id=step.id,
            part_id=part_id,
            condition=condition,
            severity=2,
            where="air inlet",
        )
    )
    session.flush()


def test_the_life_of_an_mea_is_told_build_by_build(engine: Engine) -> None:
    """Where, in which cell, between what, for how long; now fitted."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        first = session.scalars(select(Build)).one()
        second = builders.a_build(session, stack, hours=310)
        builders.an_hour_reading(session, stack, 400, FIRST_CLOSING + 60 * DAY)
        mea = part_at(session, first, 12)

        life = part_life(session, mea)

        assert life.part.kind is Kind.MEA
        assert [(s.build_number, s.position, s.cell) for s in life.sittings] == [
            (1, 12, 2),
            (2, 12, 2),
        ]
        assert [s.hours for s in life.sittings] == [Hours(310), Hours(90)]
        assert life.hours == Hours(400)
        assert life.now is not None
        assert life.now.build_id == second.id
        beside = life.sittings[0].neighbours
        assert beside is not None
        assert beside.toward_fixed_end.cell is not None
        assert beside.toward_fixed_end.cell.part == part_at(session, first, 6)
        assert beside.toward_free_end.gasket is not None
        assert beside.toward_free_end.gasket.part == part_at(session, first, 13)
        around = [layer.kind for layer in life.sittings[0].around]
        assert around == [
            Kind.GASKET,
            Kind.HALF_PLATE,
            Kind.GASKET,
            Kind.GASKET,
            Kind.HALF_PLATE,
            Kind.GASKET,
        ]


def test_load_cycles_and_separations_are_counted_from_events(engine: Engine) -> None:
    """Three closings are three load cycles; only what was lifted off was separated."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        first = session.scalars(select(Build)).one()
        builders.a_build(session, stack)
        third = builders.a_build(session, stack)
        mea, old_gasket = part_at(session, first, 6), part_at(session, first, 5)
        new_gasket = part_at(session, third, 5)

        counts = event_counts(session, [mea, old_gasket, new_gasket])

        assert counts == {mea: Events(3, 2), old_gasket: Events(1, 1), new_gasket: Events(1, 0)}


def test_an_entry_undone_or_a_record_made_void_is_no_separation(engine: Engine) -> None:
    """Only what counts is counted."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        first = session.scalars(select(Build)).one()
        mea = part_at(session, first, 6)
        second = builders.a_build(session, stack)
        record = builders.a_record(session, stack, base=second)
        at = record.performed_from
        for sequence, undone in ((1, True), (2, False)):
            session.add(
                Step(
                    record_id=record.id,
                    sequence=sequence,
                    kind=StepKind.LIFTED_OFF,
                    part_id=mea,
                    standing=False,
                    done_at=at,
                    written_at=at,
                    by_id=record.written_by_id,
                    undone_at=at if undone else None,
                    undone_by_id=record.written_by_id if undone else None,
                )
            )
            session.flush()
            assert event_counts(session, [mea])[mea].separations == sequence

        session.execute(
            update(RebuildRecord).where(RebuildRecord.id == second.record_id).values(state="void")
        )
        assert event_counts(session, [mea])[mea].separations == 1


@pytest.mark.both_engines
def test_findings_holds_and_moves_stand_in_the_life(engine: Engine) -> None:
    """What was seen, what holds it (its lot's hold too), and what the trail says of it."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-4")
        mea = builders.a_part(session, types.mea, serial="MEA-7", lot=lot)
        stack = builders.a_stack(session)
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, 1, meas=[mea]))
        second = builders.a_build(session, stack)
        a_finding(session, second.record_id, mea.id, "pinhole")
        quality = builders.a_person(session, Role.QUALITY, name="Kit Marsh")
        for subject in ({"part_id": mea.id}, {"lot_id": lot.id}):
            session.add(
                Hold(
                    reason="pinholes",
                    placed_by_id=quality.id,
                    placed_at=FIRST_CLOSING,
                    **subject,
                )
            )
        session.add(
            AuditEntry(
                at=FIRST_CLOSING,
                person_id=quality.id,
                person_name="Kit Marsh",
                act="part:moved",
                subject_kind="part",
                subject_id=mea.id,
                subject_label="MEA-7",
                changes='[["place", "shelf 1", "shelf 2"]]',
                reason="",
                via="page",
            )
        )
        session.flush()

        life = part_life(session, mea.id)

        assert [(f.condition, f.severity, f.record_id) for f in life.findings] == [
            ("pinhole", 2, second.record_id)
        ]
        assert [(hold.of_lot, hold.placed_by) for hold in life.holds] == [
            (False, "Kit Marsh"),
            (True, "Kit Marsh"),
        ]
        assert [(c.field, c.before, c.after) for c in life.moves[0].changes] == [
            ("place", "shelf 1", "shelf 2")
        ]
        held = stack_sheet(session, stack.id).holds
        assert {(hold.label, hold.held, hold.cell) for hold in held} == {
            ("MEA-7", "part", 1),
            ("MEA-7", "lot", 1),
        }


def test_where_a_part_was_thought_to_be_stays_readable(engine: Engine) -> None:
    """A misread serial: the life of the wrong part says what was thought, and until when."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        build = session.scalars(select(Build)).one()
        right = builders.a_part(session, builders.the_part_types(session).mea, serial="M-RIGHT")
        wrong = part_at(session, build, 6)
        corrected_at = FIRST_CLOSING + 10 * DAY
        session.execute(
            update(Layer)
            .where(Layer.build_id == build.id, Layer.position == 6)
            .values(known_until=corrected_at, present=False)
        )
        session.add(
            Layer(
                build_id=build.id,
                position=6,
                part_id=right.id,
                facing=Facing.EITHER,
                cell=1,
                present=True,
                known_from=corrected_at,
            )
        )
        session.flush()

        life = part_life(session, wrong)

        assert life.sittings == ()
        belief = life.former_beliefs[0]
        assert (belief.stack_serial, belief.build_number, belief.position, belief.cell) == (
            stack.serial,
            1,
            6,
            1,
        )
        assert (belief.instead, belief.known_until) == ("M-RIGHT", corrected_at)
        assert part_life(session, right.id).former_beliefs == ()


@pytest.mark.both_engines
def test_a_part_in_store_has_a_life_too_and_an_unknown_one_has_none(engine: Engine) -> None:
    """Hours it came with count."""
    with Session(engine) as session:
        mea = builders.the_part_types(session).mea
        part = builders.a_part(session, mea, hours_before=750, usability=Usability.ACCEPTED_USED)

        life = part_life(session, part.id)

        assert (life.hours, life.now, life.events) == (Hours(750), None, Events())
        assert life.part.whereabouts is Whereabouts.IN_STORE
        with pytest.raises(NotFound):
            part_life(session, 12345)


@pytest.mark.parametrize("builds", [1, 4])
def test_a_life_takes_as_many_statements_for_one_build_as_for_four(
    engine: Engine, statements: Callable[[], Any], builds: int
) -> None:
    """However long it is."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        for number in range(1, builds):
            builders.a_build(session, stack, hours=100.0 * number)
        mea = part_at(session, session.scalars(select(Build)).all()[0], 6)
        with statements() as seen:
            assert len(part_life(session, mea).sittings) == builds

    assert len(seen) == 19


# Stacks and scans, which lead to parts


@pytest.mark.both_engines
def test_stacks_are_listed_with_their_state(engine: Engine) -> None:
    """Released, not released, no build yet; by text, state and page."""
    with Session(engine) as session:
        released = builders.a_stack(session, cells=3)
        builders.a_release(session, session.scalars(select(Build)).one())
        waiting = builders.a_stack(session, cells=2)
        builders.a_build(session, waiting, approved=False, hours=12)
        empty = builders.a_stack(session, serial="Zeta-1")
        builders.a_record(session, empty)
        session.flush()

        rows = stack_list(session).rows

        assert [(row.serial, row.state, row.cells, row.build_number) for row in rows] == [
            (released.serial, "released", 3, 1),
            (waiting.serial, "not released", 2, 2),
            ("Zeta-1", "no build yet", None, None),
        ]
        assert [row.last_approved_build for row in rows] == [1, 1, None]
        assert rows[1].hours.hours == Hours(12)
        assert rows[2].being_written_id is not None
        assert [r.serial for r in stack_list(session, text=" ZETA").rows] == ["Zeta-1"]
        assert stack_list(session, text="ze_a").rows == ()
        assert [r.serial for r in stack_list(session, state="not released").rows] == [
            waiting.serial
        ]
        there, back = turned(partial(stack_list, session), 2)
        assert tuple(there) == tuple(back) == rows
        assert stack_list(session).total == 3
        assert find_stack(session, " zeta-1 ") == empty.id
        with pytest.raises(NotFound):
            find_stack(session, "Zeta-2")


def test_a_scan_finds_parts_stacks_lots_instruments_and_records(engine: Engine) -> None:
    """Whatever it may stand for is offered."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-4")
        one = builders.a_part(session, types.mea, serial="A-0017", lot=lot)
        other = builders.a_part(session, types.fuel_plate, serial="a-0017")
        gasket = builders.a_part(
            session, types.gas_gasket, lot=builders.a_lot(session, types.gas_gasket, label="S-31")
        )
        stack = builders.a_stack(session, serial="A-0018", cells=1)
        tool = builders.a_torque_instrument(session, label="TD-7")

        def found(text: str) -> list[tuple[str, int]]:
            return [(hit.kind, hit.id) for hit in resolve(session, text).hits]

        assert sorted(found(" a-0017")) == sorted([("part", one.id), ("part", other.id)])
        assert found("(21)A-0017(10)M-4") == [("part", one.id)]
        assert found("(21)A-0017(10)M-5") == found("A-0017")
        assert found("A-0018") == [("stack", stack.id)]
        assert found("td-7") == [("instrument", tool.id)]
        assert found("S-31") == [("lot", gasket.lot_id)]
        assert found("s-31 ITEM 1") == [("part", gasket.id)]
        record = session.scalars(select(RebuildRecord)).one()
        assert ("record", record.id) in found(f"record {record.id}")
        assert found("nothing like it") == found("") == found("(21)") == []
        assert resolve(session, "(21)").trouble
        like = builders.a_part(session, types.mea, serial="(21)N-7")
        assert found("(21)n-7") == [("part", like.id)]
        bare = builders.a_part(session, types.mea, serial="N-7")
        assert sorted(found("(21)N-7")) == [("part", like.id), ("part", bare.id)]
        assert found("https://x.example/01/09506000134352/21/N-7") == [("part", bare.id)]
        odd = builders.a_lot(session, types.mea, label="(10)L-5")
        assert found("(10)L-5") == [("lot", odd.id)]
        assert find_stack(session, session.get_one(Stack, stack.id).serial) == stack.id
