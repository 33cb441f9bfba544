"""How a record's stack was closed where that was not by the torque."""

from collections.abc import Callable
from datetime import datetime
from math import sqrt
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.held_closings import Held
from service.platform.arithmetic.estimates import Estimate
from service.platform.queries.statements import param
from service.records.tables import HeldClosing, Step
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.arithmetic.instruments import instrument_accuracy
from service.store.tables import Calibration, Instrument

TrueValue = Callable[[int, datetime, float, str], float]
"""What is true where an instrument showed a value in a unit at a time."""


def as_shown(_instrument_id: int, _at: datetime, shown: float, _unit: str) -> float:
    """Return what was shown: no error is known of it."""
    return shown


CELL, GAUGE = aliased(Instrument), aliased(Instrument)
CELL_FOUND, GAUGE_FOUND = aliased(Calibration), aliased(Calibration)
HELD = (
    select(HeldClosing, CELL, CELL_FOUND, GAUGE, GAUGE_FOUND, Step.done_at)
    .join(Step, Step.id == HeldClosing.step_id)
    .outerjoin(CELL, CELL.id == HeldClosing.load_cell_id)
    .outerjoin(CELL_FOUND, CELL_FOUND.id == HeldClosing.load_cell_calibration_id)
    .join(GAUGE, GAUGE.id == HeldClosing.gauge_id)
    .outerjoin(GAUGE_FOUND, GAUGE_FOUND.id == HeldClosing.gauge_calibration_id)
    .where(HeldClosing.record_id == param("record_id"), Step.undone_at.is_(None))
    .order_by(Step.sequence.desc())
    .limit(1)
)
CELL_PERCENT = 1.0
"""What a load cell may be off where nothing is stated: common practice, no source."""


def held_closing(session: Session, record_id: int, true: TrueValue = as_shown) -> Held | None:
    """Return how the stack was held, as entered last; None where it was not. One statement."""
    row: Any = session.execute(HELD, {"record_id": record_id}).first()
    if row is None:
        return None
    held, cell, cell_found, gauge, gauge_found, at = row

    def height(shown: float) -> Estimate:
        return _height(true(gauge.id, at, shown, "mm"), gauge, gauge_found)

    return Held(
        held.mode,
        height(held.height_after_mm),
        None if held.height_before_mm is None else height(held.height_before_mm),
        None
        if held.force_kn is None
        else _force(true(cell.id, at, held.force_kn, "kN"), cell, cell_found),
    )


def _height(value: float, gauge: Any, found: Any) -> Estimate:
    off = may_be_off(gauge, found).at(value)
    return Estimate(
        value, (instrument_accuracy("height gauge").least if off is None else off) / sqrt(3)
    )


def _force(value_kn: float, cell: Any, found: Any) -> Estimate:
    percent = may_be_off(cell, found).of_reading_percent
    share = (CELL_PERCENT if percent is None else percent) / 100
    return Estimate(1e3 * value_kn, 1e3 * value_kn * share / sqrt(3))
