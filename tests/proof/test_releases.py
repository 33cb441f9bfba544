"""The gate to hydrogen: what keeps it shut, who may open it, what ends a release."""

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve
from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.closing.changes.torque import read_torque
from service.limits.arithmetic.figures import ShortFigures
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.canonical import sha256_of
from service.platform.arithmetic.vocabulary import Kind, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.proof.changes.releases import release_build
from service.proof.queries.releases import Gate, gate
from service.proof.tables import BuildRelease, StackTest
from service.records.changes.bench_opening import open_stack
from service.records.changes.make_safe import record_exception
from service.records.tables import RecordKind, Step
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import stack_list
from service.stacks.tables import Build
from service.store.changes.holds import Subject, give_concession, place_hold
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import known
from tests.closing.closings import put_limits_in_force
from tests.proof.stack_testing import FIGURES, ClosedStack, a_closed_stack, later

GATE_STATEMENTS = 12


def the_build(stack: ClosedStack) -> int:
    """The present build of the stack."""
    return stack.lab.rows(lambda s: s.scalars(select(Build.id).order_by(Build.id.desc())).first())


def at_the_gate(stack: ClosedStack) -> Gate:
    """What stands at the gate."""
    with reading(stack.lab.engine) as session:
        return gate(session, the_build(stack))


def a_supervisor(stack: ClosedStack) -> Person:
    """Somebody who had no part in anything."""
    return stack.lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))


def approved(stack: ClosedStack) -> None:
    """Hand the record in and approve it."""
    stack.bench.do(hand_in)
    later(stack, hours=1)
    stack.lab.do(
        approve,
        stack.bench.number,
        content_sha256=stack.bench.record.content_sha256,
        password=builders.PASSWORD,
        by=a_supervisor(stack),
    )
    later(stack, hours=1)


def released(stack: ClosedStack, **facts: Any) -> int:
    """Release the build, the set points acknowledged."""
    given = {
        "set_points_sha256": at_the_gate(stack).set_points_sha256,
        "password": builders.PASSWORD,
        "by": facts.pop("by", None) or a_supervisor(stack),
    }
    return stack.lab.do(release_build, the_build(stack), **(given | facts))


def ready(engine: Engine) -> ClosedStack:
    """A stack with every test passed and its records approved."""
    stack = a_closed_stack(engine)
    stack.all()
    later(stack)
    approved(stack)
    return stack


def state_of(stack: ClosedStack) -> str:
    """The stack's state in the list."""
    with reading(stack.lab.engine) as session:
        (row,) = stack_list(session).rows
        (build,) = builds_of(session, stack.lab.stack_id)
    assert row.state == build.state
    return row.state


@pytest.mark.both_engines
def test_a_build_with_every_verdict_is_released_once_its_set_points_are_read(
    engine: Engine,
) -> None:
    stack = ready(engine)
    assert at_the_gate(stack).shut == ()
    assert state_of(stack) == "not released"

    key = released(stack)

    assert state_of(stack) == "released"
    found = at_the_gate(stack)
    assert found.release is not None
    assert (found.release.id, found.release.holds, found.release.limit_version) == (key, True, 1)
    with Session(engine) as session:
        row = session.get_one(BuildRelease, key)
        content = json.loads(row.content)
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
    assert sha256_of(row.content) == row.content_sha256
    assert [one["verdict"] for one in content["verdicts"]] == ["pass"] * 11
    assert content["set_points"]["cells"] == 2
    assert {one["record"] for one in content["records"]} == {1, 2}
    assert entry is not None
    assert (entry.act, entry.subject_label) == ("build:released", "TARN-001 build 1")


def test_the_set_points_of_two_cells_are_those_of_the_figures(engine: Engine) -> None:
    """60 A, stoichiometry 1.5: 2 × 60 × 6.969 mL/min × 1.5 of hydrogen (Faraday's law)."""
    asked = at_the_gate(a_closed_stack(engine)).set_points

    assert asked is not None
    lines = {one.name: (one.value, one.unit) for one in asked.lines}
    assert lines["hydrogen at 0 °C, 101.325 kPa"] == ("1.254", "L/min")
    assert lines["rated stack voltage"] == ("1.3", "V")
    assert lines["power at the rated voltage"] == ("78", "W")


