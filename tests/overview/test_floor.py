"""The floor: each thing that needs somebody appears, is told to whom, and goes once it is done."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.closing.changes.torque import read_torque
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.limits.arithmetic.retests import Retest, RetestRule
from service.overview.queries.columns import NeedKind
from service.overview.queries.overview import Floor, floor
from service.overview.queries.rows import FloorStack, Need
from service.people import tables
from service.people.tables import Role
from service.platform.arithmetic.verdicts import Undoing
from service.platform.arithmetic.vocabulary import ReadingKind, Stage, Usability
from service.platform.database import reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.platform.queries.lists import Turn
from service.records.changes.bench_opening import close_stack
from service.records.tables import (
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.runs.tables import Run, RunKind, RunReading
from service.stacks.tables import Build, CellBridge, HourMeter, HourReport, Layer, Stack
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.tables import Calibration, Concession, Hold, Instrument, Part
from tests import builders
from tests.bench.at_the_bench import known
from tests.closing import closings
from tests.found_by_index import read_whole
from tests.proof import stack_testing
from tests.proof.test_releases import re_torque
from tests.ready import retold
from tests.turning import turned

NOW = builders.FIRST_CLOSING + timedelta(days=20)
AFTER = builders.FIRST_CLOSING + timedelta(days=2)
A_DAY = timedelta(days=1)
TAKEN_OVER_AT = builders.FIRST_CLOSING + timedelta(days=5)
STATEMENTS = 20
ONE_ROW_A_STACK = "uq_build_period_present"


def seen(
    engine: Engine, *roles: Role, now: datetime = NOW, person: Person | None = None, **asked: Any
) -> Floor:
    """The floor as somebody with these roles sees it."""
    person = person or Person(900, "looks", "Somebody who looks", frozenset(roles))
    with reading(engine) as session:
        return floor(session, person, now, **asked)


def row(engine: Engine, serial: str = "TARN-001", **asked: Any) -> FloorStack:
    """One stack of it."""
    return next(it for it in seen(engine, **asked).rows if it.line.serial == serial)


def needs(engine: Engine, serial: str = "TARN-001", **asked: Any) -> list[NeedKind]:
    """What kinds of need a stack has."""
    return [it.kind for it in row(engine, serial, **asked).needs]


def need_of(engine: Engine, kind: NeedKind, *roles: Role, **asked: Any) -> Need:
    """The one need of a kind."""
    (found,) = [
        it for stack in seen(engine, *roles, **asked).rows for it in stack.needs if it.kind is kind
    ]
    return found


def rows(engine: Engine, make: Callable[[Session], Any]) -> Any:
    """Make rows and keep them."""
    with Session(engine, expire_on_commit=False) as session:
        made = make(session)
        session.commit()
        return made


def a_quiet_stack(session: Session, cells: int = 2, **given: Any) -> Stack:
    """A stack of one released build."""
    stack = builders.a_stack(session, cells=cells, **given)
    builders.a_release(session, the_build(session, stack))
    return stack


def the_build(session: Session, stack: Stack) -> Build:
    """Its newest build."""
    found = session.scalars(
        select(Build).where(Build.stack_id == stack.id).order_by(Build.number.desc())
    ).first()
    assert found is not None
    return found


def the_mea(session: Session, stack: Stack, cell: int = 1) -> Part:
    """The MEA of a cell."""
    mea = builders.the_part_types(session).mea.id
    return session.scalars(
        select(Part)
        .join(Layer, Layer.part_id == Part.id)
        .where(
            Layer.present, Layer.cell == cell, Part.part_type_id == mea, Part.stack_id == stack.id
        )
    ).one()


def somebody(session: Session, role: Role = Role.QUALITY) -> int:
    """Anybody with a role."""
    return builders.a_person(session, role).id


# What is told of every stack


def test_a_released_stack_needs_nobody(engine: Engine) -> None:
    """It is told with its cells, hours, state and last approved build."""
    rows(engine, lambda s: a_quiet_stack(s, cells=3, meter_hours=12.0))

    found = seen(engine)

    (stack,) = found.rows
    assert (found.total, found.needing, found.mine, found.further) == (1, 0, 0, "")
    assert stack.needs == ()
    assert (stack.line.state, stack.line.cells, stack.strip.cells) == ("released", 3, 3)
    assert stack.line.hours.read_at is not None
    assert stack.last_approved is not None
    assert (stack.last_approved.number, stack.last_approved.stands) == (1, True)


def test_the_last_approved_build_is_not_the_one_still_waiting(engine: Engine) -> None:
    """Its release stood until it was opened."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        builders.a_build(session, stack, approved=False)

    rows(engine, make)

    stack = row(engine, now=NOW + timedelta(days=60))

    assert stack.last_approved is not None
    assert (stack.last_approved.number, stack.last_approved.is_present) == (1, False)
    assert stack.line.build_number == 2


