"""Make-safe lists of the site at the bench: versions, fit of instruments, what goes stale."""

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.calibration_corrections import record_calibration
from service.bench.changes.layers import lift_off
from service.bench.changes.proposals import approve_proposal
from service.bench.queries.rebuild_records import record_view
from service.closing.changes.torque import read_torque
from service.designs.tables import ChecklistLine
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import NotAllowed, Question, Refused, RefusedTogether
from service.proof.arithmetic.with_the_error import Still
from service.proof.queries.instrument_uses import assessment
from service.records.changes.bench_opening import open_stack
from service.records.changes.handovers import hand_over
from service.records.changes.make_safe import record_bump_test, record_exception, record_make_safe
from service.records.queries.content import record_content
from service.records.queries.make_safe import OF_DESIGN, newer_lists
from service.records.queries.records import people_on
from service.records.tables import RecordKind
from service.stacks.queries.stack_sheets import stack_sheet
from service.stacks.tables import Stack
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.instruments import GasMatrix, InstrumentKind, Principle
from service.store.arithmetic.make_safe import LeavesNone, LineAsked, SafeAct
from service.store.changes.calibrations import CalibrationEntry
from service.store.changes.make_safe_lists import begin_list, propose_list, withdraw_list
from service.store.tables import Instrument, ProposedChange
from tests import builders
from tests.bench.at_the_bench import NOW, SEEN_NOTHING, WORK_BEGAN, Bench, Lab, a_lab, known, voided
from tests.proposing import put_in_force

LOCKED = LineAsked(1, "Load and gases locked.")
HYDROGEN = LineAsked(
    2,
    "Hydrogen at the outlet",
    "% vol",
    0.4,
    good_minutes=30.0,
    short="hydrogen",
    instrument_kind=InstrumentKind.GAS_DETECTOR,
)
FRIDAY, MONDAY = NOW, NOW + timedelta(hours=63)


def a_list(
    lab: Lab, *lines: LineAsked, act: SafeAct = SafeAct.OPENING, place: str = ""
) -> tuple[int, int]:
    """A list of the site, proposed by somebody of quality; its id and the proposal's."""
    writer = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    list_id = lab.do(begin_list, act, place, lines, source="", reason="ours", by=writer)
    return list_id, newest(lab)


def newest(lab: Lab) -> int:
    with Session(lab.engine) as session:
        return session.scalars(select(func.max(ProposedChange.id))).one()


def in_force(lab: Lab, *lines: LineAsked, **more: Any) -> int:
    list_id, proposal_id = a_list(lab, *lines, **more)
    put_in_force(lab.engine, proposal_id, lab.now)
    return list_id


def record_line(record: Bench, line: LineAsked = HYDROGEN, **more: Any) -> Any:
    facts: dict[str, Any] = {"line_number": line.number}
    if line.unit:
        facts |= {"reading": 0.1, "instrument_id": record.lab.detector_id}
    return record.do(record_make_safe, **facts | more)


def open_it(record: Bench, **more: Any) -> Any:
    return record.do(open_stack, hours=120.0, **more)


def content(record: Bench) -> Any:
    with reading(record.lab.engine) as session:
        return json.loads(record_content(session, [record.number])[record.number].canonical)


@pytest.mark.both_engines
def test_a_list_counts_once_somebody_else_has_approved_it(engine: Engine) -> None:
    lab = a_lab(engine)
    before = lab.begin()
    list_id, proposal_id = a_list(lab, LOCKED)
    with reading(engine) as session:
        assert record_view(session, before.number).lists[SafeAct.OPENING].name == OF_DESIGN

    with pytest.raises(NotAllowed):
        lab.do(approve_proposal, proposal_id, content_sha256="", password=builders.PASSWORD)
    put_in_force(engine, proposal_id, lab.now)

    with reading(engine) as session:
        view = record_view(session, before.number)
        assert view.lists[SafeAct.OPENING].name == OF_DESIGN
        assert len(view.checklist) == 3
        (newer,) = newer_lists(session, view.head, view.lists)
        assert newer.name == "opening, everywhere, version 1"
        assert newer.list_id == list_id


