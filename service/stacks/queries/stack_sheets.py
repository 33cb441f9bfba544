"""What belongs on the sheet of a stack besides its pile."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select, true
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import param, param_list, statement
from service.records.tables import (
    Decision,
    Handover,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
)
from service.stacks.queries.hours import StackHours, stack_hours
from service.stacks.queries.lineage import Split, lineage
from service.stacks.queries.stacks import (
    HELD_BY,
    OPEN,
    joined,
    standing_holds,
    state_in_a_word,
    written,
)
from service.stacks.queries.work_began import began_at
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Hold, Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class StackRecord:
    """One record of a stack."""

    id: int
    kind: RecordKind
    state: RecordState
    reason: str
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    written_at: datetime
    written_by: str
    base_build_id: int | None


@dataclass(frozen=True, slots=True)
class StackCorrection:
    """One correction of something handed in on a stack."""

    id: int
    record_id: int
    of: CorrectionOf
    subject_label: str
    old_value: str
    new_value: str
    reason: str
    state: CorrectionState
    written_by: str
    written_at: datetime


@dataclass(frozen=True, slots=True)
class FittedHold:
    """A standing hold on a stack, its design, or parts fitted in it, their lot or type."""

    id: int
    part_id: int | None
    label: str
    lot: str | None
    part_type: str | None
    held: str
    """what is on hold: part, lot, part type, design or stack"""
    reason: str
    placed_at: datetime
    position: int | None
    cell: int | None


@dataclass(frozen=True, slots=True)
class WorkLeft:
    """The last handover of the record being written: by whom, to whom, the state it was left in."""

    left_by: str
    taken_on_by: str
    pile: str
    covers: str
    done_at: datetime


@dataclass(frozen=True, slots=True)
class StackSheet:
    """What belongs on a stack's sheet besides its pile."""

    state: str
    being_written_id: int | None
    open_since: datetime | None
    """when the clamp was released, where the stack lies open in a record being written"""
    left: WorkLeft | None
    hours: StackHours
    records: tuple[StackRecord, ...]
    corrections: tuple[StackCorrection, ...]
    holds: tuple[FittedHold, ...]
    lineage: tuple[Split, ...]
    approved_by: dict[int, tuple[str, datetime]]
    """who approved each approved record, and when, by record number"""

    @property
    def holds_in_groups(self) -> tuple[tuple[FittedHold, tuple[FittedHold, ...]], ...]:
        """Each hold once, with the fitted parts it is on; those on the stack stand above them."""
        groups: dict[int, list[FittedHold]] = {}
        for held in (held for held in self.holds if held.held != "stack"):
            groups.setdefault(held.id, []).append(held)
        return tuple((held[0], tuple(held)) for held in groups.values())


@statement
def _state_of_one() -> Any:
    state_columns = select(
        state_in_a_word().label("state"),
        written.id.label("being_written_id"),
        written.opened_at.label("open_since"),
    )
    return joined(state_columns).where(Stack.id == param("stack_id"))


def stack_sheet(session: Session, stack_id: int) -> StackSheet:
    """Return what is told of a stack besides its pile.

    State, hours, records, corrections, holds, lineage.
    """
    row: Any = session.execute(_state_of_one(), {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    records = _records(session, stack_id)
    return StackSheet(
        state=row.state,
        being_written_id=row.being_written_id,
        open_since=row.open_since if row.state == OPEN else None,
        left=_left(session, row.being_written_id) if row.being_written_id else None,
        hours=stack_hours(session, [stack_id])[stack_id],
        records=records,
        corrections=_corrections(session, stack_id),
        holds=_holds(session, stack_id),
        lineage=lineage(session, stack_id),
        approved_by=approvals_of(session, [record.id for record in records]),
    )


def _left(session: Session, record_id: int) -> WorkLeft | None:
    left_by, taken_on_by = aliased(Person), aliased(Person)
    row = session.execute(
        select(
            *columns(WorkLeft, Handover, Step, left_by=left_by.name, taken_on_by=taken_on_by.name)
        )
        .join(Step, Step.id == Handover.step_id)
        .join(left_by, left_by.id == Handover.from_person_id)
        .join(taken_on_by, taken_on_by.id == Handover.to_person_id)
        .where(Handover.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence.desc())
        .limit(1)
    ).first()
    return read_as(WorkLeft, row) if row else None


RECORDS = (
    select(*columns(StackRecord, RebuildRecord, written_by=Person.name, performed_from=began_at()))
    .join(Person, Person.id == RebuildRecord.written_by_id)
    .where(RebuildRecord.stack_id == param("stack_id"))
    .order_by(began_at().desc(), RebuildRecord.id.desc())
)


def _records(session: Session, stack_id: int) -> tuple[StackRecord, ...]:
    rows: Any = session.execute(RECORDS, {"stack_id": stack_id})
    return read_all(StackRecord, rows)


CORRECTIONS = (
    select(*columns(StackCorrection, Correction, written_by=Person.name))
    .join(RebuildRecord, RebuildRecord.id == Correction.record_id)
    .join(Person, Person.id == Correction.written_by_id)
    .where(RebuildRecord.stack_id == param("stack_id"))
    .order_by(Correction.id.desc())
)


def _corrections(session: Session, stack_id: int) -> tuple[StackCorrection, ...]:
    rows: Any = session.execute(CORRECTIONS, {"stack_id": stack_id})
    return read_all(StackCorrection, rows)


@statement
def _holds_of_one() -> Any:
    held = standing_holds(
        Hold.id.label("id"),
        Hold.reason.label("reason"),
        Hold.placed_at.label("placed_at"),
        Part.id.label("part_id"),
        Part.serial.label("serial"),
        Part.item_number.label("item_number"),
        Part.lot_id.label("lot_id"),
        Part.part_type_id.label("part_type_id"),
        stack_ids=param_list("stack_ids"),
    )
    return (
        select(held, Lot.label.label("lot"), PartType.name, Layer.position, Layer.cell)
        .outerjoin(Lot, Lot.id == held.c.lot_id)
        .outerjoin(PartType, PartType.id == held.c.part_type_id)
        .outerjoin(Layer, and_(Layer.part_id == held.c.part_id, Layer.present == true()))
        .order_by(held.c.placed_at, held.c.id, Layer.position)
    )


def _holds(session: Session, stack_id: int) -> tuple[FittedHold, ...]:
    rows: Any = session.execute(_holds_of_one(), {"stack_ids": [stack_id]})
    return tuple(
        read_as(
            FittedHold,
            row,
            label=part_label(row.serial, row.lot, row.item_number) if row.part_id else "",
            part_type=row.name,
            held=HELD_BY[row.subject],
        )
        for row in rows
    )


APPROVALS = (
    select(
        Decision.record_id, with_login(Person, Decision.person_name).label("signed_by"), Decision.at
    )
    .join(Person, Person.id == Decision.person_id)
    .join(RebuildRecord, RebuildRecord.id == Decision.record_id)
    .where(
        Decision.record_id.in_(param_list("record_ids")),
        Decision.meaning == Meaning.APPROVED,
        Decision.correction_id.is_(None),
        Decision.content_sha256 == RebuildRecord.content_sha256,
        RebuildRecord.state == RecordState.APPROVED,
    )
    .order_by(Decision.id)
)


def approvals_of(session: Session, record_ids: Collection[int]) -> dict[int, tuple[str, datetime]]:
    """Say who approved each of these records, and when; a record sent back since is not in it."""
    rows = session.execute(APPROVALS, {"record_ids": list(record_ids)})
    return {record_id: (name, at) for record_id, name, at in rows}