def test_blank_and_bridged_cells_are_to_be_seen(engine: Engine) -> None:
    """In the strip, although they need nobody."""

    def make(session: Session) -> None:
        stack = builders.a_stack(session)
        types = builders.the_part_types(session)
        meas = [
            builders.a_part(session, one, stack=stack)
            for one in (types.mea, types.blank_cell, types.mea)
        ]
        laid = builders.a_pile(session, stack, 3, meas=meas)
        build = builders.a_build(session, stack, laid=laid)
        builders.a_release(session, build)
        session.add(
            CellBridge(
                stack_id=stack.id,
                build_id=build.id,
                cell=3,
                from_at=AFTER,
                until_at=None,
                reason="reversed twice",
                allowed_by="the supervisor",
                by_id=somebody(session),
                known_from=AFTER,
                known_until=None,
            )
        )

    rows(engine, make)

    marks = row(engine).strip.marks

    assert [(mark.cell, mark.seen.value) for mark in marks] == [(2, "blank"), (3, "bridged")]


# Running without a release


def test_hours_counted_without_a_release_need_a_supervisor(engine: Engine) -> None:
    """Told with the hours; nobody is asked while the meter stands still."""
    stack = rows(engine, lambda s: builders.a_stack(s, cells=2))
    assert needs(engine) == []
    rows(engine, lambda s: builders.an_hour_reading(s, stack, 0.0, AFTER))
    assert needs(engine) == []

    rows(engine, lambda s: builders.an_hour_reading(s, stack, 7.5, AFTER + timedelta(days=1)))

    told = need_of(engine, NeedKind.RAN_UNRELEASED, Role.SUPERVISOR)
    assert told.sentence == "Build 1 ran 7.5\u2009h and is not released."
    assert told.roles == ("supervisor",)
    assert told.may
    build_id = rows(engine, lambda s: the_build(s, stack).id)
    assert told.address == f"/builds/{build_id}/release"
    rows(engine, lambda s: builders.a_release(s, the_build(s, stack)))
    assert needs(engine) == []


def test_hours_of_earlier_builds_are_not_held_against_a_new_one(engine: Engine) -> None:
    """What the meter showed at the closing counts."""

    def make(session: Session) -> Stack:
        stack = builders.a_stack(session, cells=2)
        builders.an_hour_reading(session, stack, 50.0, AFTER)
        build = builders.a_build(session, stack)
        record = session.get_one(RebuildRecord, build.record_id)
        closed_at = builders.FIRST_CLOSING + timedelta(days=30)
        builders.an_hour_reading(session, stack, 50.0, closed_at, record=record)
        builders.an_hour_reading(session, stack, 50.0, closed_at + timedelta(days=1))
        return stack

    stack = rows(engine, make)
    later = builders.FIRST_CLOSING + timedelta(days=32)
    assert needs(engine, now=later) == []

    rows(engine, lambda s: builders.an_hour_reading(s, stack, 51.0, later))

    assert needs(engine, now=later) == [NeedKind.RAN_UNRELEASED]


def test_a_bench_that_reports_tells_of_running_as_well(engine: Engine) -> None:
    """Nobody has to read the meter."""
    stack = rows(engine, lambda s: builders.a_stack(s, cells=2))

    rows(engine, lambda s: a_report(s, stack, NOW - timedelta(minutes=2), hours=3.0))

    assert needs(engine) == [NeedKind.RAN_UNRELEASED]

    def take_back(session: Session) -> None:
        report = session.scalars(select(HourReport)).one()
        report.known_until, report.taken_back_because = NOW, "another bench's meter"

    rows(engine, take_back)
    assert needs(engine) == []


def test_a_log_with_hours_at_load_tells_of_running_as_well(engine: Engine) -> None:
    """Until it is made void."""
    stack = rows(engine, lambda s: builders.a_stack(s, cells=2))

    logged = rows(engine, lambda s: a_log(s, stack))

    assert needs(engine) == [NeedKind.RAN_UNRELEASED]

    def make_void(session: Session) -> None:
        session.get_one(RunReading, logged.id).known_until = NOW

    rows(engine, make_void)
    assert needs(engine) == []


def test_a_stack_taken_over_answers_only_for_what_it_ran_here(engine: Engine) -> None:
    """Neither the hours it came with nor a log of them ask for a release, or for a leak test."""
    stack = rows(engine, taken_over)
    rows(engine, lambda s: builders.an_hour_reading(s, stack, 2104.0, AFTER))
    rows(engine, lambda s: a_log(s, stack))
    assert needs(engine) == []

    rows(engine, lambda s: builders.an_hour_reading(s, stack, 2104.0, TAKEN_OVER_AT + A_DAY))
    assert needs(engine) == []

    rows(engine, lambda s: builders.an_hour_reading(s, stack, 2110.0, TAKEN_OVER_AT + 2 * A_DAY))
    assert needs(engine) == [NeedKind.RAN_UNRELEASED, NeedKind.LEAK_TEST]
    told = need_of(engine, NeedKind.RAN_UNRELEASED)
    assert told.sentence == "Build 1 has run since it was taken over and is not released."
    assert told.since == TAKEN_OVER_AT


