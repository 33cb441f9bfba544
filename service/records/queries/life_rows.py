"""Rows behind the lives of MEAs: which there are, where they sat, which failed.

Each function is one statement; parts are found by the index of their type, builds by that of the
part, so that nothing but MEAs is read.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.queries.known import known
from service.records.tables.designs import Design
from service.records.tables.failing import FailingMark, RuleAnswer, RuleVerdict
from service.records.tables.parts import Lot, Part, PartType
from service.records.tables.stacks import Build, Layer, Stack
from service.trade.words import Kind


class Choice(NamedTuple):
    """Something lives can be narrowed to."""

    id: int
    name: str


def mea_types(session: Session) -> tuple[Choice, ...]:
    """Which types of MEA are there? One statement."""
    rows = session.execute(
        select(PartType.id, PartType.name, PartType.drawing_number, PartType.revision)
        .where(PartType.kind == Kind.MEA)
        .order_by(PartType.name, PartType.drawing_number, PartType.revision)
    )
    return tuple(
        Choice(row.id, f"{row.name} {row.drawing_number} {row.revision}") for row in rows
    )  # fmt: skip


def designs_with_stacks(session: Session) -> tuple[Choice, ...]:
    """Which designs have stacks? One statement."""
    used = select(Stack.id).where(Stack.design_id == Design.id).exists()
    rows = session.execute(
        select(Design.id, Design.name, Design.revision)
        .where(used)
        .order_by(Design.name, Design.revision)
    )
    return tuple(Choice(row.id, f"{row.name} {row.revision}") for row in rows)


def meas_of_types(session: Session, type_ids: Collection[int]) -> Sequence[Any]:
    """All MEAs of these types with lot and supplier."""
    return session.execute(
        select(
            Part.id,
            Part.part_type_id,
            Part.lot_id,
            Part.serial,
            Part.item_number,
            Part.hours_before,
            Part.whereabouts,
            Lot.label.label("lot"),
            Lot.supplier,
            PartType.name,
            PartType.drawing_number,
            PartType.revision,
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.part_type_id.in_(type_ids))
    ).all()


def type_names(parts: Sequence[Any]) -> dict[int, str]:
    """Name of each type, with drawing and revision; no statement."""
    return {
        part.part_type_id: f"{part.name} {part.drawing_number} {part.revision}" for part in parts
    }


def builds_they_sat_in(session: Session, type_ids: Collection[int]) -> dict[int, list[Any]]:
    """Every build each MEA sat in, by part."""
    rows = session.execute(
        select(
            Layer.part_id,
            Layer.build_id,
            Layer.cell,
            Build.stack_id,
            Stack.design_id,
            Design.name.label("design"),
            Design.revision,
        )
        .join(Part, Part.id == Layer.part_id)
        .join(Build, Build.id == Layer.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .where(Part.part_type_id.in_(type_ids), known(Layer))
    )
    sat: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        sat[row.part_id].append(row)
    return sat


def confirmed_failing(session: Session, type_ids: Collection[int]) -> dict[int, datetime]:
    """MEAs confirmed as failing, and since when."""
    rows = session.execute(
        select(FailingMark.part_id, FailingMark.failed_at)
        .join(Part, Part.id == FailingMark.part_id)
        .where(Part.part_type_id.in_(type_ids), FailingMark.withdrawn_at.is_(None))
    )
    return {row.part_id: row.failed_at for row in rows}


def met_unconfirmed(session: Session, type_ids: Collection[int]) -> int:
    """How many meet the failing rule of their design without being confirmed?"""
    standing = (
        select(FailingMark.id)
        .where(FailingMark.part_id == RuleVerdict.part_id, FailingMark.withdrawn_at.is_(None))
        .exists()
    )
    return (
        session.scalar(
            select(func.count())
            .select_from(RuleVerdict)
            .join(Part, Part.id == RuleVerdict.part_id)
            .where(Part.part_type_id.in_(type_ids), RuleVerdict.answer == RuleAnswer.MET, ~standing)
        )
        or 0
    )
