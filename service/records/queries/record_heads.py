"""The head of a record: which stack, which design, why, when, by whom, in which state."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.stacks.tables.stacks import Build, Stack


@dataclass(frozen=True, slots=True)
class Head:
    """What the head of a record says. Torque in N·m, tolerance in % of the target."""

    id: int
    stack_id: int
    stack: str
    design_id: int
    design: str
    revision: str
    target_nm: float
    tolerance_percent: float
    passes: int
    kind: RecordKind
    state: RecordState
    reason: str
    notes: str
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    written_by_id: int
    written_by: str
    written_at: datetime
    version: int
    handed_in_at: datetime | None
    handed_in_by: str | None
    content_sha256: str | None
    base_build_id: int | None
    base_build: int | None
    build_id: int | None
    build: int | None

    @property
    def is_being_written(self) -> bool:
        """Be true while entries can be made."""
        return self.state is RecordState.OPEN

    @property
    def opens(self) -> bool:
        """Be true for a record that began from a closed build."""
        return self.base_build_id is not None


def record_head(session: Session, record_id: int) -> Head:
    """What the head of a record says: one statement. Raises NotFound."""
    writer, hander = aliased(Person), aliased(Person)
    base, made = aliased(Build), aliased(Build)
    row = session.execute(
        select(
            *columns(
                Head,
                RebuildRecord,
                Design,
                stack_id=Stack.id,
                stack=Stack.serial,
                design_id=Design.id,
                design=Design.name,
                target_nm=Design.target_torque_nm,
                tolerance_percent=Design.torque_tolerance_percent,
                passes=Design.tightening_passes,
                written_by_id=writer.id,
                written_by=writer.name,
                handed_in_by=hander.name,
                base_build=base.number,
                build_id=made.id,
                build=made.number,
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(writer, writer.id == RebuildRecord.written_by_id)
        .outerjoin(hander, hander.id == RebuildRecord.handed_in_by_id)
        .outerjoin(base, base.id == RebuildRecord.base_build_id)
        .outerjoin(made, made.record_id == RebuildRecord.id)
        .where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return read_as(Head, row)