def test_a_log_of_after_it_was_taken_over_tells_of_running(engine: Engine) -> None:
    """As a meter does."""
    stack = rows(engine, taken_over)

    rows(engine, lambda s: a_log(s, stack, TAKEN_OVER_AT + A_DAY))

    assert needs(engine) == [NeedKind.RAN_UNRELEASED, NeedKind.LEAK_TEST]


def taken_over(session: Session) -> Stack:
    """A stack whose design limits leaks, built elsewhere and put on record days after."""
    stack = builders.a_stack(session)
    builders.a_build(session, stack, cells=2, taken_over_at=TAKEN_OVER_AT)
    closings.put_limits_in_force(session, stack.design_id, stack_testing.FIGURES)
    return stack


def a_report(
    session: Session, stack: Stack, last_at: datetime, *, hours: float = 0.0, count: int = 600
) -> HourReport:
    """What a bench reported on one day."""
    meter = session.scalars(select(HourMeter).where(HourMeter.stack_id == stack.id)).one()
    report = HourReport(
        stack_id=stack.id,
        meter_id=meter.id,
        day=last_at.astimezone(UTC).date(),
        first_hours=0.0,
        first_at=last_at - timedelta(minutes=count),
        last_hours=hours,
        last_at=last_at,
        report_count=count,
        by_id=somebody(session, Role.BUILDER),
        known_from=last_at - timedelta(minutes=count),
    )
    session.add(report)
    session.flush()
    return report


def a_log(session: Session, stack: Stack, began_at: datetime = AFTER) -> RunReading:
    """Three hours at load on the present build."""
    by_id = somebody(session, Role.BUILDER)
    run = Run(
        stack_id=stack.id,
        kind=RunKind.LOG,
        content_sha256="a" * 64,
        size_bytes=10,
        name="bench.csv",
        added_by_id=by_id,
        added_at=NOW,
    )
    session.add(run)
    session.flush()
    found = RunReading(
        run_id=run.id,
        stack_id=stack.id,
        build_id=the_build(session, stack).id,
        mapping="{}",
        formula="run 1",
        began_at=began_at,
        ended_at=began_at + timedelta(hours=3),
        row_count=10_800,
        recorded_hours=3.0,
        load_hours=3.0,
        gas_hours=None,
        starts=1,
        stops=1,
        meter_id=None,
        meter_from_hours=None,
        meter_to_hours=None,
        not_released="no release was given",
        by_id=by_id,
        known_from=NOW,
        known_until=None,
    )
    session.add(found)
    session.flush()
    return found


# What waits for a decision


def test_a_record_handed_in_waits_for_a_supervisor(engine: Engine) -> None:
    """Not for whoever worked on it, whatever their roles; an approval ends it."""
    both = (Role.BUILDER, Role.SUPERVISOR)

    def make(session: Session) -> tuple[int, Person]:
        stack = builders.a_stack(session)
        worker = builders.a_person(session, *both)
        build = builders.a_build(session, stack, approved=False, builder=worker)
        builders.a_release(session, build)
        return build.record_id, known(session, worker)

    record_id, worker = rows(engine, make)

    told = need_of(engine, NeedKind.RECORD_WAITING, Role.SUPERVISOR)
    assert told.sentence == f"Record {record_id} (first build) waits for an approval."
    assert told.address == f"/records/{record_id}/approval"
    assert told.may
    for_a_builder = need_of(engine, NeedKind.RECORD_WAITING, Role.BUILDER)
    assert not for_a_builder.may
    assert not for_a_builder.is_kept_from
    for_the_worker = need_of(engine, NeedKind.RECORD_WAITING, person=worker)
    assert for_the_worker.is_kept_from
    assert "somebody else has to decide" in for_the_worker.may.why

    def approve(session: Session) -> None:
        builders.approve(session, session.get_one(RebuildRecord, record_id), NOW)

    rows(engine, approve)
    assert needs(engine) == []


def test_a_record_sent_back_waits_for_those_who_write_records(engine: Engine) -> None:
    """Until it is taken up and handed in anew."""

    def make(session: Session) -> RebuildRecord:
        stack = builders.a_stack(session)
        record = builders.a_record(session, stack)
        record.state = RecordState.SENT_BACK
        return record

    record = rows(engine, make)

    told = need_of(engine, NeedKind.SENT_BACK, Role.BUILDER)
    assert told.may
    assert told.address == f"/records/{record.id}/approval"
    assert row(engine).line.being_written_id == record.id


