"""An event older than the present build is inserted in its place, and what follows from it."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.bench.changes.approvals import approve
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off_down_to, note_finding
from service.bench.queries.corrections import HourFacts, correctable
from service.bench.queries.inserted_events import InsertedEvent, inserted_event
from service.bench.queries.looking_again import rests_on
from service.bench.queries.rebuild_records import record_view
from service.bench.tables import CorrectionOf, Rests
from service.closing.changes.torque import read_torque
from service.closing.queries.closing_results import counting, kept_results
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import Refused, RefusedTogether
from service.proof.queries.build_verdicts import verdicts_of_build
from service.records.changes.bench_opening import open_stack
from service.records.changes.deviations import Stands
from service.records.changes.make_safe import record_exception
from service.records.changes.rebuild_records import change_record
from service.records.queries.content import verify
from service.records.queries.records import record_head
from service.records.tables import RecordKind
from service.stacks.changes.hours import read_hours
from service.stacks.tables import Build, BuildPeriod
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Bench
from tests.proof.test_later_closings import Again
from tests.proof.test_later_closings import stack as stack  # noqa: PLC0414 - the fixture
from tests.proof.test_releases_corrected import FAR_ABOVE, STAYS

RE_TORQUE = RecordKind.RE_TORQUE


def periods(stack: Again) -> dict[int, BuildPeriod]:
    """When each build was true, as known now."""
    return stack.lab.rows(
        lambda s: dict(
            s.execute(
                select(Build.number, BuildPeriod)
                .join(BuildPeriod, BuildPeriod.build_id == Build.id)
                .where(BuildPeriod.known_until.is_(None))
            ).all()
        )
    )


def enter(stack: Again, began: Any, torque_nm: float | None = 10.4) -> Bench:
    """A re-torque of then, or an inspection, entered now."""
    kind = RE_TORQUE if torque_nm else RecordKind.INSPECTION
    record = stack.lab.begin(kind, performed_from=began, reason="paper found in the drawer")
    for rod in range(1, 5) if torque_nm else ():
        record.do(
            read_torque,
            rod_number=rod,
            pass_number=3,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            torque_nm=torque_nm,
            instrument_id=stack.lab.driver_id,
            taken_at=began + timedelta(minutes=rod),
            **FAR_ABOVE,
        )
    return record


def signed(stack: Again, record: Bench) -> None:
    stack.lab.do(
        approve,
        record.number,
        content_sha256=record.record.content_sha256,
        password=builders.PASSWORD,
        by=stack.a_person(Role.SUPERVISOR),
    )


def follows(stack: Again, record: Bench) -> InsertedEvent:
    with reading(stack.lab.engine) as session:
        event = inserted_event(session, record_head(session, record.number))
    assert event is not None
    return event


@pytest.mark.both_engines
def test_case_12_a_re_torque_found_on_paper_is_inserted_into_the_build_of_then(
    stack: Again,
) -> None:
    """The later closing takes it in once it is approved; the release that rested on it ends."""
    before = periods(stack)
    began = before[2].closed_at + timedelta(minutes=10)

    record = enter(stack, began)
    stack.later()
    record.do(hand_in)
    shown = follows(stack, record)

    assert record.record.base_build_id == before[2].build_id
    assert stack.states == {"released"}
    assert [each.id for each in shown.later] == [stack.bench.number]
    assert shown.later[0].approved_by
    closing = f"closing of record {stack.bench.number}"
    assert [row.what for row in shown.rows if row.what == closing] == [closing]
    ended = f"ended by record {record.number}"
    assert [row.what for row in shown.rows if row.after == ended] == [
        f"release of build {number} of TARN-001" for number in (2, 3)
    ]
    assert shown.conflicts == ()

    stack.later()
    signed(stack, record)

    with reading(stack.lab.engine) as session:
        newest, handed_in = kept_results(session, [stack.bench.number])[stack.bench.number]
        assert all(each.holds for each in verify(session, [2, 3, record.number]).values())
    assert newest.counts
    assert newest.computed_when == f"as computed anew on {stack.lab.now:%Y-%m-%d}"
    seen = [max(each.percent for each in result.inputs.pile.seen) for result in (newest, handed_in)]
    assert seen[0] > seen[1]
    assert stack.states == {"not released"}
    assert follows(stack, record).rows == shown.rows
    with reading(stack.lab.engine) as session:
        (resting,) = rests_on(session, (Rests.RECORD,))
    assert (resting.subject_id, resting.record_id) == (stack.bench.number, record.number)
    after = periods(stack)
    assert {n: (p.closed_at, p.opened_at) for n, p in after.items()} == {
        n: (p.closed_at, p.opened_at) for n, p in before.items()
    }


def test_case_12_hours_between_two_events_are_of_the_earlier_one(stack: Again) -> None:
    """Also where that is written last: a reading after the next event belongs to that."""
    began = periods(stack)[2].closed_at + timedelta(minutes=10)
    later = periods(stack)[3].closed_at + timedelta(minutes=5)
    record = enter(stack, began, torque_nm=None)
    stack.later()
    record.do(hand_in)
    said = {"stands": Stands.STANDS, "outside_because": "the display jumped"}
    stack.lab.do(read_hours, stack.lab.stack_id, hours=900.0, taken_at=later, **said)

    def readings(number: int) -> list[float]:
        with reading(stack.lab.engine) as session:
            facts = correctable(session, number).facts
        return [f.details.hours for f in facts if isinstance(f.details, HourFacts)]

    assert 900.0 in readings(stack.bench.number)
    assert 900.0 not in readings(record.number)


def test_case_12_an_inspection_of_then_brings_its_hours_and_changes_no_closing(
    stack: Again,
) -> None:
    began = periods(stack)[2].closed_at + timedelta(minutes=10)
    record = enter(stack, began, torque_nm=None)
    record.do(
        note_finding, part_id=record.pile.layers[0].part, findings=SEEN_NOTHING, done_at=began
    )
    record.do(hand_in)
    signed(stack, record)

    assert follows(stack, record).rows == ()
    assert stack.states == {"released"}
    assert record.pile.base_build_id == periods(stack)[2].build_id
    view = stack.lab.rows(lambda s: record_view(s, record.number))
    assert view.checklist, "the lines an opening would ask for"
    assert view.checklist_acts == (), "nothing was opened: none of them is missing"


def test_case_12_what_cannot_be_inserted_is_refused_with_what_can_be_done(stack: Again) -> None:
    known = periods(stack)
    second = known[2].closed_at + timedelta(minutes=10)

    with pytest.raises(Refused, match=r"lay open since .* belongs to record 3, which a correction"):
        stack.lab.begin(RE_TORQUE, performed_from=known[3].closed_at - timedelta(minutes=1))
    with pytest.raises(Refused, match="no build before it is known"):
        stack.lab.begin(RE_TORQUE, performed_from=known[1].closed_at - timedelta(minutes=1))

    record = stack.lab.begin(RecordKind.TEARDOWN, performed_from=second)
    record.do(record_exception, reason="nothing was written of it", done_at=second)
    with pytest.raises(Refused, match=r"build 2 was opened by record 3.*this event came before"):
        record.do(record_exception, reason="again")
    with pytest.raises(Refused, match="this event came before"):
        record.do(record_exception, reason="again", done_at=known[2].opened_at)
    head = {"reason": "misdated", "notes": "", "people": ()}
    with pytest.raises(Refused, match="was in build 3 then; this record is about build 2"):
        record.do(change_record, performed_from=known[3].closed_at, **head)
    record.do(open_stack, opened_at=second, hours=121.0)
    last = record.pile.layers[0].part
    record.do(lift_off_down_to, end=End.FREE, part_id=last, done_at=second)
    with pytest.raises(Refused, match="record 3 found the stack closed"):
        record.do(hand_in)


def test_case_12_a_history_that_contradicts_itself_is_not_approved(stack: Again) -> None:
    """Once the opening is corrected to before the re-torque, one of the two times is wrong."""
    known = periods(stack)
    record = enter(stack, known[2].closed_at + timedelta(minutes=10))
    stack.later()
    record.do(hand_in)
    fact = stack.fact(CorrectionOf.OPENED_AT)
    earlier = (known[2].closed_at + timedelta(minutes=5)).isoformat()
    stack.decide(stack.propose(fact, earlier, **STAYS))

    (conflict, *_more) = follows(stack, record).conflicts

    assert "but build 2 was opened before" in conflict
    assert f"Correct that time in record 3, or send record {record.number} back" in conflict
    with pytest.raises(RefusedTogether):
        signed(stack, record)


def test_case_12_a_re_torque_before_another_of_the_same_build_is_taken_in_by_it(
    stack: Again,
) -> None:
    """The latest by its time is the clamp that counts, not the latest that was written."""
    closed_at = periods(stack)[3].closed_at
    third = stack.bench
    latest = enter(stack, stack.lab.now - timedelta(minutes=5), 9.4)
    latest.do(hand_in)
    stack.later()
    before = enter(stack, closed_at + timedelta(minutes=5), 9.9)
    before.do(hand_in)
    stack.later()
    signed(stack, before)

    with reading(stack.lab.engine) as session:
        clamp = verdicts_of_build(session, stack.build_id).clamp
        result = counting(kept_results(session, [latest.number])[latest.number])
    assert clamp is not None
    assert (clamp.record_id, before.record.base_build_id) == (latest.number, stack.build_id)
    assert result is not None
    assert result.inputs is not None
    assert [each.torque_nm for each in result.inputs.readings[-8:]] == [9.9] * 4 + [9.4] * 4
    assert third.number < latest.number < before.number
