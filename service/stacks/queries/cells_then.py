"""The cells of a stack in the build of a time, and what sat in each: for maps and bridges."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.as_of import known
from service.platform.queries.prepared import param, statement
from service.stacks.tables.stacks import Build, BuildPeriod, Layer
from service.store.arithmetic.labels import part_label
from service.store.tables.parts import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class CellThen:
    """One cell and the MEA, or the blank cell, in it."""

    cell: int
    part_id: int
    label: str
    is_blank: bool


@dataclass(frozen=True, slots=True)
class BuildThen:
    """One build of a stack with its cells in their order from the fixed end."""

    build_id: int
    number: int
    closed_at: datetime
    opened_at: datetime | None
    cells: tuple[CellThen, ...]

    def holds(self, at: datetime) -> bool:
        """Whether the stack was closed in this build at a time."""
        return self.closed_at <= at and (self.opened_at is None or at < self.opened_at)

    def cell(self, number: int) -> CellThen | None:
        """One of its cells."""
        return next((cell for cell in self.cells if cell.cell == number), None)


def build_then(session: Session, stack_id: int, at: datetime) -> BuildThen | None:
    """The build a stack was in at a time, as known now; two statements.

    Where it stood open then, the build before; before its first closing, the first one. None
    where it was never built.
    """
    periods: Sequence[Any] = session.execute(_periods(), {"stack_id": stack_id}).all()
    if not periods:
        return None
    before = [period for period in periods if period.closed_at <= at]
    period = before[-1] if before else periods[0]
    rows: Any = session.execute(_cells(), {"build_id": period.build_id})
    return BuildThen(
        period.build_id,
        period.number,
        period.closed_at,
        period.opened_at,
        tuple(
            CellThen(
                row.cell,
                row.part_id,
                part_label(row.serial, row.lot, row.item_number),
                row.kind is Kind.BLANK_CELL,
            )
            for row in rows
        ),
    )


@statement
def _periods() -> Any:
    return (
        select(BuildPeriod.build_id, Build.number, BuildPeriod.closed_at, BuildPeriod.opened_at)
        .join(Build, Build.id == BuildPeriod.build_id)
        .where(BuildPeriod.stack_id == param("stack_id"), known(BuildPeriod))
        .order_by(BuildPeriod.closed_at, Build.number)
    )


@statement
def _cells() -> Any:
    return (
        select(
            Layer.cell,
            Layer.part_id,
            Part.serial,
            Part.item_number,
            Lot.label.label("lot"),
            PartType.kind,
        )
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            Layer.build_id == param("build_id"),
            known(Layer),
            Layer.cell.is_not(None),
            PartType.kind.in_((Kind.MEA, Kind.BLANK_CELL)),
        )
        .order_by(Layer.position)
    )
