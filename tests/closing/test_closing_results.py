"""What a closing gave is kept at hand-in, signed with the record, and never changes."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.approvals import send_back, take_up
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import note_finding
from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.outcome import outcome_as_data
from service.closing.changes.torque import read_torque
from service.closing.queries.closing_results import KeptResult, kept_result, kept_results
from service.closing.tables import ClosingResult
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.canonical import sha256_of
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands
from service.records.queries.content import verify
from service.records.tables import RebuildRecord, RecordKind
from service.stacks.tables import Stack
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Bench, Lab, a_lab, known
from tests.closing.closings import give_stiffness, put_limits_in_force


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A stack of two cells, its part types' stiffness known, limits in force."""
    lab = a_lab(engine)
    lab.rows(give_stiffness)
    lab.rows(lambda session: put_limits_in_force(session, design_of(session, lab)))
    return lab


def design_of(session: Session, lab: Lab) -> int:
    return session.get_one(Stack, lab.stack_id).design_id


AS_SETTLED = {"stands": Stands.STANDS, "outside_because": "as it had settled"}


def read(record: Bench, torques_nm: tuple[float, ...], number: int = 3) -> None:
    for rod, torque_nm in enumerate(torques_nm, 1):
        record.do(
            read_torque,
            rod_number=rod,
            pass_number=number,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            torque_nm=torque_nm,
            instrument_id=record.lab.driver_id,
            **AS_SETTLED if number == 1 else {},
        )


def closed(lab: Lab, torques_nm: tuple[float, ...] = (9.1, 8.8, 9.0, 9.2)) -> Bench:
    """A record of that stack: opened, closed again, every nut read."""
    record = lab.begin()
    record.open()
    read(record, torques_nm)
    record.do(close_stack, closed_at=lab.now)
    return record


def kept(lab: Lab, record: Bench) -> KeptResult | None:
    with Session(lab.engine) as session:
        return kept_result(session, record.number)


def document(record: Bench) -> Any:
    return json.loads(record.record.content or "")


def test_hand_in_keeps_inputs_and_results_with_the_limits_they_hold(lab: Lab) -> None:
    record = closed(lab)

    record.do(hand_in)
    found = kept(lab, record)

    assert found is not None
    assert found.holds
    assert (found.limit_version, found.formulas) == (1, ", ".join(FORMULAS))
    assert found.outcome.rods_read == 4
    assert found.outcome.closed is not None
    assert found.outcome.map is not None
    assert found.outcome.verdict is not None
    assert outcome_as_data(closing(found.inputs)) == json.loads(found.results_text)


def test_the_record_names_the_result_that_was_signed(lab: Lab) -> None:
    record = closed(lab)

    record.do(hand_in)
    found = kept(lab, record)

    assert found is not None
    assert document(record)["closing_result"] == {
        "formulas": ", ".join(FORMULAS),
        "limit_set": 1,
        "inputs_sha256": sha256_of(found.inputs_text),
        "results_sha256": sha256_of(found.results_text),
    }
    with Session(lab.engine) as session:
        assert verify(session, [record.number])[record.number].holds


def test_without_limits_in_force_nothing_is_kept(engine: Engine) -> None:
    """And the content of the record is what it was before there were such results."""
    lab = a_lab(engine)
    lab.rows(give_stiffness)
    record = closed(lab)

    record.do(hand_in)

    assert kept(lab, record) is None
    assert "closing_result" not in document(record)


def test_a_record_which_read_no_nut_keeps_nothing(lab: Lab) -> None:
    record = lab.begin(RecordKind.INSPECTION)
    record.do(note_finding, part_id=record.pile.layers[0].part, findings=SEEN_NOTHING)

    record.do(hand_in)

    assert kept(lab, record) is None


def test_a_re_torque_keeps_what_each_nut_lost(lab: Lab) -> None:
    record = lab.begin(RecordKind.RE_TORQUE)
    read(record, (8.1, 8.4, 8.4, 8.4), 1)

    record.do(hand_in)
    found = kept(lab, record)

    assert found is not None
    lost = {one.number: one.lost_percent.value for one in found.outcome.relaxation}
    assert lost == pytest.approx({1: 10.0, 2: 100 * 0.6 / 9, 3: 100 * 0.6 / 9, 4: 100 * 0.6 / 9})
    assert found.outcome.mean_lost_percent is not None
    assert found.outcome.mean_lost_percent.value == pytest.approx(7.5)


