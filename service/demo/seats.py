"""Who sits in the cells of an invented stack at a moment, and how many hours each has."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.demo.ageing import mea
from service.demo.lab import Lab
from service.demo.logs import Sat
from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.as_of import known
from service.stacks.tables.stacks import BuildPeriod, Layer
from service.store.tables.parts import Lot, Part, PartType

FITTED_AT_H: dict[tuple[str, str], float] = {
    ("HERON-01", "HM-0117"): 1012.4 - 688.2,
    ("HERON-01", "HM-0131"): 1934.8,
    ("STORK-01", "SM-0542"): 1378.6,
    ("STORK-01", "SM-0543"): 1378.6,
    ("WREN-02", "WM-0011"): 512.0,
    ("WREN-02", "WM-0012"): 512.0,
}
"""Hours of the stack at which these MEAs had none of their own; the others came with the first."""


def sat_in(session: Session, lab: Lab, stack: str, at: datetime, total_h: float) -> list[Sat]:
    """The cells of a stack in their order; ``total_h`` are its hours over all its meters."""
    build = (
        select(BuildPeriod.build_id)
        .where(
            BuildPeriod.stack_id == lab.stacks[stack],
            BuildPeriod.closed_at <= at,
            known(BuildPeriod),
        )
        .order_by(BuildPeriod.closed_at.desc())
        .limit(1)
        .scalar_subquery()
    )
    rows = session.execute(
        select(PartType.kind, Part.serial, Lot.label)
        .select_from(Layer)
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            Layer.build_id == build,
            known(Layer),
            PartType.kind.in_((Kind.MEA, Kind.BLANK_CELL)),
        )
        .order_by(Layer.position)
    )
    return [
        Sat(mea(row.serial, row.label), total_h - FITTED_AT_H.get((stack, row.serial), 0.0))
        if row.kind is Kind.MEA
        else Sat(None, 0.0)
        for row in rows
    ]