def test_a_correction_waits_for_somebody_who_did_not_write_it(engine: Engine) -> None:
    """Whoever proposed it is told why it is not for them."""

    def make(session: Session) -> tuple[Correction, Person]:
        stack = a_quiet_stack(session)
        writer = builders.a_person(session, Role.QUALITY)
        correction = Correction(
            record_id=the_build(session, stack).record_id,
            of=CorrectionOf.TORQUE,
            subject_id=1,
            subject_label="rod 2 pass 3",
            old_value="9 N·m",
            new_value="9.3 N·m",
            new_number=9.3,
            reason="mistyped",
            state=CorrectionState.WAITING,
            written_by_id=writer.id,
            written_at=AFTER,
            content_sha256="b" * 64,
        )
        session.add(correction)
        session.flush()
        return correction, known(session, writer)

    correction, writer = rows(engine, make)

    told = need_of(engine, NeedKind.CORRECTION_WAITING, Role.QUALITY)
    assert "(rod 2 pass 3) waits for a decision" in told.sentence
    assert told.address == f"/corrections/{correction.id}"
    assert (told.may.yes, told.since) == (True, AFTER)
    assert need_of(engine, NeedKind.CORRECTION_WAITING, person=writer).is_kept_from

    def refuse(session: Session) -> None:
        session.get_one(Correction, correction.id).state = CorrectionState.REFUSED

    rows(engine, refuse)
    assert needs(engine) == []


# The failing MEA


def a_mark(session: Session, part: Part) -> FailingMark:
    """Somebody's word that an MEA fails."""
    return builders.a_failing_mark(session, part.id, AFTER, confirmed_by_id=somebody(session))


def a_verdict(
    session: Session,
    stack: Stack,
    part: Part,
    answer: RuleAnswer = RuleAnswer.MET,
    version: int = 1,
) -> RuleVerdict:
    """What a version of the rule says of an MEA."""
    rule = FailingRule(
        design_id=stack.design_id,
        version=version,
        content="{}",
        source="invented",
        reason="a beginning",
        by_id=somebody(session),
        made_at=AFTER,
    )
    session.add(rule)
    session.flush()
    verdict = RuleVerdict(
        part_id=part.id,
        rule_id=rule.id,
        stack_id=stack.id,
        answer=answer,
        reasons=json.dumps(
            [
                {"criterion": "rate", "answer": "met", "words": "falls by 23 µV/h"},
                {"criterion": "voltage", "answer": "not met", "words": "0.66 V"},
            ]
        ),
        judged_at=AFTER,
    )
    session.add(verdict)
    session.flush()
    return verdict


def test_a_confirmed_failing_mea_is_told_as_long_as_it_is_fitted(engine: Engine) -> None:
    """By its label, its cell and the reason; the strip marks the cell."""

    def make(session: Session) -> tuple[Part, FailingMark]:
        stack = a_quiet_stack(session)
        part = the_mea(session, stack, cell=2)
        return part, a_mark(session, part)

    part, mark = rows(engine, make)

    told = need_of(engine, NeedKind.FAILING, Role.BUILDER)
    assert told.sentence == (
        f"MEA {part.serial} in cell 2 is failing and still fitted: below 0.60 V twice."
    )
    assert told.may
    assert told.address == "/stacks/TARN-001/changeover?replace_cells=2"
    assert told.look == ("trace", f"/parts/{part.id}/trace")
    marks = row(engine).strip.marks
    assert [(it.cell, it.seen.value) for it in marks] == [(2, "failing")]

    def withdraw(session: Session) -> None:
        found = session.get_one(FailingMark, mark.id)
        found.withdrawn_at, found.withdrawn_by_id = NOW, found.confirmed_by_id

    rows(engine, withdraw)
    assert needs(engine) == []


def test_a_failing_mea_in_store_needs_nobody(engine: Engine) -> None:
    """It was exchanged: that is what was asked for."""

    def make(session: Session) -> None:
        a_quiet_stack(session)
        a_mark(session, builders.a_part(session, builders.the_part_types(session).mea))

    rows(engine, make)

    assert seen(engine).needing == 0


def test_an_mea_that_meets_the_rule_waits_to_be_confirmed(engine: Engine) -> None:
    """With what was met; once it is confirmed that alone is told."""

    def make(session: Session) -> Part:
        stack = a_quiet_stack(session)
        part = the_mea(session, stack)
        a_verdict(session, stack, part)
        return part

    part = rows(engine, make)

    told = need_of(engine, NeedKind.RULE_MET, Role.QUALITY)
    assert told.sentence == (
        f"MEA {part.serial} in cell 1 meets the rule for failing: falls by 23 µV/h."
    )
    assert told.roles == ("quality", "supervisor")
    assert told.address == f"/parts/{part.id}/failing"
    assert need_of(engine, NeedKind.RULE_MET).address == f"/parts/{part.id}/life"
    assert row(engine).strip.marks[0].seen.value == "rule met"
    rows(engine, lambda s: a_mark(s, s.get_one(Part, part.id)))
    assert needs(engine) == [NeedKind.FAILING]