def test_a_record_keeps_the_version_it_began_with(engine: Engine) -> None:
    lab = a_lab(engine)
    list_id = in_force(lab, LOCKED)
    record = lab.begin()
    writer = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    longer = (LOCKED, HYDROGEN)
    second = lab.do(propose_list, list_id, longer, source="", reason="hydrogen too", by=writer)
    put_in_force(engine, second, lab.now)

    record_line(record, LOCKED)
    open_it(record)

    with reading(engine) as session:
        view = record_view(session, record.number)
        assert view.lists[SafeAct.OPENING].name.endswith("version 1")
        (newer,) = newer_lists(session, view.head, view.lists)
        assert newer.name.endswith("version 2")
    (kept,) = content(record)["make_safe_lists"]
    assert (kept["act"], kept["list"]) == ("opening", "opening, everywhere")


def test_a_list_of_the_place_goes_before_one_for_everywhere(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, LOCKED)
    in_force(lab, LOCKED, HYDROGEN, place="Bench 2")
    in_force(lab, LOCKED, place="bench 3")
    lab.rows(lambda s: setattr(s.get_one(Stack, lab.stack_id), "place", "bench 2"))

    record = lab.begin()

    with reading(engine) as session:
        assert record_view(session, record.number).lists[SafeAct.OPENING].name == (
            "opening, Bench 2, version 1"
        )


def test_readings_of_friday_do_not_open_a_stack_on_monday(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, LOCKED, HYDROGEN)
    record = lab.begin()
    record_line(record, LOCKED)
    record_line(record)

    lab.now = MONDAY
    with pytest.raises(Refused, match=r"line 2 \(hydrogen\), 63\u2009h old, good for 30\u2009min"):
        open_it(record)
    record_line(record, reading=0.2)
    open_it(record)

    with reading(engine) as session:
        row = record_view(session, record.number).checklist[1]
        assert row.entry is not None
        assert row.entry.check is not None
        assert row.entry.check.reading == 0.2
        assert [entry.done_at for entry in row.earlier] == [FRIDAY]
    assert [line["reading"] for line in content(record)["make_safe"]] == [None, 0.1, 0.2]


def test_a_layer_is_not_lifted_off_by_a_stale_reading(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, HYDROGEN)
    record = lab.begin()
    record_line(record, replace(HYDROGEN, number=1))
    open_it(record)
    record.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)

    lab.now += timedelta(minutes=31)
    with pytest.raises(Refused, match="Read again: line 1"):
        record.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)
    record_line(record, replace(HYDROGEN, number=1))
    record.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)


def test_readings_of_a_designs_own_checklist_go_stale_after_a_day(engine: Engine) -> None:
    lab = a_lab(engine)
    record = lab.begin()
    record.make_safe()

    lab.now = MONDAY
    with pytest.raises(Refused, match="good for 24\u2009h"):
        open_it(record)


