"""How a record's stack was closed where that was not by the torque."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import sqrt
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.held_closings import Held
from service.limits.arithmetic.closing_modes import ClosingMode
from service.platform.arithmetic.estimates import Estimate
from service.platform.queries.statements import param
from service.records.tables import HeldClosing, Step
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.arithmetic.instruments import instrument_accuracy
from service.store.queries.calibrations import (
    AS_RECORDED,
    Histories,
    KeptCalibration,
    histories,
)
from service.store.tables import Instrument

TrueValue = Callable[[int, datetime, float, str], float]
"""What is true where an instrument showed a value in a unit at a time."""


Entries = Mapping[int, Mapping[str, Any]]
"""What entries would say instead, by entry and column."""


def as_shown(_instrument_id: int, _at: datetime, shown: float, _unit: str) -> float:
    """Return what was shown: no error is known of it."""
    return shown


@dataclass(frozen=True, slots=True)
class MeasuredInstead:
    """What would be known of heights and press forces instead of what is.

    ``true``: what is true where an instrument showed a value. ``entries``: what held closings and
    corners would say. ``calibrations``: by which their instruments would be judged.
    """

    true: TrueValue = as_shown
    entries: Entries = field(default_factory=dict)
    calibrations: Histories = AS_RECORDED


@dataclass(frozen=True, slots=True)
class ToolsUsed:
    """Some instruments with their calibrations, as these are known now."""

    instruments: Mapping[int, Instrument]
    of: Histories

    def then(self, instrument_id: int, at: datetime) -> tuple[Instrument, KeptCalibration | None]:
        """Return an instrument and the calibration it was valid by then; None: none held."""
        return self.instruments[instrument_id], self.of.valid(instrument_id, at)


def tools_used(session: Session, ids: Collection[int], right: Histories) -> ToolsUsed:
    """Return these instruments, with the calibrations of ``right`` where it has theirs.

    Two statements, three where operations count.
    """
    tools = session.scalars(select(Instrument).where(Instrument.id.in_(ids)))
    of = histories(session, ids)
    return ToolsUsed(
        {tool.id: tool for tool in tools},
        Histories({**of.calibrations, **right.calibrations}, {**of.operations, **right.operations}),
    )


HELD = (
    select(HeldClosing, Step.done_at)
    .join(Step, Step.id == HeldClosing.step_id)
    .where(HeldClosing.record_id == param("record_id"), Step.undone_at.is_(None))
    .order_by(Step.sequence.desc())
    .limit(1)
)
CELL_PERCENT = 1.0
"""What a load cell may be off where nothing is stated: common practice, no source."""


def held_closing(
    session: Session,
    record_id: int,
    instead: MeasuredInstead,
) -> Held | None:
    """Return how the stack was held, as entered last; None where it was not.

    Its instruments by their calibrations as known now, or as ``instead`` has them. One
    statement, three more where it was held.
    """
    row: Any = session.execute(HELD, {"record_id": record_id}).first()
    if row is None:
        return None
    held, at = row
    right = instead.entries.get(held.step_id, {})
    gauge_id = right.get("gauge_id", held.gauge_id)
    cell_id = right.get("load_cell_id", held.load_cell_id)
    tools = tools_used(session, {gauge_id, cell_id} - {None}, instead.calibrations)

    def height(name: str) -> Estimate | None:
        shown = right.get(name, getattr(held, name))
        if shown is None:
            return None
        return _height(instead.true(gauge_id, at, shown, "mm"), *tools.then(gauge_id, at))

    force = right.get("force_kn", held.force_kn)
    return Held(
        ClosingMode(right.get("mode", held.mode)),
        height("height_after_mm") or Estimate(0.0),
        height("height_before_mm"),
        None
        if force is None
        else _force(instead.true(cell_id, at, force, "kN"), *tools.then(cell_id, at)),
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