def test_what_cannot_be_computed_does_not_keep_the_record_from_being_handed_in(lab: Lab) -> None:
    lab.rows(lambda session: give_stiffness(session, mea=None, gas_gasket=None))
    record = closed(lab, (9.1, 8.8))

    record.do(hand_in)
    found = kept(lab, record)

    assert found is not None
    assert found.outcome.closed is None
    assert found.outcome.rods_read == 2
    assert found.outcome.not_computed


def test_newer_limits_change_nothing_that_was_kept(lab: Lab) -> None:
    """Computed again by today's limits it differs; what was kept does not."""
    record = closed(lab)
    record.do(hand_in)
    before = kept(lab, record)

    newer = lab.rows(lambda s: put_limits_in_force(s, design_of(s, lab), nut_factor=0.18).version)
    after = kept(lab, record)

    assert newer == 2
    assert before == after
    assert after is not None
    clamp = after.inputs.figures.clamp
    assert clamp is not None
    figures = replace(after.inputs.figures, clamp=replace(clamp, nut_factor=0.18))
    today = closing(replace(after.inputs, figures=figures)).closed
    then = after.outcome.closed
    assert today is not None
    assert then is not None
    assert today.gdl_pressure_mpa is not None
    assert then.gdl_pressure_mpa is not None
    assert today.gdl_pressure_mpa.value > then.gdl_pressure_mpa.value


def test_a_record_handed_in_again_gets_another_result_beside_the_first(lab: Lab) -> None:
    record = closed(lab)
    record.do(hand_in)
    supervisor = lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
    lab.do(send_back, record.number, reason="rod 2 again", by=supervisor)
    lab.now += timedelta(hours=1)
    lab.do(take_up, record.number)
    read(record, (9.1, 9.1, 9.0, 9.2), 4)

    record.do(hand_in)

    with Session(lab.engine) as session:
        results = kept_results(session, [record.number])[record.number]
        assert verify(session, [record.number])[record.number].holds
    assert [one.counts for one in results] == [True, False]
    assert [len(one.inputs.readings) for one in results] == [8, 4]
    assert document(record)["closing_result"]["results_sha256"] == results[0].results_sha256


CHANGES = {
    "a result": "UPDATE closing_result SET results = replace(results, 'MPa', 'kPa') || ' '",
    "an input": "UPDATE closing_result SET inputs = replace(inputs, '9.1', '9.2')",
    "a result with its hash": "UPDATE closing_result SET results = '{}', results_sha256 ="
    " '44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a'",
    "a hash": "UPDATE closing_result SET results_sha256 = inputs_sha256",
    "the formulas": "UPDATE closing_result SET formulas = 'closing 9'",
    "the row": "DELETE FROM closing_result",
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_a_result_changed_underneath_shows_as_broken(lab: Lab, change: str) -> None:
    record = closed(lab)
    record.do(hand_in)

    with lab.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(text(change))

    with Session(lab.engine) as session:
        assert not verify(session, [record.number])[record.number].holds


@pytest.mark.both_engines
@pytest.mark.parametrize("change", ["UPDATE closing_result SET formulas = 'x'", CHANGES["the row"]])
def test_the_database_refuses_to_change_a_result(lab: Lab, change: str) -> None:
    record = closed(lab)
    record.do(hand_in)

    with pytest.raises(DBAPIError, match="never"), lab.engine.begin() as connection:
        connection.execute(text(change))
    with Session(lab.engine) as session:
        assert session.scalar(select(func.count(ClosingResult.id))) == 1


def test_results_of_many_records_take_one_statement(
    lab: Lab, statements: Callable[[], Any]
) -> None:
    record = closed(lab)
    record.do(hand_in)

    with Session(lab.engine) as session, statements() as seen:
        found = kept_results(session, [1, record.number])

    assert len(seen) == 1
    assert {number: len(some) for number, some in found.items()} == {1: 0, record.number: 1}


def test_the_trail_names_the_result(lab: Lab) -> None:
    record = closed(lab)
    record.do(hand_in)
    found = kept(lab, record)

    with Session(lab.engine) as session:
        changes = session.scalars(
            text("SELECT changes FROM audit_entry ORDER BY id DESC LIMIT 1")  # type: ignore[arg-type]
        ).one()
        assert session.get_one(RebuildRecord, record.number).version > 1
    assert found is not None
    assert found.results_sha256 in str(changes)