@pytest.mark.parametrize("answer", [RuleAnswer.NOT_MET, RuleAnswer.CANNOT_BE_JUDGED])
def test_an_mea_that_does_not_meet_the_rule_needs_nobody(
    engine: Engine, answer: RuleAnswer
) -> None:
    """Nor one nothing can be said of."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        a_verdict(session, stack, the_mea(session, stack), answer)

    rows(engine, make)

    assert needs(engine) == []


def test_what_an_earlier_rule_said_is_no_longer_told(engine: Engine) -> None:
    """The newest version is in force."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        a_verdict(session, stack, the_mea(session, stack, 1))
        a_verdict(session, stack, the_mea(session, stack, 2), RuleAnswer.NOT_MET, version=2)

    rows(engine, make)

    assert needs(engine) == []


# Held parts


def a_hold(session: Session, **subject: int) -> Hold:
    """A hold by somebody."""
    hold = Hold(
        **({"part_id": None, "lot_id": None, "instrument_id": None} | subject),
        usability_before=Usability.ACCEPTED if "part_id" in subject else None,
        reason="leaves a trace of copper",
        placed_by_id=somebody(session),
        placed_at=AFTER,
        lifted_by_id=None,
        lifted_at=None,
    )
    session.add(hold)
    session.flush()
    return hold


def test_a_held_part_that_is_fitted_is_told_until_the_hold_is_lifted(engine: Engine) -> None:
    """The quality lead may lift it."""

    def make(session: Session) -> tuple[Part, Hold]:
        stack = a_quiet_stack(session)
        part = the_mea(session, stack)
        return part, a_hold(session, part_id=part.id)

    part, hold = rows(engine, make)

    told = need_of(engine, NeedKind.HELD, Role.QUALITY)
    assert told.sentence == (
        f"MEA {part.serial} in cell 1 is fitted and on hold: leaves a trace of copper."
    )
    assert (told.address, told.roles) == (f"/holds/{hold.id}", ("quality",))
    assert row(engine).strip.marks[0].seen.value == "on hold"

    def lift(session: Session) -> None:
        found = session.get_one(Hold, hold.id)
        found.lifted_at, found.lifted_by_id = NOW, found.placed_by_id

    rows(engine, lift)
    assert needs(engine) == []


