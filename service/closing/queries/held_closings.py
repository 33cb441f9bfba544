"""How a record's stack was closed where that was not by the torque."""

from collections.abc import Callable, Mapping
from datetime import datetime
from math import sqrt
from types import MappingProxyType
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.held_closings import Held
from service.limits.arithmetic.closing_modes import ClosingMode
from service.platform.arithmetic.estimates import Estimate
from service.platform.queries.statements import param
from service.records.tables import HeldClosing, Step
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.arithmetic.instruments import instrument_accuracy
from service.store.queries.calibrations import calibration_on
from service.store.tables import Calibration, Instrument

TrueValue = Callable[[int, datetime, float, str], float]
"""What is true where an instrument showed a value in a unit at a time."""


Entries = Mapping[int, Mapping[str, Any]]
"""What entries would say instead, by entry and column."""


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


def held_closing(
    session: Session,
    record_id: int,
    true: TrueValue = as_shown,
    entries: Entries = MappingProxyType({}),
) -> Held | None:
    """Return how the stack was held, as entered last; None where it was not. One statement.

    Two more for each instrument that is another by ``entries``.
    """
    row: Any = session.execute(HELD, {"record_id": record_id}).first()
    if row is None:
        return None
    held, cell, cell_found, gauge, gauge_found, at = row
    right = entries.get(held.step_id, {})
    if "gauge_id" in right:
        gauge, gauge_found = tool_then(session, right["gauge_id"], at)
    if "load_cell_id" in right:
        cell, cell_found = tool_then(session, right["load_cell_id"], at)

    def height(name: str) -> Estimate | None:
        shown = right.get(name, getattr(held, name))
        if shown is None:
            return None
        return _height(true(gauge.id, at, shown, "mm"), gauge, gauge_found)

    force = right.get("force_kn", held.force_kn)
    return Held(
        ClosingMode(right.get("mode", held.mode)),
        height("height_after_mm") or Estimate(0.0),
        height("height_before_mm"),
        None if force is None else _force(true(cell.id, at, force, "kN"), cell, cell_found),
    )


def tool_then(
    session: Session, instrument_id: int, at: datetime
) -> tuple[Instrument, Calibration | None]:
    """Return an instrument and its calibration of a time; None: none held. Two statements."""
    then = calibration_on(session, instrument_id, at)
    found = session.get(Calibration, then.id) if then.id and then.is_valid else None
    return session.get_one(Instrument, instrument_id), found


def _height(value: float, gauge: Any, found: Any) -> Estimate:
    off = may_be_off(gauge, found).at(value)
    return Estimate(
        value, (instrument_accuracy("height gauge").least if off is None else off) / sqrt(3)
    )


def _force(value_kn: float, cell: Any, found: Any) -> Estimate:
    percent = may_be_off(cell, found).of_reading_percent
    share = (CELL_PERCENT if percent is None else percent) / 100
    return Estimate(1e3 * value_kn, 1e3 * value_kn * share / sqrt(3))
