"""What comparisons need of each build is kept beside it, and always is what the rows say."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.bench.tables import CorrectionOf
from service.generate.generate import Size, generate
from service.life.arithmetic.build_features import NEVER, pack, unpack
from service.life.queries.build_features import MadeUp, makeups_of
from service.life.tables import BuildMakeup
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Kind
from service.platform.audit import Event
from service.platform.database import changing, housekeeping, reading
from service.stacks.changes.build_features import fill_makeups, keep_makeups, write_makeups
from service.stacks.changes.hours import read_hours, replace_meter
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.tables import Part, PartType
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known, voided
from tests.bench.corrections.test_corrections import Desk, desk, the_mea  # noqa: F401 - a fixture
from tests.bench.test_handing_in import rebuild, sent_back_and_taken_up, supervisor
from tests.found_by_index import read_whole
from tests.generate.test_generate import NOW, OWNER

Statements = Callable[[], AbstractContextManager[list[str]]]


def kept(engine: Engine) -> dict[int, str]:
    """The makeups as they stand, by build."""
    with reading(engine) as session:
        rows = session.execute(select(BuildMakeup.build_id, BuildMakeup.packed)).all()
    return dict(rows)


def told(engine: Engine) -> dict[int, str]:
    """What the rows of all builds known now say."""
    with reading(engine) as session:
        ids = session.scalars(select(Build.id)).all()
        return {made.build_id: pack(made.makeup) for made in makeups_of(session, ids)}


def fill(engine: Engine) -> int:
    """Write all that are missing."""
    with housekeeping(engine) as session:
        return sum(fill_makeups(session, builders.START))


def made_up(engine: Engine, serial: str = "TEL-1") -> list[MadeUp]:
    """The makeups of a stack's builds in their order."""
    with reading(engine) as session:
        ids = session.scalars(
            select(Build.id)
            .join(Stack, Stack.id == Build.stack_id)
            .where(Stack.serial == serial)
            .order_by(Build.number)
        ).all()
        return list(makeups_of(session, ids))


def two_stacks(session: Session) -> tuple[Part, Part]:
    """An MEA that sat in TEL-1 for two builds and then in TEL-2, beside one new there."""
    types = builders.the_part_types(session)
    lot = builders.a_lot(session, types.mea, label="M-4")
    moved = builders.a_part(session, types.mea, serial="MEA-1", lot=lot, hours_before=5.0)
    new = builders.a_part(session, types.mea, serial="MEA-2")
    stay = [builders.a_part(session, types.mea) for _ in range(2)]
    design = builders.a_design(session)
    one = builders.a_stack(session, serial="TEL-1", design=design)
    pile = builders.a_pile(session, one, 3, meas=[moved, *stay])
    builders.a_build(session, one, laid=pile)
    builders.a_build(session, one, hours=100.0)
    blank = builders.a_part(session, types.blank_cell)
    instead = builders.a_pile(session, one, 3, meas=[blank, *stay])
    third = builders.a_build(session, one, hours=250.0, laid=instead)
    builders.an_hour_reading(session, one, 300.0, builders.FIRST_CLOSING + timedelta(days=70))
    two = builders.a_stack(session, serial="TEL-2", design=design)
    pile = builders.a_pile(session, two, 2, meas=[new, moved])
    closed_at = builders.FIRST_CLOSING + timedelta(days=90)
    builders.a_build(session, two, laid=pile, closed_at=closed_at)
    session.flush()
    assert third.number == 3
    return moved, new


