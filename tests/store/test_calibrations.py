"""Calibrations due by operations, with points and files; instruments away; devices replaced."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import parse_partial
from service.platform.changes import Stored
from service.platform.errors import Refused
from service.platform.tables import Attachment
from service.proof.queries.instrument_uses import assessment
from service.records.changes.attachments import remove_attachment
from service.store.arithmetic.calibrations import (
    AsLeft,
    CalibrationResult,
    FoundError,
    Point,
    read_points,
)
from service.store.arithmetic.instrument_errors import ErrorShares
from service.store.changes.calibrations import (
    AwayEntry,
    CalibrationEntry,
    DeviceEntry,
    add_calibration,
    change_device,
    send_away,
    take_back,
)
from service.store.queries.calibrations import calibration_on
from service.store.queries.instruments import instrument, instruments
from service.store.tables import Instrument
from tests import builders
from tests.builders import FIRST_CLOSING, START
from tests.operation.keeping import NOW, Lab, a_lab

GOOD, BAD = CalibrationResult.IN_TOLERANCE, CalibrationResult.OUT_OF_TOLERANCE
DAY = timedelta(days=1)
YEAR = CalibrationEntry(START - DAY, START + 900 * DAY, "C-1", GOOD)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def a_driver_in_use(lab: Lab) -> int:
    """A driver with 12 readings at the first closing and 12 at the second."""

    def make(session: Session) -> int:
        driver = builders.a_torque_instrument(session, label="TD-9", done_at=START - 9 * DAY)
        builders.a_build(session, builders.a_stack(session, cells=1, serial="TARN-1"))
        return driver.id

    return lab.rows(make)


def add(lab: Lab, key: int, entry: CalibrationEntry, file: Stored | None = None) -> int:
    with lab.work() as work:
        return add_calibration(work, key, entry, file)


@pytest.mark.both_engines
def test_a_torque_tool_is_due_after_so_many_readings(lab: Lab) -> None:
    key = a_driver_in_use(lab)
    add(lab, key, replace(YEAR, due_operations=20))

    with Session(lab.engine) as session:
        row = instrument(session, key).row
        assert (row.operations, row.state_on(START + DAY)) == (24, "overdue")
        early = calibration_on(session, key, FIRST_CLOSING + DAY)
        late = calibration_on(session, key, NOW)
        assert (early.state, late.state) == ("valid", "overdue")
        assert "after 20 operations; 24 were counted" in late.sentence

    add(lab, key, replace(YEAR, done_at=FIRST_CLOSING + DAY, due_operations=20))
    with Session(lab.engine) as session:
        assert calibration_on(session, key, NOW).state == "valid", "12 since the newest"


def test_one_found_out_of_tolerance_and_left_in_tolerance_may_be_used_again(lab: Lab) -> None:
    key = a_driver_in_use(lab)
    found = replace(YEAR, done_at=FIRST_CLOSING + DAY, result=BAD)
    found_id = add(lab, key, replace(found, as_left=AsLeft.IN_TOLERANCE))

    with Session(lab.engine) as session:
        assert calibration_on(session, key, NOW).is_valid
        (build,) = assessment(session, key, found_id).builds
        assert len(build.uses) == 12

    add(lab, key, replace(found, done_at=FIRST_CLOSING + 2 * DAY, as_left=AsLeft.OUT_OF_TOLERANCE))
    with Session(lab.engine) as session:
        assert calibration_on(session, key, NOW).state == "out of tolerance"


@pytest.mark.both_engines
def test_points_and_the_certificate_are_kept_and_stay(lab: Lab) -> None:
    key = a_driver_in_use(lab)
    points = (Point(10.0, 10.9, 10.0), Point(5.0, 5.225))
    assert read_points("\n".join(map(str, points))) == points, "as a form shows them"
    file = Stored("ab" * 32, "application/pdf", 812, "K-1.pdf")
    add(lab, key, replace(YEAR, points=points), file)

    with Session(lab.engine) as session:
        newest = next(row for row in instrument(session, key).calibrations if row.points)
        kept = session.scalars(select(Attachment)).one()
        assert newest.points == points
        assert (newest.file_id, kept.content_sha256) == (kept.id, "ab" * 32)
        found = FoundError(ErrorShares(1.0), newest.points)
        assert found.at(10.9) == pytest.approx(0.9)
        assert found.at(5.225) == pytest.approx(0.225)
        assert found.at(1.0) == pytest.approx(0.225), "as at the nearest point"
    with pytest.raises(Refused, match="stays with its calibration"), lab.work() as work:
        remove_attachment(work, kept.id, reason="wrong")


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"points": (Point(1.0, 2.0), Point(3.0, 2.0))}, "points"),
        ({"due_operations": 0}, "due_operations"),
        ({"due_at": START - 2 * DAY}, "due_at"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused_at_its_field(
    lab: Lab, wrong: dict[str, Any], field: str
) -> None:
    key = a_driver_in_use(lab)
    with pytest.raises(Refused) as refused:
        add(lab, key, replace(YEAR, **wrong))
    assert refused.value.field == field


@pytest.mark.both_engines
def test_an_instrument_away_is_not_offered_until_it_is_back(lab: Lab) -> None:
    key = a_driver_in_use(lab)
    with lab.work() as work:
        send_away(work, key, AwayEntry(NOW - 3 * DAY, "calibration laboratory"))

    with Session(lab.engine) as session:
        assert key not in [row.id for row in instruments(session)]
        assert instrument(session, key).row.away == "calibration laboratory"
        assert calibration_on(session, key, NOW - 4 * DAY).away == ""
        assert "away since" in calibration_on(session, key, NOW).away
    with pytest.raises(Refused, match="was away then already"), lab.work() as work:
        send_away(work, key, AwayEntry(NOW - DAY, "elsewhere"))
    with pytest.raises(Refused, match="went away later"), lab.work() as work:
        take_back(work, key, NOW - 5 * DAY)
    with lab.work() as work:
        take_back(work, key, NOW - DAY)

    with Session(lab.engine) as session:
        assert key in [row.id for row in instruments(session)]
        assert calibration_on(session, key, NOW).away == ""
        assert calibration_on(session, key, NOW - 2 * DAY).away, "it was away then"
    with pytest.raises(Refused, match="is not away"), lab.work() as work:
        take_back(work, key, NOW)


@pytest.mark.both_engines
def test_case_34_readings_and_calibrations_belong_to_the_device_of_their_time(lab: Lab) -> None:
    """A mark used again after a replacement: the new device needs its own calibration."""
    key = a_driver_in_use(lab)
    swapped = FIRST_CLOSING + DAY
    with lab.work() as work:
        change_device(work, key, DeviceEntry(swapped, "driver, serial 4711", "the old one broke"))

    with Session(lab.engine) as session:
        assert calibration_on(session, key, swapped - DAY / 2).is_valid
        assert calibration_on(session, key, swapped + DAY).state == "never"
        assert instrument(session, key).row.state_on(NOW) == "never"
    add(lab, key, replace(YEAR, done_at=swapped + 2 * DAY))
    found = add(lab, key, replace(YEAR, done_at=NOW - DAY, result=BAD))

    with Session(lab.engine) as session:
        before = calibration_on(session, key, swapped - DAY / 2)
        assert before.is_valid
        assert before.found_out_at is None, "the old device was never found out"
        assert calibration_on(session, key, swapped + 3 * DAY).found_out_at == NOW - DAY
        (build,) = assessment(session, key, found).builds
        assert {use.taken_at > swapped for use in build.uses} == {True}
        assert session.get_one(Instrument, key).label == "TD-9"


def test_case_35_on_a_partial_date_a_calibration_holds_for_its_span_or_is_not_known(
    lab: Lab,
) -> None:
    key = a_driver_in_use(lab)
    add(lab, key, replace(YEAR, due_operations=20))
    day, month, year = (parse_partial(text) for text in ("2026-01-20", "2026-03", "1998"))
    assert day
    assert month
    assert year

    with Session(lab.engine) as session:
        then = [calibration_on(session, key, at) for at in (day, month, year)]

    assert [each.state for each in then] == ["valid", "not known", "never"]
    assert then[1].sentence == "Whether TD-9 was in calibration in March 2026 is not known."
