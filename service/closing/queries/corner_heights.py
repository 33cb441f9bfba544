"""The corners a design's closed stacks are measured at, and the heights measured there."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.corner_heights import CornerHeight, CornersMeasured
from service.closing.queries.held_closings import (
    MeasuredInstead,
    ToolsUsed,
    TrueValue,
    tools_used,
)
from service.designs.tables import Design
from service.limits.arithmetic.closing_modes import Corner, corners_of, plate_corners
from service.limits.queries import LimitsInForce
from service.platform.queries.answers import grouped
from service.platform.queries.statements import param
from service.records.tables import CornerHeightRead, Step
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.arithmetic.instruments import instrument_accuracy


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
    )
    .join(Step, Step.id == CornerHeightRead.step_id)
    .where(CornerHeightRead.record_id == param("record_id"), Step.undone_at.is_(None))
    .order_by(CornerHeightRead.pass_number, Step.sequence, CornerHeightRead.id)
)


def corners_measured(
    session: Session,
    record_id: int,
    plate_mm: tuple[float, float],
    instead: MeasuredInstead,
) -> tuple[CornersMeasured, ...]:
    """Return the heights of each pass, those entered last where it was measured again.

    Their gauges by their calibrations as known now, or as ``instead`` has them. One
    statement, three more where corners were measured.
    """
    rows: Any = session.execute(HEIGHTS, {"record_id": record_id}).all()
    if not rows:
        return ()
    entries = instead.entries
    gauges = {entries.get(row.step_id, {}).get("instrument_id", row.instrument_id) for row in rows}
    tools = tools_used(session, gauges, instead.calibrations)
    of_pass = {
        entries.get(step_id, {}).get("pass_number", entry[0].pass_number): entry
        for step_id, entry in grouped(rows, "step_id").items()
    }
    return tuple(
        _measured(tools, entry, plate_mm, instead.true, entries.get(entry[0].step_id, {}))
        for _number, entry in sorted(of_pass.items())
    )


def _measured(
    tools: ToolsUsed,
    rows: list[Any],
    plate_mm: tuple[float, float],
    true: TrueValue,
    right: Mapping[str, Any],
) -> CornersMeasured:
    first = rows[0]
    gauge_id = right.get("instrument_id", first.instrument_id)
    tool, found = tools.then(gauge_id, first.done_at)
    deviation = may_be_off(tool, found).at(max(row.height_mm for row in rows))
    return CornersMeasured(
        right.get("pass_number", first.pass_number),
        tuple(
            CornerHeight(
                row.corner,
                row.x_mm,
                row.y_mm,
                true(
                    gauge_id,
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
