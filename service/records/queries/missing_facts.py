"""What a record being written says of itself, for the search for what it lacks."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.errors import NotFound
from service.records.tables.designs import Design
from service.records.tables.rebuild_records import (
    Finding,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    Step,
    StepKind,
)
from service.records.tables.stacks import Stack


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a record with what its design asks of the torque."""

    id: int
    stack_id: int
    kind: RecordKind
    base_build_id: int | None
    opened_at: datetime | None
    closed_at: datetime | None
    design_id: int
    target_nm: float
    tolerance_percent: float
    passes: int

    @property
    def has_nothing_to_open(self) -> bool:
        """Be true for the first record of a stack."""
        return self.base_build_id is None


@dataclass(frozen=True, slots=True)
class Entry:
    """A standing entry, and the conditions noted with it."""

    sequence: int
    kind: StepKind
    part_id: int | None
    note: str
    rod_number: int | None
    line_number: int | None
    conditions: frozenset[str]


def record_facts(session: Session, record_id: int) -> Head:
    """One statement. Raises NotFound."""
    row = session.execute(
        select(
            RebuildRecord.id,
            RebuildRecord.stack_id,
            RebuildRecord.kind,
            RebuildRecord.base_build_id,
            RebuildRecord.opened_at,
            RebuildRecord.closed_at,
            Design.id,
            Design.target_torque_nm,
            Design.torque_tolerance_percent,
            Design.tightening_passes,
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return Head(*tuple(row))


def standing_entries(session: Session, record_id: int) -> list[Entry]:
    """The standing entries in their order. Two statements."""
    conditions: dict[int, set[str]] = {}
    for step_id, condition in session.execute(
        select(Finding.step_id, Finding.condition).where(Finding.record_id == record_id)
    ):
        conditions.setdefault(step_id, set()).add(condition)
    rows = session.execute(
        select(
            Step.id,
            Step.sequence,
            Step.kind,
            Step.part_id,
            Step.note,
            Step.rod_number,
            MakeSafeLine.line_number,
        )
        .outerjoin(MakeSafeLine, MakeSafeLine.step_id == Step.id)
        .where(Step.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence)
    )
    return [Entry(*row[1:], frozenset(conditions.get(row.id, ()))) for row in rows]
