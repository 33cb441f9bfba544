"""Hand-in: from then on the physical facts count and the content is frozen."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve, send_back, take_up
from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.closing.changes.torque import read_torque
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Facing, ReadingKind, Stage
from service.platform.database import changing
from service.platform.errors import NotAllowed, Refused, RefusedTogether, Stale
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.changes.bench_fixings import fit_fixing, remove_fixing
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import verify
from service.records.tables import RebuildRecord, RecordKind, RecordState, Step, StepKind
from service.stacks.queries.layer_maps import layer_map
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import NOW, WORK_BEGAN, Bench, Lab, a_lab, known, voided, where

OPENED_AT = WORK_BEGAN + timedelta(minutes=30)
CLOSED_AT = NOW


def rebuild(lab: Lab, *, lifted: int = 3) -> Bench:
    """A record: some layers lifted off the free end and put back, the stack closed again."""
    record = lab.begin()
    record.open()
    parts = record.lift(count=lifted)
    for part in reversed(parts):
        facing = _facing(lab, part)
        record.do(put_on, end=End.FREE, part_id=part, facing=facing)
    record.do(close_stack, closed_at=lab.now)
    return record


def _facing(lab: Lab, part_id: int) -> Facing:
    with Session(lab.engine) as session:
        return session.scalars(select(Layer.facing).where(Layer.part_id == part_id)).first()  # type: ignore[return-value]


def supervisor(lab: Lab) -> Person:
    return lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))


def present_layers(lab: Lab) -> list[tuple[int, int]]:
    """Build and part of every layer that counts as present, in the order of the pile."""
    with Session(lab.engine) as session:
        rows = session.execute(
            select(Layer.build_id, Layer.part_id)
            .where(Layer.present)
            .order_by(Layer.build_id, Layer.position)
        )
        return [(row.build_id, row.part_id) for row in rows]


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def test_a_rebuild_ends_the_build_before_and_begins_the_next(lab: Lab) -> None:
    record = rebuild(lab)
    before = record.pile.layers

    signed = record.do(hand_in)

    with Session(lab.engine) as session:
        build = session.scalars(select(Build).where(Build.record_id == record.number)).one()
        first, second = session.scalars(
            select(BuildPeriod)
            .where(BuildPeriod.known_until.is_(None))
            .order_by(BuildPeriod.build_id)
        ).all()
        layers = layer_map(session, lab.stack_id).layers
        checked = verify(session, [record.number])[record.number]
    assert (first.opened_at, first.opened_by_record_id) == (OPENED_AT, record.number)
    assert (second.build_id, second.closed_at, second.opened_at) == (build.id, CLOSED_AT, None)
    assert build.number == 2
    assert [layer.part for layer in layers] == [layer.part for layer in before]
    assert [layer.cell for layer in layers] == [layer.cell for layer in before]
    assert present_layers(lab) == [(build.id, layer.part) for layer in before]
    assert record.record.state is RecordState.HANDED_IN
    assert record.record.content_sha256 == signed == checked.stored
    assert checked.holds


def test_until_then_the_stack_counts_as_it_was(lab: Lab) -> None:
    """Physical facts count from hand-in, not while somebody still writes."""
    before = present_layers(lab)
    rebuild(lab)

    assert present_layers(lab) == before


@pytest.mark.both_engines
def test_a_cell_is_replaced_by_a_blank_one_and_the_fixings_stay(lab: Lab) -> None:
    record = lab.begin()
    record.open()
    lifted = record.lift(count=6)
    blank = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).blank_cell).id)
    mea = _the_kind(lab, lifted, "MEA")
    for part in reversed(lifted):
        part_id, facing = (blank, None) if part == mea else (part, _facing(lab, part))
        record.do(put_on, end=End.FREE, part_id=part_id, facing=facing)
    with Session(lab.engine) as session:
        rod = session.scalars(
            select(Fixing).where(Fixing.kind == "nut", Fixing.rod_number == 2)
        ).one()
        old_nut, lot_id = rod.part_id, session.get_one(Part, rod.part_id).lot_id
    record.do(remove_fixing, part_id=old_nut)
    record.do(fit_fixing, rod_number=2, lot_id=lot_id)
    record.do(close_stack, closed_at=CLOSED_AT)

    record.do(hand_in)

    with Session(lab.engine) as session:
        old = session.scalars(select(Fixing.part_id).where(Fixing.build_id == 1)).all()
        new = session.scalars(select(Fixing.part_id).where(Fixing.present)).all()
    assert blank in [part for _, part in present_layers(lab)]
    assert mea not in [part for _, part in present_layers(lab)]
    assert where(lab, mea) == ("lifted off", None)
    assert set(old) - set(new) == {old_nut}
    assert len(new) == len(old)


def _the_kind(lab: Lab, parts: list[int], kind: str) -> int:
    with Session(lab.engine) as session:
        row = session.execute(
            select(Part.id)
            .join(builders.PartType, builders.PartType.id == Part.part_type_id)
            .where(Part.id.in_(parts), builders.PartType.kind == kind)
        ).first()
    assert row is not None
    return row.id


def test_a_first_build_begins_the_stack(engine: Engine) -> None:
    lab = a_lab(engine, cells=0)
    record = lab.begin(RecordKind.FIRST_BUILD, reason="first build")
    stack_parts = lab.rows(lambda s: [p.id for p, _ in builders.a_pile(s, None, 1)])
    facings = lab.rows(lambda s: [f for _, f in builders.a_pile(s, None, 1)])
    for part, facing in zip(stack_parts, facings, strict=True):
        record.do(put_on, end=End.FREE, part_id=part, facing=facing)
    record.do(close_stack, closed_at=CLOSED_AT)

    record.do(hand_in)

    with Session(engine) as session:
        built = layer_map(session, lab.stack_id)
    assert [layer.part for layer in built.layers] == stack_parts
    assert built.build is not None
    assert (built.build.number, built.build.closed_at) == (1, CLOSED_AT)
    assert built.build.state == "not released"
    assert [where(lab, part) for part in stack_parts] == [("fitted", lab.stack_id)] * len(
        stack_parts
    )


def test_a_re_torque_makes_no_new_build(lab: Lab) -> None:
    before = present_layers(lab)
    record = lab.begin(RecordKind.RE_TORQUE)
    record.do(
        read_torque,
        rod_number=1,
        pass_number=1,
        stage=Stage.CLOSING,
        kind=ReadingKind.RESIDUAL,
        instrument_id=lab.driver_id,
        torque_nm=8.8,
        taken_at=OPENED_AT,
    )

    record.do(hand_in)

    with Session(lab.engine) as session:
        assert session.scalars(select(Build.id)).all() == [1]
        assert verify(session, [record.number])[record.number].holds
    assert present_layers(lab) == before


@pytest.mark.both_engines
def test_a_teardown_leaves_no_present_build(lab: Lab) -> None:
    record = lab.begin(RecordKind.TEARDOWN)
    record.open()
    lifted = record.lift(count=len(record.pile.layers) - 2)
    with pytest.raises(Refused, match="2 layers still stand"):
        record.do(hand_in)
    record.lift(count=2)

    record.do(hand_in)

    with Session(lab.engine) as session:
        stack = session.get_one(Stack, lab.stack_id)
        periods = session.scalars(
            select(BuildPeriod).where(BuildPeriod.known_until.is_(None))
        ).all()
        fitted = session.scalars(select(Part.id).where(Part.stack_id == stack.id)).all()
        removed = session.scalars(
            select(Step.part_id).where(
                Step.record_id == record.number, Step.kind == StepKind.FIXING_REMOVED
            )
        ).all()
        assert verify(session, [record.number])[record.number].holds
    assert [period.opened_at for period in periods] == [OPENED_AT]
    assert present_layers(lab) == []
    assert fitted == []
    assert len(removed) == 2 + 4 * 4
    assert where(lab, lifted[0]) == ("lifted off", None)


def test_what_is_missing_is_refused_together(lab: Lab) -> None:
    record = lab.begin()

    with pytest.raises(RefusedTogether) as refused:
        record.do(hand_in)

    assert {refusal.field for refusal in refused.value.refusals} >= {"opening", "closing"}
    assert record.record.state is RecordState.OPEN


def test_a_part_lifted_off_elsewhere_waits_for_that_record(lab: Lab) -> None:
    """A part may be put on before the record that lifted it off is handed in, not the reverse."""
    other = lab.rows(lambda s: builders.a_stack(s, cells=2, serial="TARN-002").id)
    giving = lab.begin(stack_id=other)
    giving.open()
    plate, collector = giving.lift(count=2)
    taking = lab.begin()
    taking.open()
    own = taking.lift(count=2)
    taking.do(put_on, end=End.FREE, part_id=collector)
    taking.do(put_on, end=End.FREE, part_id=own[0])
    taking.do(close_stack, closed_at=CLOSED_AT)

    with pytest.raises(Refused, match=f"hand in record {giving.number} first"):
        taking.do(hand_in)

    giving.do(put_on, end=End.FREE, part_id=own[1])
    giving.do(put_on, end=End.FREE, part_id=plate)
    giving.do(close_stack, closed_at=CLOSED_AT)
    with pytest.raises(Refused, match=f"hand in record {taking.number} first"):
        giving.do(hand_in)


def test_a_frozen_record_is_written_no_more(lab: Lab) -> None:
    record = rebuild(lab)
    record.do(hand_in)

    with pytest.raises(Refused, match="needs a correction"):
        record.do(undo_last)
    with pytest.raises(Refused, match="needs a correction"):
        record.do(hand_in)
    with Session(lab.engine) as session, pytest.raises(IntegrityError, match="frozen"):
        session.execute(
            update(Step).where(Step.record_id == record.number).values(note="changed underneath")
        )
    with Session(lab.engine) as session, pytest.raises(IntegrityError, match="frozen"):
        session.execute(
            update(RebuildRecord)
            .where(RebuildRecord.id == record.number)
            .values(reason="changed underneath")
        )


def test_an_old_page_does_not_hand_in(lab: Lab) -> None:
    record = rebuild(lab)

    with pytest.raises(Stale):
        record.do(hand_in, version=record.record.version - 1)


def test_handing_in_needs_somebody_who_may_write(lab: Lab) -> None:
    record = rebuild(lab)

    with pytest.raises(NotAllowed):
        record.do(hand_in, by=Person(lab.builder.id, "x", "x", frozenset({Role.ADMIN})))


def test_it_is_told_in_the_trail(lab: Lab) -> None:
    record = rebuild(lab)
    record.do(hand_in)

    with Session(lab.engine) as session:
        told = session.scalars(select(AuditEntry).where(AuditEntry.act == "record:handed in")).one()
    assert told.record_id == record.number
    assert told.person_name == "Mara Ilves"
    assert "build 2 closed at" in told.changes


def test_the_journal_lets_the_parts_go(lab: Lab) -> None:
    """A part put on here may be put on elsewhere once it was lifted off again."""
    record = rebuild(lab)
    record.do(hand_in)

    with Session(lab.engine) as session:
        assert session.scalars(select(Step.id).where(Step.standing)).all() == []


def sent_back_and_taken_up(lab: Lab, record: Bench) -> None:
    by = supervisor(lab)
    lab.now += timedelta(hours=1)
    with changing(lab.engine, by, now=lab.now) as work:
        send_back(work, record.number, reason="look again")
    lab.now += timedelta(hours=1)
    lab.do(take_up, record.number)


@pytest.mark.both_engines
def test_handed_in_again_only_what_differs_is_written_anew(lab: Lab) -> None:
    record = rebuild(lab)
    record.do(hand_in)
    first = lab.rows(lambda s: s.scalars(select(Layer.id).where(Layer.build_id == 2)).all())
    sent_back_and_taken_up(lab, record)
    record.do(undo_last)  # the closing
    outermost = record.pile.layers[-1].part
    record.do(undo_last)  # the last layer put on
    spare = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).insulator_plate).id)
    record.do(put_on, end=End.FREE, part_id=spare)
    record.do(close_stack, closed_at=lab.now)

    record.do(hand_in)

    with Session(lab.engine) as session:
        rows = session.scalars(select(Layer).where(Layer.build_id == 2)).all()
        known_now = [row for row in rows if row.known_until is None]
        build = session.scalars(select(Build).where(Build.record_id == record.number)).one()
        period = session.scalars(
            select(BuildPeriod).where(
                BuildPeriod.build_id == build.id, BuildPeriod.known_until.is_(None)
            )
        ).one()
        assert verify(session, [record.number])[record.number].holds
    assert len(rows) == len(first) + 1
    assert {row.id for row in known_now} & set(first) == set(first) - {
        row.id for row in rows if row.part_id == outermost
    }
    assert [row.part_id for row in rows if row.known_until is not None] == [outermost]
    assert max(known_now, key=lambda row: row.position).part_id == spare
    assert all(row.present for row in known_now)
    assert period.closed_at == lab.now


def test_handed_in_again_without_its_opening_the_build_before_is_present(lab: Lab) -> None:
    before = present_layers(lab)
    record = lab.begin(RecordKind.INSPECTION)
    record.open()
    record.do(close_stack, closed_at=CLOSED_AT)
    record.do(hand_in)
    assert {build for build, _ in present_layers(lab)} == {2}
    sent_back_and_taken_up(lab, record)
    record.do(undo_last)
    record.do(undo_last)

    record.do(hand_in)

    with Session(lab.engine) as session:
        periods = session.scalars(
            select(BuildPeriod).where(BuildPeriod.known_until.is_(None))
        ).all()
        assert verify(session, [record.number])[record.number].holds
    assert [(period.build_id, period.opened_at) for period in periods] == [(1, None)]
    assert present_layers(lab) == before


def test_taken_up_and_made_void_the_build_before_is_present(lab: Lab) -> None:
    before = present_layers(lab)
    record = rebuild(lab)
    record.do(hand_in)
    sent_back_and_taken_up(lab, record)

    voided(lab, record.number, supervisor(lab))

    assert present_layers(lab) == before
    again = rebuild(lab)
    again.do(hand_in)
    assert {build for build, _ in present_layers(lab)} == {3}


def test_what_was_handed_in_is_approved_by_its_hash(lab: Lab) -> None:
    record = rebuild(lab)
    signed = record.do(hand_in)

    with changing(lab.engine, supervisor(lab), now=NOW + timedelta(hours=3)) as work:
        approve(work, record.number, content_sha256=signed, password=builders.PASSWORD)

    with Session(lab.engine) as session:
        built = layer_map(session, lab.stack_id).build
    assert built is not None
    assert built.record_state is RecordState.APPROVED
    assert built.state == "not released"  # an approval is no release


def test_another_machines_clock_loses_no_entry(lab: Lab) -> None:
    """What was written by a machine whose clock is ahead is part of the content all the same."""
    record = rebuild(lab)
    lab.now = NOW - timedelta(seconds=2)

    record.do(hand_in)

    assert record.record.handed_in_at == NOW
    with Session(lab.engine) as session:
        assert verify(session, [record.number])[record.number].holds