def test_case_40_an_exception_by_name_opens_in_an_emergency_and_not_days_after(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    in_force(lab, HYDROGEN)
    record = lab.begin()
    with pytest.raises(Refused, match="not recorded complete"):
        open_it(record)
    record.do(record_exception, reason="leak towards the hall, hydrogen shut at the main")
    lab.now = MONDAY
    with pytest.raises(Refused, match="not recorded complete"):
        open_it(record)

    record.do(record_exception, reason="detector broken, room aired for an hour")
    open_it(record)


@pytest.mark.parametrize(
    ("principle", "matrix", "reason"),
    [
        (Principle.CATALYTIC, GasMatrix.AIR, "its principle is catalytic"),
        (Principle.THERMAL_CONDUCTIVITY, GasMatrix.AIR, "it reads in air"),
        (None, None, "its principle is not known"),
        (Principle.CATALYTIC, GasMatrix.DILUTED, ""),
        (Principle.THERMAL_CONDUCTIVITY, GasMatrix.INERT, ""),
    ],
)
def test_hydrogen_in_a_purge_is_read_by_what_reads_it(
    engine: Engine, principle: Principle | None, matrix: GasMatrix | None, reason: str
) -> None:
    lab = a_lab(engine)
    purge = {"principle": Principle.THERMAL_CONDUCTIVITY, "gas_matrix": GasMatrix.INERT}
    in_force(lab, replace(HYDROGEN, number=1, **purge))
    record = lab.begin()

    def senses(session: Session) -> None:
        detector = session.get_one(Instrument, lab.detector_id)
        detector.principle, detector.gas_matrix = principle, matrix

    lab.rows(senses)

    if reason:
        with pytest.raises(Refused, match=reason):
            record_line(record, replace(HYDROGEN, number=1))
    else:
        record_line(record, replace(HYDROGEN, number=1))


def test_a_reading_has_two_limits(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, LineAsked(1, "Nitrogen share", "% vol", 19.0, reading_least=15.0,
                            good_minutes=60.0,
                            instrument_kind=InstrumentKind.GAS_DETECTOR))  # fmt: skip
    record = lab.begin()

    for value in (14.9, 19.1):
        with pytest.raises(Refused, match=r"15 to 19 % vol"):
            record_line(record, replace(HYDROGEN, number=1), reading=value)
    record_line(record, replace(HYDROGEN, number=1), reading=17.0)


@pytest.mark.both_engines
def test_a_bump_test_counts_for_the_day_and_in_every_record(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, replace(HYDROGEN, number=1, needs_bump_test=True))
    record = lab.begin()
    tested = {"instrument_id": lab.detector_id, "gas": "2 % hydrogen in nitrogen"}
    line = replace(HYDROGEN, number=1)

    with pytest.raises(Refused, match="no bump test of the day"):
        record_line(record, line)
    record.do(record_bump_test, **tested, passed=True, reading=1.9)
    record_line(record, line)
    record.do(record_bump_test, **tested, passed=False)
    with pytest.raises(Refused, match="was not passed"):
        record_line(record, line)
    record.do(undo_last)
    record_line(record, line)

    lab.now += timedelta(days=1)
    with pytest.raises(Refused, match="no bump test of the day"):
        record_line(record, line)
    kept = [(bump["gas"], bump["passed"]) for bump in content(record)["bump_tests"]]
    assert kept == [("2 % hydrogen in nitrogen", True), ("2 % hydrogen in nitrogen", False)]


def test_a_re_torque_waits_for_its_list(engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, LOCKED, act=SafeAct.RE_TORQUE)
    record = lab.begin(RecordKind.RE_TORQUE)
    nut = {
        "rod_number": 1,
        "pass_number": 1,
        "stage": Stage.CLOSING,
        "kind": ReadingKind.SET,
        "torque_nm": 9.0,
        "instrument_id": lab.driver_id,
    }

    with pytest.raises(Refused, match="for the re-torque is not recorded complete"):
        record.do(read_torque, **nut)
    record_line(record, LOCKED, act=SafeAct.RE_TORQUE)
    record.do(read_torque, **nut)


@pytest.mark.both_engines
def test_case_24_work_left_over_a_weekend_is_taken_on_by_another(engine: Engine) -> None:
    lab = a_lab(engine)
    record = lab.begin(performed_from=WORK_BEGAN)
    facts = {
        "from_person_id": lab.builder.id,
        "to_person_id": lab.witness.id,
        "pile": "cells 1 and 2 stand, clamp off",
        "covers": "all ports and the open end",
    }
    with pytest.raises(Refused, match="nobody hands over to themself"):
        record.do(hand_over, **facts | {"to_person_id": lab.builder.id})
    for field in ("pile", "covers"):
        with pytest.raises(Refused):
            record.do(hand_over, **facts | {field: " "})

    lab.now = MONDAY
    record.do(hand_over, **facts, by=lab.witness)

    with reading(engine) as session:
        (entry,) = record_view(session, record.number).beside_the_pile
        assert entry.in_words == (
            f"handed over by {lab.builder.name} to {lab.witness.name}:"
            " cells 1 and 2 stand, clamp off; covers: all ports and the open end"
        )
        assert lab.witness.id in people_on(session, [record.number])[record.number]
        left = stack_sheet(session, lab.stack_id).left
        assert left is not None
        assert (left.left_by, left.covers) == (lab.builder.name, "all ports and the open end")
    (handover,) = content(record)["handovers"]
    assert (handover["from"], handover["to"]) == (lab.builder.id, lab.witness.id)


@pytest.mark.parametrize(
    ("offset", "still"), [(-0.1, Still.PASSES), (-0.5, Still.WOULD_NOT), (None, Still.CANNOT_TELL)]
)
def test_a_reading_is_judged_by_the_limits_of_its_line_with_the_error_found(
    engine: Engine, offset: float | None, still: Still
) -> None:
    """The list's line; of a check without a reading nothing can be said."""
    lab = a_lab(engine)
    in_force(lab, LOCKED, HYDROGEN)
    record = lab.begin()
    record_line(record, LOCKED)
    record_line(record)
    later = lab.now + timedelta(minutes=1)
    entry = CalibrationEntry(
        later,
        later + timedelta(days=9),
        "K-9",
        CalibrationResult.OUT_OF_TOLERANCE,
        error_offset=offset,
    )
    lab = replace(lab, now=later)
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    finding = lab.do(record_calibration, lab.detector_id, entry, by=quality)

    with reading(engine) as session:
        builds = assessment(session, lab.detector_id, finding).builds

    (use,) = (use for build in builds for use in build.uses)
    assert (use.what, use.still) == ("make-safe line 2", still)


def withdrawn(lab: Lab, list_id: int, **more: Any) -> None:
    """Withdraw a list, by two."""
    writer = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    number = lab.do(withdraw_list, list_id, reason="no longer ours", by=writer, **more)
    put_in_force(lab.engine, number, lab.now)


def lists_of(lab: Lab) -> dict[SafeAct, str]:
    """What a record begun now asks for, by act."""
    record = lab.begin()
    with reading(lab.engine) as session:
        lists = record_view(session, record.number).lists
    voided(lab, record.number, lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR))))
    return {act: each.name for act, each in lists.items()}


