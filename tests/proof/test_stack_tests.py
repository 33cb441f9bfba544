"""Tests of a closed stack as entries: what is kept, refused, undone, and what they are worth."""

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.closing.changes.torque import read_torque
from service.closing.queries.build_torques import checks_asked
from service.people.tables import Role
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import Refused, Stale
from service.proof.arithmetic.electrical_tests import InsulationTest, ShortCheck
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.with_the_error import Still
from service.proof.changes.stack_tests import record_insulation_test, record_leak_test
from service.proof.queries.build_verdicts import (
    VerdictLine,
    verdict_lines,
    verdicts_of_build,
    verdicts_of_head,
)
from service.proof.queries.instrument_uses import assessment
from service.proof.queries.stack_tests import MadeTest, made_in_record
from service.proof.tables import StackTest
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import verify
from service.records.queries.entries import entries_of
from service.records.queries.records import record_head
from service.records.tables import RecordKind, RecordPerson, Step, StepKind
from service.stacks.tables import Build
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.queries.instruments import instrument
from service.store.tables import Calibration, Concession, Hold
from tests import builders
from tests.bench.at_the_bench import NOW, WORK_BEGAN, what_is_missing
from tests.proof.stack_testing import DECAY, DRY, WET, ClosedStack, a_closed_stack, later

RECORD_STATEMENTS, BUILD_STATEMENTS = 1, 6


def made(stack: ClosedStack) -> tuple[MadeTest, ...]:
    """The tests of the record."""
    with reading(stack.lab.engine) as session:
        return made_in_record(session, stack.bench.number)


def lines(stack: ClosedStack) -> dict[str, VerdictLine]:
    """The verdicts of the closed stack by what they are of."""
    with reading(stack.lab.engine) as session:
        closed = verdicts_of_head(session, record_head(session, stack.bench.number))
    assert closed is not None
    return {line.what: line for line in verdict_lines(closed)}


def remarks(stack: ClosedStack) -> list[str]:
    """What the tests leave open at hand-in."""
    with reading(stack.lab.engine) as session:
        found = what_is_missing(session, stack.bench.number)
    assert all(one.severity == "remark" for one in found if one.anchor == "tests")
    return [one.sentence for one in found if one.anchor == "tests"]


# What is kept


