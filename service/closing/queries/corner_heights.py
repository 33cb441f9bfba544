"""The corners a design's closed stacks are measured at, and the heights measured there."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.corner_heights import CornerHeight, CornersMeasured
from service.closing.queries.held_closings import Entries, TrueValue, as_shown, tool_then
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
    entries: Entries = MappingProxyType({}),
) -> tuple[CornersMeasured, ...]:
    """Return the heights of each pass, those entered last where it was measured again.

    One statement, two more for another gauge by ``entries``.
    """
    rows: Any = session.execute(HEIGHTS, {"record_id": record_id}).all()
    of_pass = {
        entries.get(step_id, {}).get("pass_number", entry[0].pass_number): entry
        for step_id, entry in grouped(rows, "step_id").items()
    }
    return tuple(
        _measured(session, entry, plate_mm, true, entries.get(entry[0].step_id, {}))
        for _number, entry in sorted(of_pass.items())
    )


def _measured(
    session: Session,
    rows: list[Any],
    plate_mm: tuple[float, float],
    true: TrueValue,
    right: Mapping[str, Any],
) -> CornersMeasured:
    first = rows[0]
    tool, found = first, first if first.calibration_id is not None else None
    if "instrument_id" in right:
        tool, found = tool_then(session, right["instrument_id"], first.done_at)
    deviation = may_be_off(tool, found).at(max(row.height_mm for row in rows))
    return CornersMeasured(
        right.get("pass_number", first.pass_number),
        tuple(
            CornerHeight(
                row.corner,
                row.x_mm,
                row.y_mm,
                true(
                    right.get("instrument_id", row.instrument_id),
                    row.done_at,
                    right.get(f"height_mm at corner {row.corner}", row.height_mm),
                    "mm",
                ),
            )
            for row in rows
        ),
        instrument_accuracy("height gauge").least if deviation is None else deviation,
        plate_mm,
        tool.label,
    )