def test_parts_of_one_held_lot_are_told_together(engine: Engine) -> None:
    """One sentence for a stack, however many of them are fitted; gaskets mark no cell."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session, cells=3)
        gasket = builders.the_part_types(session).gas_gasket.id
        lot_id = session.scalars(
            select(Part.lot_id).where(Part.part_type_id == gasket, Part.stack_id == stack.id)
        ).first()
        a_hold(session, lot_id=lot_id or 0)

    rows(engine, make)

    told = need_of(engine, NeedKind.HELD)
    assert "and 5 more are fitted and on hold" in told.sentence
    assert row(engine).strip.marks == ()


# Leak tests and nuts


def test_a_closed_stack_whose_design_limits_leaks_waits_for_its_test(engine: Engine) -> None:
    """Made, it counts until something is done to the stack; a failed one needs somebody too."""
    stack = stack_testing.a_closed_stack(engine)
    asked = {"now": stack.lab.now + timedelta(days=1)}
    told = need_of(engine, NeedKind.LEAK_TEST, Role.BUILDER, **asked)
    assert told.look is not None
    assert told.sentence == "Build 1 has no leak test since its closing."
    assert told.address == f"/records/{stack.bench.number}/bench?at=tests"

    stack.leak(2)
    assert NeedKind.LEAK_TEST not in needs(engine, **asked)
    stack_testing.later(stack)
    stack.bench.do(
        read_torque,
        rod_number=1,
        pass_number=1,
        stage=Stage.CLOSING,
        kind=ReadingKind.SET,
        torque_nm=9.0,
        instrument_id=stack.lab.driver_id,
    )
    again = need_of(engine, NeedKind.LEAK_TEST, **asked)
    assert again.sentence == "Build 1 was worked on since its leak test: test again."
    stack_testing.later(stack)
    stack.leak(2, end_pressure="20 kPa")
    failed = need_of(engine, NeedKind.LEAK_TEST, **asked)
    assert failed.sentence == "Build 1 failed its last leak test."
    stack_testing.later(stack)
    stack.leak(2)
    assert NeedKind.LEAK_TEST not in needs(engine, **asked)


@pytest.mark.both_engines
def test_a_re_torque_whose_rule_spares_leaks_asks_for_no_leak_test(engine: Engine) -> None:
    rules = (RetestRule(Undoing.RE_TORQUE, (Retest.SHORTS,), "note 5"),)
    figures = replace(stack_testing.FIGURES, retests=rules)
    stack = stack_testing.a_closed_stack(engine, figures=figures)
    stack.leak(2)
    stack_testing.later(stack)
    re_torque(stack, in_a_new_record=False)

    assert NeedKind.LEAK_TEST not in needs(engine, now=stack.lab.now + timedelta(days=1))


def test_without_limits_of_leaks_nobody_is_asked_for_a_test(engine: Engine) -> None:
    """The limits say what a design asks for."""
    stack = stack_testing.a_closed_stack(engine, figures=None)

    assert needs(engine, now=stack.lab.now) == []


def settling(session: Session, minutes: float = 360.0) -> Stack:
    """A stack closed under figures that let its clamp settle: its nuts were read 5 h before."""
    stack = builders.a_stack(session, cells=2)
    closings.put_limits_in_force(session, stack.design_id, settling_minutes=minutes)
    return stack


def read_again(session: Session, stack: Stack, at: datetime, instrument: Instrument) -> None:
    """Read every nut again in a record that does not open the stack."""
    base = the_build(session, stack)
    record = session.scalars(
        select(RebuildRecord).where(
            RebuildRecord.stack_id == stack.id, RebuildRecord.state == RecordState.OPEN
        )
    ).first() or builders.a_record(
        session, stack, kind=RecordKind.RE_TORQUE, performed_from=at, base=base
    )
    by = session.get_one(tables.Person, record.written_by_id)
    writer = builders.Journal(session, record, by, at)
    last = select(func.max(Step.sequence)).where(Step.record_id == record.id)
    writer.sequence = session.scalar(last) or 0
    for rod in range(1, 5):
        step = writer.step(StepKind.TORQUE, rod_number=rod)
        session.flush()
        session.add(
            TorqueReading(
                record_id=record.id,
                step_id=step.id,
                rod_number=rod,
                pass_number=1,
                stage=Stage.CLOSING,
                kind=ReadingKind.SET,
                torque_nm=9.0,
                entered="9 N·m",
                instrument_id=instrument.id,
                calibration_id=None,
                concession_id=None,
                taken_at=step.done_at,
                by_id=by.id,
                known_from=step.done_at,
                known_until=None,
                correction_id=None,
                replaces_id=None,
            )
        )
    session.flush()


def test_nuts_are_to_be_read_again_once_the_clamp_has_settled(engine: Engine) -> None:
    """Not before, and not where the design lets nothing settle."""
    rows(engine, settling)
    rows(engine, lambda s: settling(s, minutes=0.0))
    early = builders.FIRST_CLOSING + timedelta(minutes=5)

    assert needs(engine, now=early) == []
    told = need_of(engine, NeedKind.RE_TORQUE, Role.BUILDER)

    assert told.sentence == "Build 1 has settled: its nuts were not read again."
    assert told.address == "/records/new?stack=TARN-001&kind=re-torque"
    assert told.may
    assert needs(engine, "TARN-002") == []
    rows(engine, lambda s: builders.a_release(s, the_build(s, s.get_one(Stack, 1))))
    assert needs(engine) == []


def test_nuts_that_were_read_again_after_the_settling_time_are_done(engine: Engine) -> None:
    """A reading within it does not count."""
    stack = rows(engine, settling)
    closed_at = builders.FIRST_CLOSING

    def read(at: datetime) -> None:
        rows(engine, lambda s: read_again(s, stack, at, s.scalars(select(Instrument)).first()))

    read(closed_at + timedelta(minutes=10))
    assert needs(engine) == [NeedKind.RE_TORQUE]
    read(closed_at + timedelta(minutes=90))

    assert needs(engine) == []


def test_a_stack_just_closed_at_the_bench_is_told_before_its_record_is_handed_in(
    engine: Engine,
) -> None:
    """That is when somebody stands beside it with the driver in the hand."""
    stack = stack_testing.a_closed_stack(engine)
    with Session(engine) as session:
        closings.put_limits_in_force(session, stack.design_id)
        session.commit()
    lab = stack.lab
    rows(
        engine,
        lambda s: setattr(s.get_one(RebuildRecord, stack.bench.number), "state", RecordState.VOID),
    )
    opened = lab.begin(RecordKind.REBUILD)
    opened.open(hours=120.0)
    assert needs(engine, now=lab.now) == [], "nothing is asked of a stack that lies open"
    for rod in range(1, 5):
        for number in (1, 2, 3):
            opened.do(
                read_torque,
                rod_number=rod,
                pass_number=number,
                stage=Stage.CLOSING,
                kind=ReadingKind.SET,
                torque_nm=3.0 * number,
                instrument_id=lab.driver_id,
            )
    opened.do(close_stack, closed_at=None, hours=120.0)
    assert needs(engine, now=lab.now) == []

    told = need_of(engine, NeedKind.RE_TORQUE, Role.BUILDER, now=lab.now + timedelta(hours=1))

    assert told.address == f"/records/{opened.number}/bench?at=torque"
    assert told.sentence == "The closed stack has settled: its nuts were not read again."


# Instruments


def found_out(
    session: Session,
    instrument_id: int,
    at: datetime,
    result: CalibrationResult = CalibrationResult.OUT_OF_TOLERANCE,
) -> None:
    """The next calibration finds an instrument out of tolerance."""
    session.add(
        Calibration(
            instrument_id=instrument_id,
            done_at=at,
            due_at=at + timedelta(days=365),
            certificate="C-late",
            result=result,
            error_percent=7.0,
            written_by_id=somebody(session),
            written_at=at,
        )
    )


@pytest.mark.both_engines
def test_an_instrument_found_out_of_tolerance_after_its_use_is_told(engine: Engine) -> None:
    """Until every nut was read again with another one."""
    stack = rows(engine, a_quiet_stack)
    driver = rows(engine, lambda s: s.scalars(select(Instrument)).one())
    rows(engine, lambda s: found_out(s, driver.id, AFTER))

    told = need_of(engine, NeedKind.INSTRUMENT, Role.QUALITY)

    assert told.sentence == (
        f"Torque driver {driver.label} was used on build 1 and then found out of tolerance: to"
        " be judged."
    )
    assert (told.address, told.since) == (f"/instruments/{driver.id}", AFTER)
    assert told.may
    assert not need_of(engine, NeedKind.INSTRUMENT, Role.BUILDER).may
    rows(
        engine,
        lambda s: read_again(
            s, stack, AFTER + timedelta(days=1), builders.a_torque_instrument(s, label="TD-new")
        ),
    )
    assert NeedKind.INSTRUMENT not in needs(engine)


def test_a_finding_before_its_use_doubts_nothing(engine: Engine) -> None:
    """It was set right and calibrated before the stack was closed."""
    rows(engine, a_quiet_stack)
    rows(engine, lambda s: found_out(s, 1, builders.FIRST_CLOSING - timedelta(days=2)))

    assert needs(engine) == []


def test_an_opened_build_is_no_longer_in_doubt(engine: Engine) -> None:
    """Its clamp was released; the next was closed after the finding."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        found_out(session, 1, AFTER)
        builders.a_release(session, builders.a_build(session, stack))

    rows(engine, make)

    assert needs(engine, now=NOW + timedelta(days=60)) == []