@pytest.mark.both_engines
def test_a_leak_test_keeps_what_was_set_read_and_computed(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    stack.leak(4, arrived={"cathode": "0.3 cm³/min"}, start_pressure="0.504 bar", note="again")

    (one,) = made(stack)
    assert isinstance(one.test, LeakTest)
    assert isinstance(one.result, LeakResult)
    assert one.test.start_pressure_kpa == pytest.approx(50.4)
    assert (one.test.gas, one.test.cells, one.test.duration_min) == ("nitrogen", 2, 30.0)
    assert one.test.arrived[0].flow_ml_min == pytest.approx(0.3)
    assert one.test.gauge_step_kpa == 0.01
    assert (one.verdict, one.limits, one.note) == ("undecided", "version 1", "again")
    assert one.formula == "leak test 2, tightness 1"
    assert [(tool.kind, bool(tool.certificate)) for tool in one.tools] == [
        ("pressure gauge", True),
        ("thermometer", True),
        ("flow meter", True),
    ]
    with Session(engine) as session:
        row = session.scalars(select(StackTest)).one()
        named = session.scalars(select(RecordPerson.person_id)).all()
    assert json.loads(row.content)["form"] == "leak test 1"
    assert stack.lab.builder.id in named


def test_a_rate_below_what_the_method_sees_is_told_as_such_and_never_as_none(
    engine: Engine,
) -> None:
    stack = a_closed_stack(engine)

    stack.leak(2)

    value = lines(stack)["leak anode to outside"].value
    assert value.startswith("below detection, which is 0.00")


def test_leaks_read_with_a_flow_meter_need_no_end_of_a_decay(engine: Engine) -> None:
    """2 mL/min at 0 °C are 2 / 55.2 = 0.036 mbar·L/s of gas at 20 °C."""
    stack = a_closed_stack(engine)
    typed = {name: value for name, value in DECAY.items() if not name.startswith(("end", "dur"))}

    stack.bench.do(
        record_leak_test,
        typed=typed | {"set_up": "4", "method": "flow meter", "flow": "2 mL/min"},
        instrument_id=stack.tools.gauge,
        thermometer_id=stack.tools.thermometer,
        meter_id=stack.tools.meter,
    )

    (one,) = made(stack)
    assert isinstance(one.result, LeakResult)
    assert one.result.lost.in_mbar_l_s.value == pytest.approx(0.0363, rel=0.01)


def test_insulation_is_kept_by_place_and_condition(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    stack.insulation(DRY)
    stack.insulation(WET)

    dry, wet = made(stack)
    assert isinstance(dry.test, InsulationTest)
    assert [one.over_range for one in dry.test.readings] == [True, False]
    found = lines(stack)
    assert found["insulation tie rods to plates, dry"].value == "more than 2000\u2009MΩ"
    assert found["insulation plates to ground, with coolant"].limit == "at least 0.246\u2009kΩ"
    assert {line.verdict for what, line in found.items() if "insul" in what} == {Verdict.PASS}
    assert wet.what == "with coolant"


def test_a_short_check_takes_one_pasted_list(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    stack.shorts("41 Ω\n0.5")

    (one,) = made(stack)
    assert isinstance(one.test, ShortCheck)
    assert one.test.values == (41.0, 0.5)
    assert lines(stack)["shorts of cells"].value == "shorted: cell 2"


def test_a_failed_attempt_stays_and_the_retest_counts(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    stack.leak(4, end_pressure="10 kPa")
    later(stack)
    stack.leak(4)

    assert [one.verdict for one in made(stack)] == ["fail", "pass"]
    assert lines(stack)["leak anode to outside"].verdict is Verdict.PASS


def test_an_undone_test_stays_in_the_record_and_counts_no_longer(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(4)

    stack.bench.do(undo_last)

    (one,) = made(stack)
    assert not one.stands
    assert lines(stack)["leak anode to outside"].verdict is None
    with reading(engine) as session:
        (entry,) = entries_of(session, stack.bench.number)
    assert entry.in_words == "leak test: pass"


def test_without_limits_in_force_a_test_is_kept_undecided(engine: Engine) -> None:
    stack = a_closed_stack(engine, figures=None)

    stack.leak(4, volume="0.44 L")

    (one,) = made(stack)
    assert (one.verdict, one.limits) == ("undecided", "no limits in force")
    assert lines(stack) == {}


# What is refused

REFUSED_LEAKS = [
    ({"set_up": "7"}, "set_up", "Right would be 1, 2, 3, 4, 5"),
    ({"gas": "steam"}, "gas", "Right would be nitrogen, helium"),
    ({"zero": ""}, "zero", "gauge or absolute"),
    ({"zero": "absolute"}, "start_pressure", "50.4 kPa gauge would be 151.7 kPa absolute"),
    ({"start_pressure": "50.4 kPa abs"}, "start_pressure", "gauge as chosen"),
    ({"start_pressure": ""}, "start_pressure", "is not given"),
    ({"start_pressure": "-3"}, "start_pressure", "more than zero"),
    ({"start_temperature": "295.5"}, "start_temperature", "295.5 K would be 22.35 °C"),
    ({"end_temperature": "warm"}, "end_temperature", "a number such as"),
    ({"barometer": ""}, "barometer", "air pressure of the hour"),
    ({"barometer": "1013"}, "barometer", "50 to 110 kPa"),
    ({"duration": "0"}, "duration", "more than zero"),
    ({"duration": ""}, "duration", "a number in min"),
    ({"volume": "-1"}, "volume", "more than zero"),
    ({"volume_percent": "much"}, "volume_percent", "such as 3"),
    ({"arrived_anode": "1"}, "arrived_anode", "cathode, coolant"),
    ({"arrived_cathode": "50"}, "arrived_cathode", "full scale"),
]


@pytest.mark.parametrize(("given", "field", "words"), REFUSED_LEAKS)
def test_a_leak_test_that_cannot_be_is_refused_beside_its_field(
    engine: Engine, given: dict[str, str], field: str, words: str
) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Refused) as refused:
        stack.leak(int(given.get("set_up", 4)), **{n: v for n, v in given.items() if n != "set_up"})

    assert words in str(refused.value)
    assert refused.value.field == field
    assert made(stack) == ()


def test_the_volume_is_asked_for_where_nobody_knows_it(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Refused, match="neither given, nor by the figures") as refused:
        stack.leak(1, volume="")

    assert refused.value.field == "volume"


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"cells_bonded": ""}, "cells_bonded", "were not bonded together"),
        ({"no_hydrogen": ""}, "no_hydrogen", "Hydrogen is in the stack"),
        ({"test_voltage": "2 V"}, "test_voltage", "the working voltage, 2.46 V, or more"),
        ({"test_voltage": ""}, "test_voltage", "is not given"),
        ({"condition": "wet"}, "condition", "dry, with coolant"),
        ({"rods_plates_resistance": "-1"}, "rods_plates_resistance", "zero or more"),
        (
            {"rods_plates_resistance": "", "plates_ground_resistance": ""},
            "rods_plates_resistance",
            "one reading at least",
        ),
    ],
)
def test_an_insulation_test_that_must_not_be_is_refused(
    engine: Engine, given: dict[str, str], field: str, words: str
) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Refused) as refused:
        stack.insulation(DRY | given)

    assert words in str(refused.value)
    assert refused.value.field == field


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (("40", "39", "41"), "up to 2, one a cell"),
        (("40", "much"), "cell 2"),
        (("-4", "40"), "the resistance of cell 1"),
        (("", "-"), "No cell was measured"),
    ],
)
def test_a_short_check_that_cannot_be_is_refused(
    engine: Engine, values: tuple[str, ...], words: str
) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Refused) as refused:
        stack.shorts(*values)

    assert words in str(refused.value)
    assert refused.value.field == "values"