@pytest.mark.both_engines
def test_a_withdrawn_list_gives_way_to_the_next_that_fits(engine: Engine) -> None:
    lab = a_lab(engine)
    everywhere = in_force(lab, LOCKED)
    re_torque = in_force(lab, LOCKED, act=SafeAct.RE_TORQUE)
    assert set(lists_of(lab)) == {SafeAct.OPENING, SafeAct.RE_TORQUE}

    withdrawn(lab, everywhere)
    with pytest.raises(Question, match="re-torque would have no list") as asked:
        withdrawn(lab, re_torque)
    withdrawn(lab, re_torque, leaves_none=LeavesNone.YES)

    assert asked.value.key == "leaves_none"
    assert lists_of(lab) == {SafeAct.OPENING: OF_DESIGN}
    with pytest.raises(Refused, match="none of it is in force"):
        withdrawn(lab, re_torque)


def test_a_withdrawal_that_leaves_none_by_its_approval_is_refused(engine: Engine) -> None:
    lab = a_lab(engine)
    everywhere = in_force(lab, LOCKED, act=SafeAct.LEAK_TEST)
    at_bench = in_force(lab, LOCKED, act=SafeAct.LEAK_TEST, place="bench 2")
    writer = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    waiting = lab.do(withdraw_list, at_bench, reason="no longer ours", by=writer)
    withdrawn(lab, everywhere, leaves_none=LeavesNone.YES)

    with pytest.raises(Refused, match="no list there by now"):
        put_in_force(engine, waiting, lab.now)


def test_a_stack_whose_design_has_no_checklist_is_opened_by_a_list_or_an_exception(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    with Session(engine) as session:
        triggers().lift(session.connection())
        session.execute(delete(ChecklistLine))
        triggers().lay(session.connection())
        session.commit()
    record = lab.begin()

    with pytest.raises(Refused, match="no make-safe list for the opening was in force"):
        open_it(record)
    record.do(record_exception, reason="the list waits for its approval")
    open_it(record)

    assert record.record.opened_at is not None


def test_a_line_in_percent_by_volume_names_the_kind_it_means(engine: Engine) -> None:
    lab = a_lab(engine)

    with pytest.raises(RefusedTogether) as refused:
        a_list(lab, LOCKED, replace(HYDROGEN, instrument_kind=None))

    (line,) = refused.value.refusals
    assert (line.field, line.right_would_be) == (
        "line_2_instrument_kind",
        "A gas detector or oxygen monitor.",
    )
