"""What a part is, and how it stands on its three axes."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.measured_thickness import expected_mm, remark_on
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.prepared import param
from service.stacks.tables.stacks import Stack
from service.store.arithmetic.labels import part_label
from service.store.queries.part_types import read_stiffness
from service.store.tables.parts import Lot, Part, PartType

RESERVED = aliased(Stack)


@dataclass(frozen=True, slots=True)
class PartFacts:
    """What a part is and how it stands on its three axes."""

    id: int
    label: str
    serial: str | None
    item_number: int | None
    kind: Kind
    type_id: int
    type_name: str
    drawing_number: str
    revision: str
    lot_id: int | None
    lot: str | None
    supplier: str
    expires_at: datetime | None
    whereabouts: Whereabouts
    place: str
    stack_id: int | None
    stack_serial: str | None
    usability: Usability
    reserved_for_stack_id: int | None
    reserved_for: str | None
    hours_before: float
    openings_most: int | None
    hours_most: float | None
    notes: str
    added_at: datetime
    measured_thickness_mm: float | None = None
    """of the free part, by incoming inspection; None: not measured"""
    thickness_remark: str = ""
    """what is striking about it against its type"""


FACTS = (
    select(
        PartType.name,
        Lot.supplier,
        PartType.thickness_mm,
        PartType.stiffness,
        *columns(
            PartFacts,
            Part,
            PartType,
            type_id=PartType.id,
            lot=Lot.label,
            stack_serial=Stack.serial,
            reserved_for=RESERVED.serial,
            expires_at=Lot.expires_at,
        ),
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(Stack, Stack.id == Part.stack_id)
    .outerjoin(RESERVED, RESERVED.id == Part.reserved_for_stack_id)
    .where(Part.id == param("part_id"))
)


def part_facts(session: Session, part_id: int) -> PartFacts:
    """What a part is and how it stands now. Raises NotFound."""
    row: Any = session.execute(FACTS, {"part_id": part_id}).first()
    if row is None:
        raise NotFound("part", part_id)
    return read_as(
        PartFacts,
        row,
        label=part_label(row.serial, row.lot, row.item_number),
        type_name=row.name,
        supplier=row.supplier or "",
        thickness_remark=remark_on(
            row.measured_thickness_mm,
            expected_mm(row.thickness_mm, read_stiffness(row.kind, row.stiffness)),
        ),
    )