@pytest.mark.both_engines
def test_a_test_made_with_a_gauge_found_out_later_is_told_until_it_is_made_again(
    engine: Engine,
) -> None:
    """The thermometer and the flow meter of a test count as its gauge does."""
    stack = stack_testing.a_closed_stack(engine)
    stack.leak(2)
    stack_testing.later(stack, hours=1)
    rows(engine, lambda s: found_out(s, stack.tools.thermometer, stack.lab.now))
    asked = {"now": stack.lab.now + timedelta(days=1)}

    told = need_of(engine, NeedKind.INSTRUMENT, **asked)

    assert told.sentence.startswith("Thermometer ")
    set_right = (stack.lab.now + timedelta(minutes=20), CalibrationResult.IN_TOLERANCE)
    rows(engine, lambda s: found_out(s, stack.tools.thermometer, *set_right))
    stack_testing.later(stack, hours=1)
    stack.leak(2)
    assert NeedKind.INSTRUMENT not in needs(engine, **asked)


@pytest.mark.both_engines
def test_an_instrument_used_by_concession_is_told(engine: Engine) -> None:
    """It was out of calibration when it was used, and somebody allowed it."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        record_id = the_build(session, stack).record_id
        given = Concession(
            part_id=None,
            lot_id=None,
            instrument_id=1,
            reason="the other one is away",
            given_by_id=somebody(session),
            given_at=builders.START,
            used_in_record_id=record_id,
        )
        session.add(given)
        session.flush()
        taken = select(TorqueReading).where(TorqueReading.record_id == record_id)
        for row_before in session.scalars(taken).all():
            copied = {
                name: getattr(row_before, name)
                for name in row_before.__mapper__.attrs.keys()  # noqa: SIM118
                if name != "id"
            }
            session.add(
                TorqueReading(
                    **copied
                    | {
                        "concession_id": given.id,
                        "calibration_id": None,
                        "taken_at": row_before.taken_at + timedelta(seconds=1),
                    }
                )
            )
        session.flush()

    rows(engine, make)

    told = need_of(engine, NeedKind.INSTRUMENT)

    assert told.sentence.endswith(
        "was used on build 1 out of calibration, by concession: to be judged."
    )


# Benches that report


def test_a_bench_that_fell_silent_is_told_while_anybody_waits_for_it(engine: Engine) -> None:
    """Not while it reports, nor a fortnight later."""
    stack = rows(engine, a_quiet_stack)
    rows(engine, lambda s: a_report(s, stack, AFTER))

    assert needs(engine, now=AFTER + timedelta(minutes=10)) == []
    told = need_of(engine, NeedKind.SILENT, Role.BUILDER, now=AFTER + timedelta(hours=1))
    assert (told.since, told.address) == (AFTER, "/stacks/TARN-001/hours")
    assert told.may
    assert needs(engine, now=AFTER + timedelta(days=20)) == []


def test_a_bench_somebody_reported_by_hand_is_not_waited_for(engine: Engine) -> None:
    """A few reports a day come from a person."""
    stack = rows(engine, a_quiet_stack)

    rows(engine, lambda s: a_report(s, stack, AFTER, count=3))

    assert needs(engine, now=AFTER + timedelta(hours=1)) == []


def test_a_bench_is_not_waited_for_while_its_stack_lies_open(engine: Engine) -> None:
    """Nothing runs on it."""

    def make(session: Session) -> None:
        stack = a_quiet_stack(session)
        a_report(session, stack, AFTER)
        record = builders.a_record(session, stack, base=the_build(session, stack))
        record.opened_at = AFTER

    rows(engine, make)

    assert needs(engine, now=AFTER + timedelta(hours=1)) == []


# Order, pages, cost


def a_mixed_floor(session: Session) -> None:
    """Seven stacks, of which two need a supervisor and one the quality lead."""
    for number in range(1, 8):
        stack = builders.a_stack(session, serial=f"S-{number}")
        build = builders.a_build(session, stack, cells=1, approved=number not in (5, 6))
        builders.a_release(session, build)
        if number == 3:
            a_hold(session, part_id=the_mea(session, stack).id)


def test_those_who_need_somebody_come_first(engine: Engine) -> None:
    """The most urgent kind leads; within it serials are in order."""
    retold(engine, a_mixed_floor, lambda: rows(engine, a_mixed_floor))

    found = seen(engine, Role.QUALITY)

    serials = [it.line.serial for it in found.rows]
    assert serials == ["S-3", "S-5", "S-6", "S-1", "S-2", "S-4", "S-7"]
    assert (found.total, found.needing, found.mine) == (7, 3, 1)


@pytest.mark.parametrize("limit", [1, 2, 3, 4, 7])
def test_pages_show_every_stack_once(engine: Engine, limit: int) -> None:
    """Across the line between those who need somebody and the rest."""
    retold(engine, a_mixed_floor, lambda: rows(engine, a_mixed_floor))
    whole = [it.line.serial for it in seen(engine).rows]

    there, back = turned(lambda turn: seen(engine, turn=turn), limit)

    assert [stack.line.serial for stack in there] == whole
    assert [stack.line.serial for stack in back] == whole


@pytest.mark.both_engines
def test_only_what_ones_roles_may_do_can_be_asked_for(engine: Engine) -> None:
    """A builder sees nothing of holds and approvals then."""
    retold(engine, a_mixed_floor, lambda: rows(engine, a_mixed_floor))

    def asked(*roles: Role) -> list[str]:
        return [it.line.serial for it in seen(engine, *roles, mine=True).rows]

    assert asked(Role.QUALITY) == ["S-3"]
    assert asked(Role.SUPERVISOR) == ["S-5", "S-6"]
    assert asked(Role.BUILDER) == []


@pytest.mark.parametrize("cursor", ["nowhere", "after:7", "after:NaN,1", 'after:"x","y"'])
def test_a_place_nobody_gave_is_refused(engine: Engine, cursor: str) -> None:
    """An address somebody mistyped."""
    retold(engine, a_mixed_floor, lambda: rows(engine, a_mixed_floor))

    with pytest.raises(Refused, match="is no place in this list"):
        seen(engine, turn=Turn(1, cursor))


@pytest.mark.both_engines
def test_the_floor_asks_as_many_questions_of_many_stacks_as_of_one(
    engine: Engine, statements: Any
) -> None:
    """However many need somebody, of whatever kind."""

    def make(session: Session) -> None:
        for number in range(2, 10):
            stack = builders.a_stack(session, cells=2, serial=f"S-{number}")
            closings.put_limits_in_force(session, stack.design_id)
            a_mark(session, the_mea(session, stack))
            a_hold(session, part_id=the_mea(session, stack, 2).id)
            a_report(session, stack, NOW - timedelta(hours=1), hours=3.0)
        found_out(session, 1, AFTER)

    rows(engine, a_quiet_stack)
    with statements() as few:
        seen(engine, Role.QUALITY)
    rows(engine, make)

    with statements() as many:
        found = seen(engine, Role.QUALITY)

    assert found.needing == 9
    assert len(few) == len(many) <= STATEMENTS


@pytest.mark.both_engines
def test_the_floor_finds_its_rows_by_index(engine: Engine, statements: Any) -> None:
    """But for the present builds: one row a stack, by an index that has no others."""
    if engine.dialect.name != "sqlite":
        pytest.skip("SQLite tells of its way")
    stack = stack_testing.a_closed_stack(engine, figures=stack_testing.FIGURES)
    rows(engine, lambda s: closings.put_limits_in_force(s, stack.design_id))

    with statements() as asked:
        seen(engine, Role.QUALITY)

    assert [it for it in read_whole(engine, asked) if ONE_ROW_A_STACK not in it] == []