@pytest.mark.both_engines
def test_an_mea_is_told_with_what_it_went_through_before(engine: Engine) -> None:
    """Hours, openings and the stack it came from: of earlier builds, in whatever stack."""
    with Session(engine) as session:
        moved, new = two_stacks(session)
        ids, lot_id = (moved.id, new.id), moved.lot_id
        one = session.scalars(select(Stack.id).where(Stack.serial == "TEL-1")).one()
        session.commit()

    first, second, third = made_up(engine)
    later = made_up(engine, "TEL-2")[0].makeup

    assert [mea.part_id for mea in first.makeup.meas].index(ids[0]) == 0
    assert (first.makeup.meas[0].hours_before, first.makeup.meas[0].openings) == (5.0, 0)
    assert (second.makeup.meas[0].hours_before, second.makeup.meas[0].openings) == (105.0, 1)
    assert second.makeup.meas[0].came_from is None
    assert second.makeup.meas[0].lot_id == lot_id
    assert ids[0] not in {mea.part_id for mea in third.makeup.meas}
    assert [mea.cell for mea in third.makeup.meas] == [2, 3]
    assert (third.makeup.cells, third.makeup.ran_h) == (3, 50.0)
    by_part = {mea.part_id: mea for mea in later.meas}
    assert (by_part[ids[0]].hours_before, by_part[ids[0]].openings) == (255.0, 2)
    assert by_part[ids[0]].came_from == one
    assert by_part[ids[1]].came_from is None


def test_the_lots_around_an_mea_are_those_of_its_cell_and_the_coolant_beside(
    engine: Engine,
) -> None:
    """Two half plates, two gas gaskets, a coolant gasket on either side."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        stack = builders.a_stack(session, serial="TEL-1")
        pile = builders.a_pile(session, stack, 3)
        lots = {}
        for position, (part, _facing) in enumerate(pile, 1):
            if part.part_type_id in {types.fuel_plate.id, types.air_plate.id}:
                part.lot_id = builders.a_lot(session, types.fuel_plate).id
            if part.part_type_id in {types.gas_gasket.id, types.coolant_gasket.id}:
                of = (
                    types.gas_gasket
                    if part.part_type_id == types.gas_gasket.id
                    else (types.coolant_gasket)
                )
                part.lot_id, part.item_number = builders.a_lot(session, of).id, 1
            session.flush()
            lots[position] = part.lot_id
        builders.a_build(session, stack, laid=pile)
        session.commit()

    middle = made_up(engine)[0].makeup.meas[1]

    # insulator, collector, coolant gasket, then six layers a cell: cell 2 begins at 10
    assert middle.cell == 2
    assert middle.plate_lots == (lots[10], lots[14])
    assert middle.gasket_lots == (lots[11], lots[13], lots[9], lots[15])


def test_a_present_build_says_which_meter_counts_on(engine: Engine) -> None:
    with Session(engine) as session:
        two_stacks(session)
        session.commit()

    first, _, third = made_up(engine)

    assert (first.makeup.meter, first.makeup.opened > first.makeup.closed) == (0, True)
    assert third.makeup.opened == NEVER
    assert third.makeup.meter > 0
    # the meter showed 300 h, 250 h at the closing
    assert third.makeup.not_ran_h == 250.0


def test_missing_ones_are_filled_in_and_filling_again_writes_nothing(engine: Engine) -> None:
    with Session(engine) as session:
        two_stacks(session)
        session.commit()

    assert fill(engine) == 4
    assert fill(engine) == 0
    assert kept(engine) == told(engine)


@pytest.mark.both_engines
def test_writing_one_that_another_wrote_meanwhile_takes_its_place(engine: Engine) -> None:
    with Session(engine) as session:
        two_stacks(session)
        session.commit()
        ids = session.scalars(select(Build.id)).all()
    fill(engine)
    with housekeeping(engine) as session:
        for row in session.scalars(select(BuildMakeup)):
            row.packed = "of another time"

    with housekeeping(engine) as session:
        write_makeups(session, ids, builders.START)

    assert kept(engine) == told(engine)


def test_handing_in_keeps_the_new_build_and_the_one_it_opened(engine: Engine) -> None:
    lab = a_lab(engine)
    fill(engine)
    before = kept(engine)

    rebuild(lab).do(hand_in)

    after = kept(engine)
    assert after == told(engine)
    assert len(after) == len(before) + 1
    opened = next(iter(before))
    assert after[opened] != before[opened]


def test_a_record_made_void_takes_its_build_away(engine: Engine) -> None:
    lab = a_lab(engine)
    fill(engine)
    before = kept(engine)
    record = rebuild(lab)
    record.do(hand_in)
    sent_back_and_taken_up(lab, record)

    voided(lab, record.number, supervisor(lab))

    assert kept(engine) == told(engine)
    assert kept(engine).keys() == before.keys()


def test_a_correction_is_followed_wherever_its_mea_went(desk: Desk) -> None:  # noqa: F811
    """A misread MEA, and the hours read at an opening."""
    engine = desk.lab.engine
    fill(engine)
    right = desk.spare(serial="M-77", hours_before=40.0)

    desk.correct(desk.first, the_mea(desk), "M-77")

    assert kept(engine) == told(engine)
    _, stays = unpack(list(kept(engine).values()))
    assert (stays.part == right.id).sum() == 2

    hours = desk.fact(desk.second, CorrectionOf.HOURS)
    desk.correct(desk.second, hours, "320")

    assert kept(engine) == told(engine)


def test_a_new_meter_is_the_one_that_counts_on(engine: Engine) -> None:
    lab: Lab = a_lab(engine)
    fill(engine)

    lab.do(
        replace_meter, lab.stack_id, last_hours=180.0, first_hours=0.0, label="", reason="broken",
        replaced_at=lab.now,
    )  # fmt: skip

    assert kept(engine) == told(engine)


def test_hours_read_late_count_for_builds_opened_since(engine: Engine) -> None:
    """Nobody had read the meter at the opening: a reading found afterwards says what it ran."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2, serial="TARN-001")
        builders.a_build(session, stack)
        stack_id, by = stack.id, known(session, builders.a_person(session, Role.BUILDER))
        session.commit()
    fill(engine)
    before = kept(engine)

    with changing(engine, by, now=builders.FIRST_CLOSING + timedelta(days=40)) as work:
        late = builders.FIRST_CLOSING + timedelta(days=20)
        read_hours(work, stack_id, hours=75.0, taken_at=late)

    assert kept(engine) == told(engine)
    assert kept(engine) != before