def test_every_reason_that_keeps_the_gate_shut_is_told(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    for set_up in (1, 2, 3, 5):
        stack.leak(set_up)
    stack.leak(4, end_pressure="10 kPa")
    stack.insulation()
    stack.shorts("40", "0.5")

    shut = at_the_gate(stack).shut

    assert "Leak anode to outside: failed." in shut
    assert "Shorts of cells: failed." in shut
    wet = "Insulation tie rods to plates, with coolant: not tested, or no limit was in force."
    assert wet in shut
    told = "Record 2 tells what was done to this build and is not approved: it is open."
    assert shut[-1] == told
    with pytest.raises(Refused, match=r"not ready for release\. Leak anode to outside: failed"):
        released(stack)


@pytest.mark.both_engines
def test_without_limits_in_force_the_gate_stays_shut(engine: Engine) -> None:
    stack = a_closed_stack(engine, figures=None)

    assert at_the_gate(stack).shut[0] == "No figures and limits of the design are in force."


def test_without_figures_of_the_operation_there_is_nothing_to_acknowledge(engine: Engine) -> None:
    stack = a_closed_stack(engine, figures=replace(FIGURES, operation=None))

    assert at_the_gate(stack).shut[-1].startswith("No set points can be computed for this build")


def test_the_record_that_made_the_build_must_be_approved(engine: Engine) -> None:
    stack = a_closed_stack(engine, in_a_second_build=True)
    stack.all()

    assert at_the_gate(stack).shut[0] == "The record that made this build is not approved."


def test_a_record_changed_behind_the_program_keeps_the_gate_shut(engine: Engine) -> None:
    stack = ready(engine)
    with engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(update(Step).where(Step.record_id == 2).values(note="all is well"))

    assert at_the_gate(stack).shut == ("The content of record 2 is no longer what was handed in.",)


def test_a_test_changed_behind_the_program_keeps_the_gate_shut(engine: Engine) -> None:
    """What a test gave is part of its record's content."""
    stack = ready(engine)
    with engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(update(StackTest).values(formula="leak test 3"))

    assert at_the_gate(stack).shut == ("The content of record 2 is no longer what was handed in.",)


@pytest.mark.both_engines
def test_a_part_held_since_hand_in_keeps_the_gate_shut_until_somebody_concedes(
    engine: Engine,
) -> None:
    """It was right as it was put on. Whoever concedes its use does not release the build."""
    stack = ready(engine)
    lab = stack.lab
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY, Role.SUPERVISOR)))
    mea = next(layer for layer in stack.bench.pile.layers if layer.kind is Kind.MEA)
    lab.do(place_hold, Subject(mea.part), reason="a sister tore", by=quality)

    (sentence,) = at_the_gate(stack).shut
    with pytest.raises(Refused, match="a sister tore"):
        released(stack)
    later(stack)
    given = lab.do(give_concession, Subject(mea.part), reason="half load only", by=quality)

    assert sentence.startswith(f"MEA {mea.label}: It is on hold since ")
    assert sentence.endswith(": a sister tore. Lift the hold, or have a concession given.")
    assert at_the_gate(stack).shut == ()
    (conceded,) = at_the_gate(stack).conceded
    assert conceded.endswith(": a sister tore. A concession allows it.")
    with pytest.raises(NotAllowed, match="gave a concession"):
        released(stack, by=quality)
    made = lab.get(BuildRelease, released(stack))
    assert json.loads(made.content)["concessions"] == [given]


def test_a_lot_on_hold_names_some_of_its_parts_at_the_gate(engine: Engine) -> None:
    stack = ready(engine)
    gasket = next(layer for layer in stack.bench.pile.layers if layer.kind is Kind.GASKET)
    lot_id = stack.lab.get(Part, gasket.part).lot_id
    stack.lab.do(place_hold, Subject(lot_id=lot_id), reason="recalled by its maker")

    (sentence,) = at_the_gate(stack).shut

    assert sentence.count("gasket ") == 3
    assert ": Its lot " in sentence


def test_who_had_a_part_in_the_records_does_not_release(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    tester = stack.lab.rows(lambda s: known(s, builders.a_person(s, Role.BUILDER, Role.SUPERVISOR)))
    stack.all()
    stack.leak(1, by=tester)
    later(stack)
    approved(stack)

    with pytest.raises(NotAllowed, match="You worked on this"):
        released(stack, by=tester)
    with pytest.raises(NotAllowed, match="needs the role supervisor"):
        released(stack, by=stack.lab.witness)
    released(stack)


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"set_points_sha256": ""}, "acknowledged", "set points for 2 cells are not acknowledged"),
        ({"set_points_sha256": "0" * 64}, "acknowledged", "others than those you were shown"),
        ({"password": "green"}, "password", "not your password"),
        ({"password": ""}, "password", "asks for your password"),
    ],
)
def test_a_release_is_refused(
    engine: Engine, given: dict[str, str], field: str, words: str
) -> None:
    stack = ready(engine)

    with pytest.raises(Refused, match=words) as refused:
        released(stack, **given)

    assert refused.value.field == field
    assert at_the_gate(stack).releases == ()


def test_a_released_build_is_not_released_twice(engine: Engine) -> None:
    stack = ready(engine)
    released(stack)

    with pytest.raises(Refused, match="released already"):
        released(stack)


