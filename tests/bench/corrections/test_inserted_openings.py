"""An opening older than later openings is inserted between the builds of its time."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.approvals import send_back, take_up
from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.bench.tables import CorrectionOf
from service.closing.changes.torque import read_torque
from service.designs.arithmetic.pile import Layer
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Kind, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import RefusedTogether
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.make_safe import record_exception
from service.records.queries.content import verify
from service.records.tables import RebuildRecord
from service.runs.tables import RunReading, Snapshot
from service.stacks.changes.cell_bridges import BridgeEntry
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, CellBridge
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Bench, where
from tests.bench.corrections.test_inserted_events import follows, periods, signed
from tests.proof.test_later_closings import Again
from tests.proof.test_later_closings import stack as stack  # noqa: PLC0414 - the fixture
from tests.proof.test_releases_corrected import FAR_ABOVE
from tests.taps.tapping import a_run, a_snapshot


def open_then(stack: Again, began: datetime, instead: dict[int, int] | None = None) -> Bench:
    """An opening of then, down to the first MEA: cleaned, put back, pressed harder.

    ``instead``: parts put on in place of those lifted off.
    """
    minute = timedelta(minutes=1)
    record = stack.lab.begin(performed_from=began, reason="paper found in the drawer")
    record.do(record_exception, reason="nothing was written of it", done_at=began)
    record.do(open_stack, opened_at=began + minute, hours=121.0)
    for _layer in down_to_the_first_mea(record):
        record.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, done_at=began + 2 * minute)
    close_then(stack, record, began, instead or {})
    return record


def down_to_the_first_mea(record: Bench) -> Sequence[Layer]:
    """The layers it lifts off, as they lay in the build it began from."""
    layers = record.pile.base
    first = next(at for at, layer in enumerate(reversed(layers), 1) if layer.kind is Kind.MEA)
    return layers[-first:]


def close_then(stack: Again, record: Bench, began: datetime, instead: dict[int, int]) -> None:
    """Put the layers back, press them harder and close."""
    minute = timedelta(minutes=1)
    for layer in down_to_the_first_mea(record):
        part_id = instead.get(layer.part, layer.part)
        facing, at = layer.facing, began + 3 * minute
        record.do(put_on, end=End.FREE, part_id=part_id, facing=facing, done_at=at)
    for rod in range(1, 5):
        record.do(
            read_torque,
            rod_number=rod,
            pass_number=3,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            torque_nm=10.4,
            instrument_id=stack.lab.driver_id,
            taken_at=began + 4 * minute,
            **FAR_ABOVE,
        )
    record.do(close_stack, closed_at=began + 5 * minute)


def order(stack: Again) -> list[int]:
    """The numbers of the builds in the order in which they were closed."""
    with reading(stack.lab.engine) as session:
        return [build.number for build in builds_of(session, stack.lab.stack_id)]


def hours(stack: Again, part_id: int) -> list[float]:
    """What a part ran in each build, in the order of those."""
    with reading(stack.lab.engine) as session:
        in_builds = part_hours(session, [part_id])[part_id].in_builds
        builds = builds_of(session, stack.lab.stack_id)
    return [in_builds[build.build_id].hours for build in builds if build.build_id in in_builds]


@pytest.mark.both_engines
def test_case_12_an_opening_found_on_paper_takes_its_place_between_two_builds(
    stack: Again,
) -> None:
    """Cleaned, the same parts back, a new torque: what rests on it is derived anew."""
    before = periods(stack)
    began = before[2].closed_at + timedelta(minutes=10)
    third = stack.bench.number

    record = open_then(stack, began)
    mea = next(layer.part for layer in record.pile.layers if layer.kind is Kind.MEA)
    ran = hours(stack, mea)
    assert where(stack.lab, mea) == ("fitted", stack.lab.stack_id)
    record.do(hand_in)
    stack.later()
    shown = follows(stack, record)

    assert shown.conflicts == ()
    assert order(stack) == [1, 2, 3]
    assert periods(stack)[2].id == before[2].id
    with reading(stack.lab.engine) as session:  # its sheet and the approval show it already
        waiting = layer_map(session, stack.lab.stack_id, build_number=4)
    assert [row[1] for row in waiting.rows] == [layer.part for layer in record.pile.layers]
    facts = {row.what: (row.before, row.after) for row in shown.rows}
    assert facts[f"record {third} (rebuild) is about"] == ("build 2", "build 4")
    assert facts["build 2, opened"][1] == f"{record.record.opened_at:%Y-%m-%d %H:%M} UTC"
    assert {f"closing of record {third}", "release of build 3 of TARN-001"} <= facts.keys()

    signed(stack, record)

    after = periods(stack)
    assert order(stack) == [1, 2, 4, 3]
    assert (after[2].opened_at, after[2].opened_by_record_id) == (
        record.record.opened_at,
        record.number,
    )
    assert (after[4].closed_at, after[4].opened_at, after[4].opened_by_record_id) == (
        record.record.closed_at,
        before[2].opened_at,
        third,
    )
    row = stack.lab.get(RebuildRecord, third)
    assert (row.base_build_id, row.signed_base_build_id) == (after[4].build_id, before[2].build_id)
    signed_otherwise = update(RebuildRecord).values(signed_base_build_id=after[4].build_id)
    with pytest.raises(IntegrityError, match="keeps the build it was signed as beginning from"):
        stack.lab.rows(lambda s: s.execute(signed_otherwise.where(RebuildRecord.id == third)))
    with reading(stack.lab.engine) as session:
        checked = verify(session, [2, third, record.number])
    assert all(each.holds for each in checked.values())
    assert where(stack.lab, mea) == ("fitted", stack.lab.stack_id)
    assert sum(hours(stack, mea)) == pytest.approx(sum(ran))
    assert hours(stack, mea)[1:3] == pytest.approx([1.0, 1.0])
    assert stack.states == {"not released"}
    assert follows(stack, record).rows == shown.rows


def spare_mea(stack: Again) -> tuple[int, str]:
    """Another MEA, in store."""
    mea = stack.lab.rows(
        lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="M-77")
    )
    return mea.id, mea.serial


@pytest.mark.both_engines
def test_case_12_an_exchange_that_a_later_opening_contradicts_waits_until_that_is_corrected(
    stack: Again,
) -> None:
    began = periods(stack)[2].closed_at + timedelta(minutes=10)
    layers = stack.bench.pile.layers
    old = next(layer for layer in reversed(layers) if layer.kind is Kind.MEA)
    new, serial = spare_mea(stack)
    third = stack.bench
    record = open_then(stack, began, {old.part: new})
    stack.later()
    record.do(hand_in)

    (conflict,) = follows(stack, record).conflicts
    assert conflict == (
        f"Record {third.number} kept MEA {old.label} at layer {old.position}, cell {old.cell};"
        f" this record leaves {serial} there. Correct record {third.number}, or send record"
        f" {record.number} back and put it right."
    )
    with pytest.raises(RefusedTogether):
        signed(stack, record)
    assert (order(stack), where(stack.lab, new)) == ([1, 2, 3], ("in store", None))

    fact = stack.fact(CorrectionOf.LAYER_PART, part_id=old.part)
    stack.decide(stack.propose(fact, serial))
    assert follows(stack, record).conflicts == ()
    signed(stack, record)

    assert order(stack) == [1, 2, 4, 3]
    assert where(stack.lab, new) == ("fitted", stack.lab.stack_id)
    assert where(stack.lab, old.part)[0] == "in store"
    assert hours(stack, new) == pytest.approx([1.0, 0.0])
    assert hours(stack, old.part)[-1] == pytest.approx(1.0)


def test_case_12_what_ran_after_an_inserted_opening_is_of_its_build_once_it_is_put_right(
    stack: Again,
) -> None:
    """The other way out: the record found on paper was wrong. Nothing of it moved a part."""
    base = periods(stack)[2]
    began = base.closed_at + timedelta(minutes=10)
    lab, minute = stack.lab, timedelta(minutes=1)
    new, _serial = spare_mea(stack)
    old = next(layer for layer in reversed(stack.bench.pile.layers) if layer.kind is Kind.MEA)

    def ran(session: Session) -> None:
        build = session.get_one(Build, base.build_id)
        for start in (began + 2 * minute, began + 10 * minute):
            reading_row = a_run(session, build, start, start + minute)
            volts, at = [0.7, 0.7], start + 5 * minute
            a_snapshot(session, build, at, volts, reading_id=reading_row.id)
        bridge = BridgeEntry(1, began + 20 * minute, began + 25 * minute, "shorted", "on duty")
        session.add(
            CellBridge(
                stack_id=lab.stack_id,
                build_id=build.id,
                **asdict(bridge),
                by_id=lab.builder.id,
                known_from=began + 20 * minute,
            )
        )

    lab.rows(ran)
    record = open_then(stack, began, {old.part: new})
    stack.later()
    record.do(hand_in)
    supervisor = stack.a_person(Role.SUPERVISOR)
    assert len(follows(stack, record).conflicts) == 3
    lab.do(send_back, record.number, reason="no exchange is written there", by=supervisor)
    lab.do(take_up, record.number)
    for _entry in range(5 + len(down_to_the_first_mea(record))):
        record.do(undo_last)
    assert (where(lab, old.part), where(lab, new)) == (
        ("fitted", lab.stack_id),
        ("in store", None),
    )
    assert stack.states == {"released"}
    close_then(stack, record, began, {})
    record.do(hand_in)
    in_the_way = follows(stack, record).conflicts
    assert [conflict.split(" of ")[0] for conflict in in_the_way] == [
        "The run",
        "The reading",
    ]
    lab.rows(lambda s: gone(s, began + 10 * minute))

    signed(stack, record)

    inserted = periods(stack)[4].build_id
    with reading(lab.engine) as session:
        for table in (RunReading, Snapshot, CellBridge):
            builds = session.scalars(
                select(table.build_id).where(table.known_until.is_(None))
            ).all()
            assert builds == [inserted]
        assert session.scalars(select(Snapshot.reading_id)).all()[-1] == session.scalar(
            select(func.max(RunReading.id))
        )
    assert order(stack) == [1, 2, 4, 3]


def gone(session: Session, before: datetime) -> None:
    """What ran before a time is void."""
    for table, began in ((RunReading, RunReading.began_at), (Snapshot, Snapshot.from_at)):
        session.execute(update(table).where(began < before).values(known_until=before))
