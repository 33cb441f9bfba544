"""Instruments: in calibration on a date or not, and the readings one puts in doubt afterwards."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.platform.errors import NotAllowed, NotFound, Refused
from service.proof.queries.instrument_uses import assessment
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.instruments import InstrumentKind, TorqueTool
from service.store.changes.calibrations import CalibrationEntry, add_calibration
from service.store.changes.instruments import InstrumentEntry, add_instrument, change_instrument
from service.store.queries.calibrations import calibration_on
from service.store.queries.instruments import (
    instrument,
    instrument_list,
    instruments,
)
from tests import builders
from tests.builders import START
from tests.operation.keeping import NOW, Lab, a_lab

GOOD, BAD = CalibrationResult.IN_TOLERANCE, CalibrationResult.OUT_OF_TOLERANCE
DAY = timedelta(days=1)
DRIVER = InstrumentEntry(
    InstrumentKind.TORQUE_DRIVER, "TD-3", "slipping", 2, 20, "N·m", tool=TorqueTool.SLIPPING
)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def a_driver(lab: Lab) -> int:
    with lab.work() as work:
        return add_instrument(work, DRIVER)


def calibrated(
    lab: Lab, key: int, done: datetime, due: datetime, result: CalibrationResult = GOOD
) -> int:
    with lab.work() as work:
        entry = CalibrationEntry(done, due, "C-1", result, -6.5 if result is BAD else 0.2)
        return add_calibration(work, key, entry)


def test_calibration_counts_from_when_it_was_done_through_the_day_it_is_due(lab: Lab) -> None:
    key = a_driver(lab)
    first = calibrated(lab, key, START, START + 100 * DAY)
    second = calibrated(lab, key, START + 90 * DAY, START + 120 * DAY)

    with Session(lab.engine) as session:

        def on(when: datetime) -> tuple[int | None, str]:
            answer = calibration_on(session, key, when)
            assert "TD-3" in answer.sentence
            assert answer.is_valid == (answer.state == "valid")
            return answer.id, answer.state

        assert on(START - DAY) == (None, "never")
        assert on(START) == (first, "valid")
        assert on(START + 90 * DAY) == (second, "valid")
        assert on(START + 120 * DAY + timedelta(hours=11)) == (second, "valid")
        assert on(START + 120 * DAY + timedelta(hours=13)) == (second, "overdue")
        with pytest.raises(NotFound):
            calibration_on(session, 999, START)


def test_one_found_out_of_tolerance_waits_for_a_later_good_calibration(lab: Lab) -> None:
    key = a_driver(lab)
    calibrated(lab, key, START, START + 100 * DAY)
    calibrated(lab, key, START + 50 * DAY, START + 150 * DAY, BAD)
    calibrated(lab, key, START + 60 * DAY, START + 160 * DAY)

    with Session(lab.engine) as session:
        before = calibration_on(session, key, START + 10 * DAY)
        assert before.state == "valid"
        assert before.found_out_at == START + 50 * DAY
        assert "afterwards" in before.sentence
        assert calibration_on(session, key, START + 55 * DAY).state == "out of tolerance"
        after = calibration_on(session, key, START + 61 * DAY)
        assert (after.state, after.found_out_at) == ("valid", None)


def test_readings_since_the_calibration_before_are_in_doubt(lab: Lab) -> None:
    def make(session: Session) -> int:
        driver = builders.a_torque_instrument(session, label="TD-9", done_at=START)
        stack = builders.a_stack(session, cells=1, serial="TARN-1")
        builders.a_build(session, stack)
        return driver.id

    key = lab.rows(make)
    with Session(lab.engine) as session:
        assert assessment(session, key, None).builds == ()
    found = calibrated(lab, key, builders.FIRST_CLOSING + 10 * DAY, NOW + 300 * DAY, BAD)

    with Session(lab.engine) as session:
        (build,) = assessment(session, key, found).builds
        seen = instrument(session, key)

    assert len(build.uses) == 12  # 4 rods in 3 passes of the first closing; the second came later
    assert seen.readings == 24
    assert (build.stack_serial, build.number) == ("TARN-1", 1)
    assert (build.uses[0].what, build.uses[0].shown) == ("rod 1 pass 1, closing", "3\u2009N·m")


def test_a_calibration_stays_as_it_was_written(lab: Lab) -> None:
    key = calibrated(lab, a_driver(lab), START, START + DAY)

    for statement in ("UPDATE calibration SET certificate = 'X'", "DELETE FROM calibration"):
        with Session(lab.engine) as session, pytest.raises(DBAPIError):
            session.execute(text(f"{statement} WHERE id = {key}"))


@pytest.mark.parametrize(
    ("entry", "field"),
    [
        (CalibrationEntry(NOW + DAY, NOW + 9 * DAY, "C", GOOD), "done_at"),
        (CalibrationEntry(START, START, "C", GOOD), "due_at"),
        (CalibrationEntry(START, START + DAY, " ", GOOD), "certificate"),
        (CalibrationEntry(START, START + DAY, "C", GOOD, float("inf")), "error_percent"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused(
    lab: Lab, entry: CalibrationEntry, field: str
) -> None:
    key = a_driver(lab)

    with pytest.raises(Refused) as refused, lab.work() as work:
        add_calibration(work, key, entry)

    assert refused.value.field == field


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"label": ""}, "label"),
        ({"label": " td-3 "}, "label"),
        ({"range_least": 30}, "range_most"),
        ({"unit": ""}, "unit"),
        ({"accuracy_percent": -1}, "accuracy_percent"),
        ({"accuracy_percent": 60}, "accuracy_percent"),
        ({"accuracy_percent": float("nan")}, "accuracy_percent"),
        ({"resolution": -0.1}, "resolution"),
        ({"resolution": 21}, "resolution"),
        ({"resolution": float("inf"), "range_most": None}, "resolution"),
        ({"resolution": 0.1, "unit": "", "range_least": None, "range_most": None}, "unit"),
    ],
)
def test_an_instrument_that_cannot_be_is_refused(
    lab: Lab, wrong: dict[str, object], field: str
) -> None:
    a_driver(lab)
    said = {"kind": InstrumentKind.TORQUE_DRIVER, "label": "TD-4", "range_least": 2,
            "range_most": 20, "unit": "N·m", "tool": TorqueTool.READING}  # fmt: skip

    with pytest.raises(Refused) as refused, lab.work() as work:
        add_instrument(work, InstrumentEntry(**(said | wrong)))  # type: ignore[arg-type]

    assert refused.value.field == field


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ({"accuracy_percent": 60}, "0 to 50\u2009% of the reading would be right."),
        ({"range_most": float("nan")}, "Such as 20."),
    ],
)
def test_a_number_out_of_range_is_refused_with_what_would_be_right(
    lab: Lab, wrong: dict[str, float], right: str
) -> None:
    with pytest.raises(Refused) as refused, lab.work() as work:
        add_instrument(work, replace(DRIVER, **wrong))  # type: ignore[arg-type]

    assert refused.value.right_would_be == right


def test_accuracy_and_resolution_are_kept_and_stand_in_the_trail(lab: Lab) -> None:
    key = a_driver(lab)
    with Session(lab.engine) as session:
        row = instrument(session, key).row
        assert (row.accuracy_percent, row.resolution) == (None, None)

    with lab.work() as work:
        entry = replace(DRIVER, accuracy_percent=4, resolution=0.1)
        change_instrument(work, key, entry, reason="its certificate came")

    with Session(lab.engine) as session:
        row = instrument(session, key).row
        assert (row.accuracy_percent, row.resolution) == (4, 0.1)
    changes = lab.last_entry().changes
    assert '["accuracy_percent", null, 4]' in changes
    assert '["resolution", null, 0.1]' in changes


@pytest.mark.both_engines
def test_an_instrument_is_withdrawn_with_the_reason_and_left_out_of_the_list(lab: Lab) -> None:
    key = a_driver(lab)
    gone = replace(DRIVER, in_use=False)

    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        change_instrument(work, key, gone, reason="worn out")
    with lab.work() as work:
        change_instrument(work, key, gone, reason="worn out")

    with Session(lab.engine) as session:
        assert instruments(session) == ()
        assert instrument_list(session).rows == ()
        (row,) = instrument_list(session, withdrawn=True).rows
        assert row.state_on(NOW) == "never"
