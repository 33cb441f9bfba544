"""Undo takes back the last entry that stands, with everything it did."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import lift_off, put_on
from service.closing.changes.torque import read_torque
from service.platform.arithmetic.vocabulary import End, Kind, Whereabouts
from service.platform.errors import Question, Refused
from service.platform.tables import AuditEntry
from service.records.changes.bench_fixings import fit_from_lot, remove_fixings
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.tables import Finding, RecordState, Step, TorqueReading
from service.stacks.tables import HourReading
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, a_lab, where
from tests.bench.test_bench import a_lot, a_part, opened, reading, set_on


def test_undo_takes_back_the_last_entry_and_leaves_it_readable(engine: Engine) -> None:
    bench_ = opened(engine)
    base = bench_.pile.base
    version = bench_.record.version
    step_id = bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)

    with pytest.raises(Question, match="was made by Mara Ilves"):
        bench_.do(undo_last, version + 1, by=bench_.lab.witness)
    undone = bench_.do(undo_last, version + 1, by=bench_.lab.witness, because="another stack")
    assert undone == step_id

    step = bench_.lab.get(Step, step_id)
    assert (step.undone_by_id, step.undone_at) == (bench_.lab.witness.id, bench_.lab.now)
    assert where(bench_.lab, base[-1].part) == ("fitted", bench_.lab.stack_id)
    assert [layer.part for layer in bench_.pile.layers] == [layer.part for layer in base]
    with Session(engine) as session:
        assert session.scalar(select(func.count(Finding.id))) == 1
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
    assert entry is not None
    assert (entry.act, entry.person_name) == ("record:entry undone", "Ben Orr")
    assert entry.subject_label.endswith("entry 5 undone: lifted off")
    assert entry.reason == "another stack"


def test_a_part_put_on_goes_back_to_where_it_was(engine: Engine) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, "mea")
    set_on(bench_.lab, Part, part.id, place="shelf B 3")
    bench_.do(put_on, end=End.FREE, scanned=part.serial)
    assert bench_.lab.get(Part, part.id).place == ""

    bench_.do(undo_last)

    row = bench_.lab.get(Part, part.id)
    assert (row.whereabouts, row.place, row.stack_id) == (Whereabouts.IN_STORE, "shelf B 3", None)


@pytest.mark.both_engines
def test_undoing_everything_leaves_the_record_as_it_began(engine: Engine) -> None:
    bench_ = opened(engine)
    base, fixings = bench_.pile.base, bench_.pile.fixings
    lot = a_lot(bench_.lab, "gas_gasket")
    nuts = a_lot(bench_.lab, "nut")
    lifted = bench_.lift(count=6)
    bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    bench_.do(put_on, end=End.FIXED, part_id=_mea(bench_.pile.lifted))
    bench_.do(remove_fixings, part_ids=[f.part for f in fixings if f.kind is Kind.NUT])
    bench_.do(fit_from_lot, lot_id=nuts.id, rod_numbers=[1, 2], each=1)
    bench_.do(read_torque, **reading(bench_.lab))
    bench_.do(close_stack, hours=121.0)

    with Session(engine) as session:
        entries = session.scalar(
            select(func.count(Step.id)).where(
                Step.record_id == bench_.number, Step.undone_at.is_(None)
            )
        )
    for _ in range(entries or 0):
        bench_.do(undo_last)

    record = bench_.record
    assert (record.opened_at, record.closed_at) == (None, None)
    assert bench_.pile.layers == base
    assert bench_.pile.fixings == fixings
    assert {where(bench_.lab, part) for part in lifted} == {("fitted", bench_.lab.stack_id)}
    with Session(engine) as session:
        for table in (TorqueReading, HourReading):
            open_rows = select(table.known_until).where(table.record_id == bench_.number)
            assert all(session.scalars(open_rows))
        in_store = session.scalars(select(Part.whereabouts).where(Part.lot_id == lot.id)).all()
        assert in_store == [Whereabouts.IN_STORE]
        assert session.scalar(select(func.count(Step.id)).where(Step.standing)) == 0
    with pytest.raises(Refused, match="no entry left to undo"):
        bench_.do(undo_last)


def _mea(lifted: tuple) -> int:
    return next(x.layer.part for x in lifted if x.layer.kind is Kind.MEA)


def test_a_part_put_on_lifted_again_and_undone_stands_where_it_was_put(engine: Engine) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, "mea")
    put = bench_.do(put_on, end=End.FREE, scanned=part.serial)
    bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)
    assert not bench_.lab.get(Step, put).standing
    assert where(bench_.lab, part.id) == ("lifted off", None)

    bench_.do(undo_last)

    assert bench_.lab.get(Step, put).standing
    assert where(bench_.lab, part.id) == ("fitted", bench_.lab.stack_id)
    bench_.do(undo_last)
    assert where(bench_.lab, part.id) == ("in store", None)


def test_a_lifting_off_cannot_be_undone_once_the_part_sits_in_another_stack(
    engine: Engine,
) -> None:
    bench_ = opened(engine)
    lab = bench_.lab
    other_id = lab.rows(lambda s: builders.a_stack(s, cells=1, serial="TARN-008")).id
    other = lab.begin(stack_id=other_id)
    other.make_safe()
    other.do(open_stack, hours=0.0)
    (part_id,) = bench_.lift()
    other.do(put_on, end=End.FREE, part_id=part_id)

    with pytest.raises(Refused, match=r"is fitted elsewhere by now.*Take that back first"):
        bench_.do(undo_last)

    other.do(undo_last)
    assert where(lab, part_id) == ("lifted off", None)
    bench_.do(undo_last)
    assert where(lab, part_id) == ("fitted", lab.stack_id)


def test_nothing_is_undone_once_the_record_is_handed_in(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    bench_.make_safe()

    def hand_in(session: Session) -> None:
        record = session.get_one(builders.RebuildRecord, bench_.number)
        builders.hand_in(session, record, bench_.lab.now + timedelta(minutes=1))

    bench_.lab.rows(hand_in)
    assert bench_.record.state is RecordState.HANDED_IN
    with pytest.raises(Refused, match=r"handed in.*needs a correction"):
        bench_.do(undo_last)