def test_there_is_no_gate_of_a_build_nobody_made(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(NotFound):
        stack.lab.do(release_build, 99, set_points_sha256="", password="x")


def re_torque(stack: ClosedStack, *, in_a_new_record: bool = True, **reading: Any) -> None:
    """Turn one nut in a record of its own."""
    if in_a_new_record:
        stack.bench = stack.lab.begin(RecordKind.RE_TORQUE, performed_from=stack.lab.now)
    facts = {"pass_number": 1, "torque_nm": 9.0} | reading
    stack.bench.do(
        read_torque,
        rod_number=1,
        stage=Stage.CLOSING,
        kind=ReadingKind.SET,
        instrument_id=stack.lab.driver_id,
        **facts,
    )
    later(stack)


def test_a_re_torque_ends_the_release_and_its_undoing_restores_it(engine: Engine) -> None:
    stack = ready(engine)
    released(stack)
    later(stack)

    re_torque(stack)

    assert state_of(stack) == "not released"
    found = at_the_gate(stack)
    assert found.release is None
    assert len(found.releases) == 1
    assert found.shut[0] == ("Leak anode to outside: test again (re-torqued in record 3 since).")
    stack.bench.do(undo_last)
    assert state_of(stack) == "released"


def test_a_re_torque_told_late_ends_a_release_given_meanwhile(engine: Engine) -> None:
    """Done before the release, written down after: nobody who released knew of it."""
    stack = ready(engine)
    stack.bench = stack.lab.begin(RecordKind.RE_TORQUE, performed_from=stack.lab.now)
    done_at = stack.lab.now
    later(stack, hours=1)
    released(stack)
    later(stack, hours=1)

    stack.bench.do(
        read_torque,
        rod_number=1,
        pass_number=1,
        stage=Stage.CLOSING,
        kind=ReadingKind.SET,
        torque_nm=9.0,
        instrument_id=stack.lab.driver_id,
        taken_at=done_at,
    )

    assert state_of(stack) == "not released"


def test_a_retest_that_fails_ends_the_release(engine: Engine) -> None:
    stack = ready(engine)
    released(stack)
    later(stack)
    stack.bench = stack.lab.begin(RecordKind.INSPECTION, performed_from=stack.lab.now)

    stack.leak(2)
    assert state_of(stack) == "released"
    stack.leak(2, end_pressure="20 kPa")
    assert state_of(stack) == "not released"


def test_an_opening_ends_the_release_and_the_build_keeps_that_it_had_one(engine: Engine) -> None:
    stack = ready(engine)
    released(stack)
    later(stack)
    build_id = the_build(stack)
    stack.bench = stack.lab.begin(RecordKind.REBUILD, performed_from=stack.lab.now)

    stack.bench.do(record_exception, reason="the checklist hangs in the other room")
    stack.bench.do(open_stack, opened_at=None, hours=120.0)

    with reading(engine) as session:
        found = gate(session, build_id)
        (row,) = stack_list(session).rows
    assert row.state == "open"
    assert found.release is None
    told = "Leak anode to outside: test again (opened in record 3 since)."
    assert told in found.shut


def test_a_release_is_never_changed(engine: Engine) -> None:
    stack = ready(engine)
    key = released(stack)

    with Session(engine) as session, pytest.raises(DBAPIError, match="never changed"):
        session.execute(update(BuildRelease).where(BuildRelease.id == key).values(content="{}"))


def test_stricter_limits_do_not_change_a_verdict_but_are_told_beside_it(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.shorts("14", "15")
    with Session(engine) as session:
        put_limits_in_force(
            session, stack.design_id, replace(FIGURES, shorts=ShortFigures(least_ohm_cm2=2000.0))
        )
        session.commit()

    (line,) = [one for one in at_the_gate(stack).lines if one.what == "shorts of cells"]

    assert (line.verdict, line.today, line.limit_version) == ("pass", "fail", 1)
    assert line.would_fail_today


@pytest.mark.parametrize("cells", [2, 8])
def test_the_gate_asks_as_many_questions_of_a_high_stack_as_of_a_low_one(
    engine: Engine, cells: int, statements: Any
) -> None:
    stack = a_closed_stack(engine, cells)
    stack.all()
    stack.leak(2)

    with statements() as seen:
        at_the_gate(stack)

    assert len(seen) == 1 + GATE_STATEMENTS  # the first is that of `the_build`


def test_the_list_of_stacks_costs_no_more_for_released_ones(
    engine: Engine, statements: Any
) -> None:
    stack = ready(engine)
    with statements() as before, reading(engine) as session:
        stack_list(session)
    released(stack)
    with statements() as after, reading(engine) as session:
        stack_list(session)

    assert len(before) == len(after)


def test_times_of_releases_are_in_order(engine: Engine) -> None:
    """The newest stands; the ones before stay."""
    stack = ready(engine)
    released(stack)
    later(stack)
    re_torque(stack)
    stack.all()
    later(stack)
    approved(stack)
    stack.lab.now += timedelta(hours=1)
    second = released(stack)

    assert [one.stands for one in at_the_gate(stack).releases] == [True, False]
    assert at_the_gate(stack).releases[0].id == second
