"""The corners a design's closed stacks are measured at, and the heights measured there."""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.corner_heights import CornerHeight, CornersMeasured
from service.closing.queries.held_closings import TrueValue, as_shown
from service.designs.tables import Design
from service.limits.arithmetic.closing_modes import Corner, corners_of, plate_corners
from service.limits.queries import LimitsInForce
from service.platform.queries.answers import grouped
from service.platform.queries.statements import param
from service.records.tables import CornerHeightRead, Step
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.arithmetic.instruments import instrument_accuracy
from service.store.tables import Calibration, Instrument


def corners_to_measure(
    session: Session, design_id: int, limits: LimitsInForce | None
) -> tuple[Corner, ...]:
    """Return the corners by the figures in force, else those of the plate. One statement."""
    clamp = limits.figures.clamp if limits else None
    if clamp is not None and clamp.corners:
        return corners_of(clamp.corners)
    width, height = session.execute(
        select(Design.plate_width_mm, Design.plate_height_mm).where(Design.id == design_id)
    ).one()
    return plate_corners(width, height)


HEIGHTS = (
    select(
        CornerHeightRead.pass_number,
        CornerHeightRead.step_id,
        CornerHeightRead.corner,
        CornerHeightRead.x_mm,
        CornerHeightRead.y_mm,
        CornerHeightRead.height_mm,
        CornerHeightRead.instrument_id,
        Step.done_at,
        Instrument.label,
        Instrument.accuracy_percent,
        Instrument.accuracy_offset,
        Instrument.accuracy_full_scale_percent,
        Instrument.accuracy_coverage,
        Instrument.range_most,
        Calibration.error_percent,
        Calibration.error_offset,
        Calibration.error_full_scale_percent,
        Calibration.id.label("calibration_id"),
    )
    .join(Step, Step.id == CornerHeightRead.step_id)
    .join(Instrument, Instrument.id == CornerHeightRead.instrument_id)
    .outerjoin(Calibration, Calibration.id == CornerHeightRead.calibration_id)
    .where(CornerHeightRead.record_id == param("record_id"), Step.undone_at.is_(None))
    .order_by(CornerHeightRead.pass_number, Step.sequence, CornerHeightRead.id)
)


def corners_measured(
    session: Session,
    record_id: int,
    plate_mm: tuple[float, float],
    true: TrueValue = as_shown,
) -> tuple[CornersMeasured, ...]:
    """Return the heights of each pass, those entered last where it was measured again.

    One statement.
    """
    rows: Any = session.execute(HEIGHTS, {"record_id": record_id}).all()
    of_pass = {entry[0].pass_number: entry for entry in grouped(rows, "step_id").values()}
    return tuple(_measured(entry, plate_mm, true) for _number, entry in sorted(of_pass.items()))


def _measured(rows: list[Any], plate_mm: tuple[float, float], true: TrueValue) -> CornersMeasured:
    first = rows[0]
    known = may_be_off(first, first if first.calibration_id is not None else None)
    deviation = known.at(max(row.height_mm for row in rows))
    return CornersMeasured(
        first.pass_number,
        tuple(
            CornerHeight(
                row.corner,
                row.x_mm,
                row.y_mm,
                true(row.instrument_id, row.done_at, row.height_mm, "mm"),
            )
            for row in rows
        ),
        instrument_accuracy("height gauge").least if deviation is None else deviation,
        plate_mm,
        first.label,
    )
