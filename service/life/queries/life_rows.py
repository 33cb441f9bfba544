"""Rows behind the lives of MEAs: which there are, where they sat, which failed.

Each function is one statement; parts are found by the index of their type, builds by that of the
part, so that nothing but MEAs is read. There may be half a million rows: the two long statements
go past the session, which looks at each row.
"""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import case, func, select, true
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingMark, RuleAnswer, RuleVerdict
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.queries.statements import known
from service.stacks.tables import CellBridge, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType


class Choice(NamedTuple):
    """Something lives can be narrowed to, or compared by."""

    id: int
    name: str


class LotFacts(NamedTuple):
    """What a lot is called, who supplied it, of which type it is."""

    label: str
    supplier: str
    part_type_id: int


def mea_types(session: Session) -> tuple[Choice, ...]:
    """Return the types of MEA there are."""
    rows = session.execute(
        select(PartType.id, PartType.name, PartType.drawing_number, PartType.revision)
        .where(PartType.kind == Kind.MEA)
        .order_by(PartType.name, PartType.drawing_number, PartType.revision)
    )
    return tuple(
        Choice(row.id, f"{row.name} {row.drawing_number} {row.revision}") for row in rows
    )  # fmt: skip


def designs_with_stacks(session: Session) -> tuple[Choice, ...]:
    """Return the designs that have stacks."""
    used = select(Stack.id).where(Stack.design_id == Design.id).exists()
    rows = session.execute(
        select(Design.id, Design.name, Design.revision)
        .where(used)
        .order_by(Design.name, Design.revision)
    )
    return tuple(Choice(row.id, f"{row.name} {row.revision}") for row in rows)


def meas_of_types(session: Session, type_ids: Collection[int]) -> Sequence[Any]:
    """Return id, type, lot (0: none), hours before, whether they are unknown, fitted, missing.

    Of all their MEAs; 1 for yes, 0 for no.
    """

    def is_(whereabouts: Whereabouts) -> Any:
        return case((Part.whereabouts == whereabouts, 1), else_=0)

    return (
        session.connection()
        .execute(
            select(
                Part.id,
                Part.part_type_id,
                func.coalesce(Part.lot_id, 0),
                Part.hours_before,
                case((Part.hours_before_unknown == true(), 1), else_=0),
                is_(Whereabouts.FITTED),
                is_(Whereabouts.MISSING),
            )
            .where(Part.part_type_id.in_(type_ids))
            .order_by(Part.id)
        )
        .all()
    )


def builds_they_sat_in(session: Session, type_ids: Collection[int]) -> Sequence[Any]:
    """Return part, build and cell (0: none) of all layers of these MEAs, as known now."""
    return (
        session.connection()
        .execute(
            select(Layer.part_id, Layer.build_id, func.coalesce(Layer.cell, 0))
            .select_from(Part)
            .join(Layer, Layer.part_id == Part.id)
            .where(Part.part_type_id.in_(type_ids), known(Layer))
        )
        .all()
    )


def designs_of_stacks(session: Session) -> dict[int, int]:
    """Return the design of each stack, by stack."""
    rows = session.execute(select(Stack.id, Stack.design_id))
    return {stack_id: design_id for stack_id, design_id in rows}  # noqa: C416 - rows are no pairs


def bridged_builds(session: Session) -> set[int]:
    """Return all builds with a cell that was bridged in service, as known now."""
    return set(session.scalars(select(CellBridge.build_id).where(known(CellBridge)).distinct()))


def lots_of_types(session: Session, type_ids: Collection[int]) -> dict[int, LotFacts]:
    """Return label, supplier and type of each lot MEAs of these types came from."""
    of_parts = select(Part.lot_id).where(Part.part_type_id.in_(type_ids))
    rows = session.execute(
        select(Lot.id, Lot.label, Lot.supplier, Lot.part_type_id).where(Lot.id.in_(of_parts))
    )
    return {row.id: LotFacts(row.label, row.supplier, row.part_type_id) for row in rows}


def words_on(session: Session, type_ids: Collection[int]) -> dict[int, tuple[MeaWord, datetime]]:
    """Return what somebody says of MEAs of these types, and since when."""
    rows = session.execute(
        select(FailingMark.part_id, FailingMark.says, FailingMark.failed_at)
        .join(Part, Part.id == FailingMark.part_id)
        .where(Part.part_type_id.in_(type_ids), FailingMark.withdrawn_at.is_(None))
    )
    return {row.part_id: (row.says, row.failed_at) for row in rows}


def met_unconfirmed(session: Session, type_ids: Collection[int]) -> int:
    """Count those that meet the failing rule of their design without being confirmed."""
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


def labels_of(session: Session, part_ids: Collection[int]) -> dict[int, str]:
    """Return what these parts are called."""
    rows = session.execute(
        select(Part.id, Part.serial, Part.item_number, Lot.label)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(part_ids))
    )
    return {row.id: part_label(row.serial, row.label, row.item_number) for row in rows}