def test_an_open_stack_is_not_tested(engine: Engine) -> None:
    stack = a_closed_stack(engine, kind=RecordKind.REBUILD)
    stack.bench.open()

    with pytest.raises(Refused, match="stands open"):
        stack.leak(4)


def test_a_stack_never_closed_is_not_tested(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    empty = stack.lab.rows(lambda s: builders.a_stack(s, serial="TARN-9"))
    stack.bench = stack.lab.begin(RecordKind.FIRST_BUILD, stack_id=empty.id)

    with pytest.raises(Refused, match="is not closed yet"):
        stack.leak(4)


def test_a_test_lies_between_the_closing_and_now(engine: Engine) -> None:
    stack = a_closed_stack(engine, kind=RecordKind.REBUILD)
    stack.bench.open()
    stack.bench.lift(End.FREE)
    stack.bench.do(undo_last)
    stack.bench.do(close_stack, closed_at=NOW - timedelta(minutes=30))

    with pytest.raises(Refused, match="the stack was closed later") as refused:
        stack.leak(4, done_at=NOW - timedelta(minutes=45))
    assert refused.value.field == "done_at"
    with pytest.raises(Refused, match="still to come"):
        stack.leak(4, done_at=NOW + timedelta(hours=1))
    stack.leak(4, done_at=NOW - timedelta(minutes=15))


def test_somebody_elses_entry_makes_a_form_stale(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    seen = stack.bench.record.version
    stack.shorts()

    with pytest.raises(Stale):
        stack.bench.do(
            record_insulation_test,
            seen,
            typed=DRY,
            instrument_id=stack.tools.tester,
        )


# Instruments


@pytest.mark.parametrize(
    ("tool", "of", "words"),
    [
        ("thermometer", "instrument_id", "A pressure gauge would be right"),
        ("gauge", "thermometer_id", "A thermometer would be right"),
        ("tester", "meter_id", "A flow meter would be right"),
    ],
)
def test_each_instrument_is_of_its_kind(engine: Engine, tool: str, of: str, words: str) -> None:
    stack = a_closed_stack(engine)
    tools = {
        "instrument_id": stack.tools.gauge,
        "thermometer_id": stack.tools.thermometer,
        "meter_id": stack.tools.meter,
    } | {of: getattr(stack.tools, tool)}

    with pytest.raises(Refused, match=words) as refused:
        stack.bench.do(
            record_leak_test,
            typed=DECAY | {"set_up": "4", "arrived_cathode": "0"},
            **tools,
        )

    assert refused.value.field == of


def test_a_held_instrument_needs_a_concession_which_undoing_gives_back(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    def hold(session: Session) -> Concession:
        quality = builders.a_person(session, Role.QUALITY)
        session.add(
            Hold(
                instrument_id=stack.tools.thermometer,
                reason="fell down",
                placed_by_id=quality.id,
                placed_at=WORK_BEGAN,
            )
        )
        return Concession(
            reason="compared",
            given_by_id=quality.id,
            given_at=WORK_BEGAN,
            instrument_id=stack.tools.thermometer,
        )

    given = stack.lab.rows(hold)
    with pytest.raises(Refused, match="fell down") as refused:
        stack.leak(2)
    assert refused.value.field == "thermometer_id"

    stack.lab.rows(lambda s: s.add(given))
    stack.leak(2)
    stack.leak(3)
    stack.bench.do(undo_last)
    assert stack.lab.get(Concession, given.id).used_in_record_id == stack.bench.number
    stack.bench.do(undo_last)
    assert stack.lab.get(Concession, given.id).used_in_record_id is None


@pytest.mark.both_engines
def test_tests_read_with_an_instrument_found_out_are_in_doubt(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(2)
    later(stack, hours=2)
    stack.lab.rows(
        lambda s: s.add(
            Calibration(
                instrument_id=stack.tools.thermometer,
                done_at=stack.lab.now,
                due_at=stack.lab.now + timedelta(days=365),
                certificate="T-2",
                result=CalibrationResult.OUT_OF_TOLERANCE,
                written_by_id=stack.lab.builder.id,
                written_at=stack.lab.now,
            )
        )
    )

    with reading(engine) as session:
        finding = session.scalars(select(Calibration.id).order_by(Calibration.id.desc())).first()
        (build,) = assessment(session, stack.tools.thermometer, finding).builds
        assert instrument(session, stack.tools.thermometer).readings == 1
    (use,) = build.uses
    assert (use.what, use.shown, use.still) == ("leak test", "pass", Still.CANNOT_TELL)


# What it is worth now


def read_a_nut(stack: ClosedStack) -> None:
    """Turn one nut."""
    stack.bench.do(
        read_torque,
        rod_number=1,
        pass_number=3,
        stage=Stage.CLOSING,
        kind=ReadingKind.SET,
        torque_nm=9.0,
        instrument_id=stack.lab.driver_id,
    )


def test_a_re_torque_makes_every_verdict_test_again(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.all()
    later(stack)
    read_a_nut(stack)

    found = lines(stack)

    assert {line.now for line in found.values()} == {Verdict.TEST_AGAIN}
    assert {line.verdict for line in found.values()} == {Verdict.PASS}
    assert {line.outdated_by for line in found.values()} == {"re-torqued in record 2"}


def test_a_retest_after_the_re_torque_counts_alone(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(4)
    stack.leak(5)
    later(stack)
    read_a_nut(stack)
    later(stack)
    stack.leak(4)

    found = lines(stack)

    assert found["leak anode to outside"].now is Verdict.PASS
    assert found["leak cathode to outside"].now is Verdict.TEST_AGAIN
    assert found["leak between anode and cathode"].now is Verdict.PASS


def test_an_exchanged_fixing_makes_a_verdict_test_again(engine: Engine) -> None:
    """Entered by another program: at the bench a closed stack gets no other fixing."""
    stack = a_closed_stack(engine)
    stack.shorts()
    later(stack)
    stack.lab.rows(
        lambda s: s.add(
            Step(
                record_id=stack.bench.number,
                sequence=2,
                kind=StepKind.FIXING_REMOVED,
                rod_number=1,
                standing=False,
                done_at=stack.lab.now,
                written_at=stack.lab.now,
                by_id=stack.lab.builder.id,
            )
        )
    )

    assert lines(stack)["shorts of cells"].outdated_by == "part exchanged in record 2"


def test_tests_of_an_inspection_are_those_of_the_build_it_found(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(4)
    build_id = stack.lab.rows(lambda s: s.scalars(select(Build.id)).one())

    with reading(engine) as session:
        closed = verdicts_of_build(session, build_id)

    assert [one.made.record_id for one in closed.tests] == [stack.bench.number]
    assert closed.together.hints == ()


def test_tests_before_an_opening_are_no_tests_of_the_next_build(engine: Engine) -> None:
    stack = a_closed_stack(engine, kind=RecordKind.REBUILD)
    stack.leak(4, done_at=WORK_BEGAN + timedelta(minutes=5))
    stack.bench.open()
    stack.bench.do(close_stack, closed_at=NOW - timedelta(minutes=30))

    assert lines(stack)["leak anode to outside"].verdict is None


def test_gas_in_the_coolant_points_to_plates_or_gaskets(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(4, arrived={"coolant": "1 mL/min"}, end_pressure="50.2 kPa")

    with reading(engine) as session:
        closed = verdicts_of_head(session, record_head(session, stack.bench.number))

    assert closed is not None
    assert any("between anode and coolant" in hint for hint in closed.together.hints)


# The record


def test_what_tests_leave_open_is_remarked_at_hand_in(engine: Engine) -> None:
    stack = a_closed_stack(engine, kind=RecordKind.REBUILD)
    stack.bench.open()
    stack.bench.do(close_stack, closed_at=NOW - timedelta(minutes=30))
    wanted = (
        "leak anode to outside",
        "leak cathode to outside",
        "leak coolant to outside",
        "leak between anode and cathode",
        "leak between anode and coolant",
        "leak between cathode and coolant",
        "insulation tie rods to plates, dry",
        "insulation tie rods to plates, with coolant",
        "insulation plates to ground, dry",
        "insulation plates to ground, with coolant",
        "shorts of cells",
    )
    assert remarks(stack) == [f"Not tested: {what}." for what in wanted]

    stack.all()
    assert remarks(stack) == []

    stack.shorts("40", "0.5")
    assert remarks(stack) == ["Failed, the gate to hydrogen stays shut: shorts of cells."]


def test_an_inspection_is_not_told_what_it_did_not_test(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    assert remarks(stack) == []

    stack.shorts()
    later(stack)
    read_a_nut(stack)

    assert remarks(stack) == ["Repeat these tests (re-torqued in record 2 since): shorts of cells."]


def test_the_tests_of_insulation_and_shorts_stand_for_the_check_of_the_closing(
    engine: Engine,
) -> None:
    stack = a_closed_stack(engine)
    stack.insulation()
    with reading(engine) as session:
        before = checks_asked(entries_of(session, stack.bench.number), [1])
    stack.shorts()
    with reading(engine) as session:
        after = checks_asked(entries_of(session, stack.bench.number), [1])

    assert [one.is_done for one in before] == [False] * 4
    assert [one.is_done for one in after] == [False, False, False, True]


def test_the_content_of_a_record_holds_its_tests(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.leak(4)
    stack.shorts()
    stack.bench.do(undo_last)
    later(stack)

    stack.bench.do(hand_in)

    content = json.loads(stack.bench.record.content or "")
    assert [test["entry"] for test in content["stack_tests"]] == [1, 2]
    first = content["stack_tests"][0]
    assert (first["verdict"], first["limit_set"]) == ("pass", 1)
    assert first["test"]["gas"] == "nitrogen"
    assert first["result"]["lost"]["seen"] == "below detection"
    assert str(first["flow_meter"]) in content["instruments"]
    with reading(engine) as session:
        assert verify(session, [stack.bench.number])[stack.bench.number].holds


def test_a_record_without_tests_says_nothing_of_them(engine: Engine) -> None:
    """So what was signed before there were tests stays what it was."""
    stack = a_closed_stack(engine)
    stack.bench.do(hand_in)

    assert "stack_tests" not in json.loads(stack.bench.record.content or "")


@pytest.mark.parametrize("cells", [2, 8])
def test_a_record_and_a_build_cost_the_same_however_much_was_tested(
    engine: Engine, cells: int, statements: Any
) -> None:
    stack = a_closed_stack(engine, cells)
    for _ in range(cells):
        stack.all()
    build_id = stack.lab.rows(lambda s: s.scalars(select(Build.id)).one())

    with statements() as of_record, reading(engine) as session:
        made_in_record(session, stack.bench.number)
    with statements() as of_build, reading(engine) as session:
        verdict_lines(verdicts_of_build(session, build_id))

    assert len(of_record) == RECORD_STATEMENTS
    assert len(of_build) == BUILD_STATEMENTS
