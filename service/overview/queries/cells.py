"""What a strip of cells shows of a stack: which of them fail, are held, blank or bridged."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import literal, select, union_all
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Kind
from service.stacks.tables.cell_bridges import CellBridge
from service.stacks.tables.stacks import BuildPeriod, Layer
from service.store.tables.parts import Part, PartType


class Seen(StrEnum):
    """What is to be seen of a cell; the first of two that are true is shown."""

    FAILING = "failing"
    RULE_MET = "rule met"
    HELD = "on hold"
    BRIDGED = "bridged"
    BLANK = "blank"


RANK = {seen: at for at, seen in enumerate(Seen)}


@dataclass(frozen=True, slots=True)
class CellMark:
    """One cell of which there is something to be seen."""

    cell: int
    seen: Seen


@dataclass(frozen=True, slots=True)
class Strip:
    """The cells of a stack from the fixed end, 0 where it has none; marks by cell."""

    cells: int
    marks: tuple[CellMark, ...]


def strips(
    session: Session, cells: Mapping[int, int], marks: Mapping[int, Sequence[CellMark]]
) -> dict[int, Strip]:
    """A strip for each stack, of so many cells, with these marks and its quiet cells.

    Blank and bridged cells are looked up. One statement.
    """
    found: dict[int, dict[int, Seen]] = {stack_id: {} for stack_id in cells}
    quiet = _quiet_cells(session, cells)
    for stack_id, own in found.items():
        for mark in (*marks.get(stack_id, ()), *quiet.get(stack_id, ())):
            before = own.get(mark.cell)
            if before is None or RANK[mark.seen] < RANK[before]:
                own[mark.cell] = mark.seen
    return {
        stack_id: Strip(
            cells[stack_id], tuple(CellMark(cell, seen) for cell, seen in sorted(own.items()))
        )
        for stack_id, own in found.items()
    }


def _quiet_cells(session: Session, stack_ids: Collection[int]) -> dict[int, list[CellMark]]:
    blank = (
        select(Part.stack_id, Layer.cell, literal(Seen.BLANK.value).label("seen"))
        .select_from(PartType)
        .join(Part, Part.part_type_id == PartType.id)
        .join(Layer, Layer.part_id == Part.id)
        .where(
            PartType.kind == Kind.BLANK_CELL,
            Part.stack_id.in_(stack_ids),
            Layer.present,
            Layer.cell.is_not(None),
        )
    )
    bridged = (
        select(CellBridge.stack_id, CellBridge.cell, literal(Seen.BRIDGED.value))
        .join(BuildPeriod, BuildPeriod.build_id == CellBridge.build_id)
        .where(
            CellBridge.stack_id.in_(stack_ids),
            CellBridge.known_until.is_(None),
            CellBridge.until_at.is_(None),
            BuildPeriod.known_until.is_(None),
            BuildPeriod.opened_at.is_(None),
        )
    )
    found: dict[int, list[CellMark]] = {}
    rows: Any = session.execute(union_all(blank, bridged))
    for row in rows:
        found.setdefault(row.stack_id, []).append(CellMark(row.cell, Seen(row.seen)))
    return found
