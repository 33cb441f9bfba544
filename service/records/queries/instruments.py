"""Instruments, their calibrations, and whether one was in calibration on a date."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.errors import NotFound
from service.records.tables.instruments import Calibration, CalibrationResult, Instrument

THROUGH_THE_DAY = timedelta(hours=12)
"""Days without a time of day are kept as noon in the lab; what is due on a day holds through it."""

CalibrationState = Literal["valid", "overdue", "never", "out of tolerance"]


@dataclass(frozen=True, slots=True)
class CalibrationOn:
    """How an instrument stood on a date. Only ``valid`` may be used without a concession.

    ``id`` is the calibration that counted then, None where there was none. ``found_out_at`` is
    the time of a later calibration which found the instrument out of tolerance with no good one
    between: readings of that date are in doubt, though they were taken in good faith.
    """

    id: int | None
    state: CalibrationState
    due_at: datetime | None
    sentence: str
    found_out_at: datetime | None = None

    @property
    def is_valid(self) -> bool:
        """Be true where the instrument may be used without a concession."""
        return self.state == "valid"


def calibration_on(session: Session, instrument_id: int, when: datetime) -> CalibrationOn:
    """Was the instrument in calibration on that date, and by which calibration?

    The latest calibration done by then counts, through the whole day it is due. One that found
    the instrument out of tolerance does not let it be used until a later one found it in
    tolerance. Raises NotFound.
    """
    label = session.scalar(select(Instrument.label).where(Instrument.id == instrument_id))
    if label is None:
        raise NotFound("instrument", instrument_id)
    rows = session.execute(
        select(Calibration.id, Calibration.done_at, Calibration.due_at, Calibration.result)
        .where(Calibration.instrument_id == instrument_id)
        .order_by(Calibration.done_at, Calibration.id)
    ).all()
    before = [row for row in rows if row.done_at <= when]
    after = next((row for row in rows if row.done_at > when), None)
    bad = CalibrationResult.OUT_OF_TOLERANCE
    found_out_at = after.done_at if after is not None and after.result is bad else None
    day = f"{when:%Y-%m-%d}"
    if not before:
        return CalibrationOn(
            None, "never", None, f"{label} had no calibration on {day}.", found_out_at
        )
    last = before[-1]
    if last.result is bad:
        sentence = f"{label} was found out of tolerance on {last.done_at:%Y-%m-%d}."
        return CalibrationOn(last.id, "out of tolerance", last.due_at, sentence, found_out_at)
    if when > last.due_at + THROUGH_THE_DAY:
        sentence = f"The calibration of {label} was due on {last.due_at:%Y-%m-%d}."
        return CalibrationOn(last.id, "overdue", last.due_at, sentence, found_out_at)
    sentence = f"{label} was in calibration on {day}, due on {last.due_at:%Y-%m-%d}."
    if found_out_at is not None:
        sentence += f" It was found out of tolerance afterwards, on {found_out_at:%Y-%m-%d}."
    return CalibrationOn(last.id, "valid", last.due_at, sentence, found_out_at)
