"""Cells bridged or shorted in service, and blank cells: gas passes them, they carry no load.

All answers are as known now, or as they were known at ``known_at``.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped_as, read_all, read_as
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.stacks.arithmetic.part_hours import Bridge
from service.stacks.tables import Build, BuildPeriod, CellBridge, Layer
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class KnownBridge:
    """One bridge as it is known; ``until_at`` None where it lasts as long as the build stays."""

    id: int
    build_id: int
    cell: int
    from_at: datetime
    until_at: datetime | None

    def holds_at(self, at: datetime) -> bool:
        """Say whether the cell was bridged at a time."""
        return self.from_at <= at and (self.until_at is None or at < self.until_at)

    @property
    def as_bridge(self) -> Bridge:
        """The bridge as hours are computed with it."""
        return Bridge(self.cell, self.from_at, self.until_at)


@dataclass(frozen=True, slots=True)
class WrittenBridge:
    """One bridge as it was written; ``known_until`` None: it still holds."""

    id: int
    stack_id: int
    build_id: int
    build_number: int
    opened_at: datetime | None
    """when the build was opened, which ends a bridge at the latest"""
    cell: int
    from_at: datetime
    until_at: datetime | None
    reason: str
    allowed_by: str
    by: str
    known_from: datetime
    known_until: datetime | None

    @property
    def stands(self) -> bool:
        """Say whether the cell is bridged now."""
        return self.known_until is None and self.until_at is None and self.opened_at is None


@statement
def _bridges(is_then: bool) -> Any:
    return (
        select(*columns(KnownBridge, CellBridge))
        .where(
            CellBridge.build_id.in_(param_list("build_ids")),
            known(CellBridge, as_of_param(is_then)),
        )
        .order_by(CellBridge.build_id, CellBridge.from_at, CellBridge.id)
    )


def bridges_of_builds(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, tuple[KnownBridge, ...]]:
    """Return which cells of these builds were bridged, and when. One statement."""
    rows: Any = session.execute(
        _bridges(known_at is not None), params(known_at, build_ids=build_ids)
    )
    bridges_by_build = grouped_as(rows, "build_id", lambda row: read_as(KnownBridge, row))
    return {build_id: tuple(bridges) for build_id, bridges in bridges_by_build.items()}


@statement
def _blank_cells(is_then: bool) -> Any:
    return select(Layer.build_id, Layer.cell).where(
        Layer.part_id.in_(_blanks()),
        # blank cells are few: found by their parts, not through every layer
        (Layer.build_id + 0).in_(param_list("build_ids")),
        known(Layer, as_of_param(is_then)),
        Layer.cell.is_not(None),
    )


def blank_cells(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, frozenset[int]]:
    """Return blank cells of these builds. One statement; builds without are not in it."""
    rows: Any = session.execute(
        _blank_cells(known_at is not None), params(known_at, build_ids=build_ids)
    )
    cells_by_build = grouped_as(rows, "build_id", lambda row: row.cell)
    return {build_id: frozenset(cells) for build_id, cells in cells_by_build.items()}


def _blanks() -> Any:
    of_kind = select(PartType.id).where(PartType.kind == Kind.BLANK_CELL)
    return select(Part.id).where(Part.part_type_id.in_(of_kind))


def bridges_of_stack(session: Session, stack_id: int) -> tuple[WrittenBridge, ...]:
    """Return every bridge ever noted on a stack, newest first, corrected ones too.

    One statement.
    """
    return _written(session, CellBridge.stack_id == stack_id)


def written_bridge(session: Session, bridge_id: int) -> WrittenBridge:
    """Return one bridge. One statement. Raises NotFound."""
    bridges = _written(session, CellBridge.id == bridge_id)
    if not bridges:
        raise NotFound("bridged cell", bridge_id)
    return bridges[0]


def _written(session: Session, which: Any) -> tuple[WrittenBridge, ...]:
    rows: Sequence[Any] = session.execute(
        select(
            *columns(
                WrittenBridge, CellBridge, BuildPeriod, build_number=Build.number, by=Person.name
            )
        )
        .join(Build, Build.id == CellBridge.build_id)
        .outerjoin(BuildPeriod, and_(BuildPeriod.build_id == Build.id, known(BuildPeriod)))
        .join(Person, Person.id == CellBridge.by_id)
        .where(which)
        .order_by(CellBridge.from_at.desc(), CellBridge.known_from.desc(), CellBridge.id.desc())
    ).all()
    return read_all(WrittenBridge, rows)


# The cells of a stack in the build of a time, and what sat in each: for maps and bridges.


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

    def covers(self, at: datetime) -> bool:
        """Say whether the stack was closed in this build at a time."""
        return self.closed_at <= at and (self.opened_at is None or at < self.opened_at)

    def cell(self, number: int) -> CellThen | None:
        """Return one of its cells."""
        return next((cell for cell in self.cells if cell.cell == number), None)


def build_then(session: Session, stack_id: int, at: datetime) -> BuildThen | None:
    """Return the build a stack was in at a time, as known now; two statements.

    Where it stood open then, the build before; before its first closing, the first one. None
    where it was never built.
    """
    periods: Sequence[Any] = session.execute(_periods(), {"stack_id": stack_id}).all()
    if not periods:
        return None
    before = [period for period in periods if period.closed_at <= at]
    period = before[-1] if before else periods[0]
    rows: Any = session.execute(_cells(), {"build_id": period.build_id})
    cells = tuple(
        read_as(
            CellThen,
            row,
            label=part_label(row.serial, row.lot, row.item_number),
            is_blank=row.kind is Kind.BLANK_CELL,
        )
        for row in rows
    )
    return read_as(BuildThen, period, cells=cells)


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