def test_a_generated_history_comes_with_them(engine: Engine) -> None:
    with changing(engine, OWNER, now=NOW, via="command") as work:
        generate(work, Size(stacks=2, cells=3, builds=3, seed=4))

    assert kept(engine) == told(engine)
    assert len(kept(engine)) == 6


def test_any_number_of_builds_takes_the_same_statements(
    engine: Engine, statements: Statements
) -> None:
    with Session(engine) as session:
        two_stacks(session)
        session.commit()
        ids = session.scalars(select(Build.id).order_by(Build.id)).all()

    counts = []
    for some in (ids[:1], ids):
        with reading(engine) as session, statements() as seen:
            makeups_of(session, some)
        counts.append(len(seen))

    assert counts[0] == counts[1]


def test_keeping_them_reads_no_growing_table_whole(app: Any, statements: Statements) -> None:
    """Hand-in stays as quick in a lab of many years."""
    engine = app.state.engine
    with Session(engine) as session:
        two_stacks(session)
        by = known(session, builders.a_person(session, Role.BUILDER))
        session.commit()
        ids = session.scalars(select(Build.id)).all()
    fill(engine)

    with changing(engine, by, now=NOW) as work, statements() as seen:
        keep_makeups(work, ids[:1])
        work.note(Event.HOURS_READ, ("stack", 1, "TEL-1"))

    asked = [one for one in seen if one.lstrip().upper().startswith("SELECT")]
    assert read_whole(engine, asked) == []


def test_only_what_is_known_now_counts(engine: Engine) -> None:
    """Each MEA of each build known now, once; nothing of a layer that was closed out."""
    lab = a_lab(engine)
    rebuild(lab).do(hand_in)
    fill(engine)

    builds, stays = unpack(list(kept(engine).values()))

    with reading(engine) as session:
        known = session.execute(
            select(Layer.build_id, Layer.part_id)
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .join(BuildPeriod, BuildPeriod.build_id == Layer.build_id)
            .where(
                Layer.known_until.is_(None),
                BuildPeriod.known_until.is_(None),
                PartType.kind == Kind.MEA,
            )
        ).all()
    assert sorted(stays.part.tolist()) == sorted(row.part_id for row in known)
    assert builds.closed.size == 2
