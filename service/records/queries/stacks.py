"""Stacks: the list, one by its serial, and what belongs on its sheet besides the pile."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    and_,
    bindparam,
    case,
    func,
    literal,
    or_,
    select,
    true,
    type_coerce,
    union_all,
)
from sqlalchemy.orm import Session, aliased

from service.records.errors import NotFound
from service.records.queries.hours import StackHours, stack_hours
from service.records.queries.prepared import given, given_all, prepared
from service.records.tables.corrections import Correction, CorrectionOf, CorrectionState
from service.records.tables.designs import Design
from service.records.tables.holds import Hold
from service.records.tables.parts import Lot, Part
from service.records.tables.people import Person
from service.records.tables.rebuild_records import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordState,
)
from service.records.tables.stacks import Build, BuildPeriod, Layer, Stack
from service.trade.identifiers import serial_key
from service.trade.labels import part_label

OPEN = "open"
RELEASED = "released"
NOT_RELEASED = "not released"
DISMANTLED = "dismantled"
NO_BUILD_YET = "no build yet"
STATES = (OPEN, NOT_RELEASED, RELEASED, DISMANTLED, NO_BUILD_YET)

_BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)
_written = aliased(RebuildRecord)
_made = aliased(RebuildRecord)


@dataclass(frozen=True, slots=True)
class ListedStack:
    """One line of the list of stacks."""

    id: int
    serial: str
    design: str
    place: str
    state: str
    being_written_id: int | None
    """number of the record being written"""
    build_number: int | None
    """of the present build, else of the last one"""
    cells: int | None
    last_approved_build: int | None
    hours: StackHours
    holds: int
    """standing holds on fitted parts and their lots"""


@dataclass(frozen=True, slots=True)
class StackList:
    """One page of stacks in the order of their serials; ``after`` continues, None at the end."""

    rows: tuple[ListedStack, ...]
    after: str | None


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
    """A standing hold on parts fitted in a stack, or on their lot."""

    id: int
    part_id: int
    label: str
    lot: str | None
    of_lot: bool
    reason: str
    placed_at: datetime
    position: int | None
    cell: int | None


@dataclass(frozen=True, slots=True)
class StackSheet:
    """What belongs on a stack's sheet besides its pile."""

    state: str
    being_written_id: int | None
    hours: StackHours
    records: tuple[StackRecord, ...]
    corrections: tuple[StackCorrection, ...]
    holds: tuple[FittedHold, ...]
    approved_by: dict[int, tuple[str, datetime]]
    """who approved each approved record, and when, by record number"""


def find_stack(session: Session, serial: str) -> int:
    """Which stack has this serial, without regard to case and surrounding space? NotFound."""
    found = session.scalar(select(Stack.id).where(Stack.serial_key == serial_key(serial)))
    if found is None:
        raise NotFound("stack", serial)
    return found


def _state() -> ColumnElement[str]:
    """The state of a stack in one word; needs the joins of `_states`."""
    return case(
        (
            and_(_written.opened_at.is_not(None), _written.closed_at.is_(None)),
            literal(OPEN),
        ),
        (_made.state == RecordState.APPROVED, literal(RELEASED)),
        (_made.id.is_not(None), literal(NOT_RELEASED)),
        (_last_number().is_not(None), literal(DISMANTLED)),
        else_=literal(NO_BUILD_YET),
    )


def _last_number(approved_only: bool = False) -> Any:
    number = select(func.max(Build.number)).where(Build.stack_id == Stack.id)
    if approved_only:
        number = number.join(RebuildRecord, RebuildRecord.id == Build.record_id).where(
            RebuildRecord.state == RecordState.APPROVED
        )
    return number.correlate(Stack).scalar_subquery()


def _joined(statement: Any) -> Any:
    return (
        statement.select_from(Stack)
        .join(Design, Design.id == Stack.design_id)
        .outerjoin(
            BuildPeriod,
            and_(
                BuildPeriod.stack_id == Stack.id,
                BuildPeriod.known_until.is_(None),
                BuildPeriod.opened_at.is_(None),
            ),
        )
        .outerjoin(Build, Build.id == BuildPeriod.build_id)
        .outerjoin(_made, _made.id == Build.record_id)
        .outerjoin(
            _written, and_(_written.stack_id == Stack.id, _written.state.in_(_BEING_WRITTEN))
        )
    )


def stack_list(
    session: Session,
    *,
    text: str = "",
    design_id: int | None = None,
    state: str = "",
    after: str = "",
    limit: int = 50,
) -> StackList:
    """Which stacks are there? Filtered by words in serial or place, design, state.

    Pages go by the serial's key: ``after`` is the last one of the page before. Five statements.
    """
    last_layer = aliased(Layer)
    cells = (
        select(last_layer.cell)
        .where(
            last_layer.build_id == Build.id,
            last_layer.known_until.is_(None),
            last_layer.cell.is_not(None),
        )
        .order_by(last_layer.position.desc())
        .limit(1)
        .correlate(Build)
        .scalar_subquery()
    )
    statement = _joined(
        select(
            Stack.id,
            Stack.serial,
            Stack.serial_key,
            Design.name.label("design"),
            Design.revision,
            Stack.place,
            _state().label("state"),
            _written.id.label("being_written_id"),
            Build.number,
            _last_number().label("last_number"),
            cells.label("cells"),
            _last_number(approved_only=True).label("last_approved"),
        )
    )
    if text.strip():
        pattern = "%" + _escaped(serial_key(text)) + "%"
        statement = statement.where(
            or_(
                Stack.serial_key.like(pattern, escape="\\"),
                func.lower(Stack.place).like(pattern, escape="\\"),
            )
        )
    if design_id is not None:
        statement = statement.where(Stack.design_id == design_id)
    if state:
        statement = statement.where(_state() == state)
    if after:
        statement = statement.where(Stack.serial_key > after)
    rows: Sequence[Any] = session.execute(
        statement.order_by(Stack.serial_key).limit(limit + 1)
    ).all()
    shown = rows[:limit]
    ids = [row.id for row in shown]
    hours = stack_hours(session, ids)
    holds = _holds_counted(session, ids)
    return StackList(
        rows=tuple(
            ListedStack(
                id=row.id,
                serial=row.serial,
                design=f"{row.design} {row.revision}",
                place=row.place,
                state=row.state,
                being_written_id=row.being_written_id,
                build_number=row.number or row.last_number,
                cells=row.cells,
                last_approved_build=row.last_approved,
                hours=hours[row.id],
                holds=holds.get(row.id, 0),
            )
            for row in shown
        ),
        after=shown[-1].serial_key if len(rows) > limit else None,
    )


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def _holds_of(*columns: Any, stack_ids: Any) -> Any:
    """Standing holds on parts fitted in these stacks, and on the lots of such parts."""
    own = (
        select(*columns, type_coerce(literal(0), Hold.id.type).label("of_lot"))
        .select_from(Hold)
        .join(Part, Part.id == Hold.part_id)
        .where(Hold.lifted_at.is_(None), Part.stack_id.in_(stack_ids))
    )
    of_lot = (
        select(*columns, type_coerce(literal(1), Hold.id.type).label("of_lot"))
        .select_from(Hold)
        .join(Part, Part.lot_id == Hold.lot_id)
        .where(Hold.lifted_at.is_(None), Part.stack_id.in_(stack_ids))
    )
    return union_all(own, of_lot).subquery()


def _holds_counted(session: Session, stack_ids: Collection[int]) -> dict[int, int]:
    held = _holds_of(Hold.id.label("id"), Part.stack_id, stack_ids=stack_ids)
    rows = session.execute(
        select(held.c.stack_id, func.count(held.c.id.distinct())).group_by(held.c.stack_id)
    )
    return dict(rows.all())


@cache
def _state_of_one() -> Any:
    # made once: putting such a statement together takes longer than asking it
    return _joined(select(_state().label("state"), _written.id.label("being_written_id"))).where(
        Stack.id == bindparam("stack_id")
    )


def stack_sheet(session: Session, stack_id: int) -> StackSheet:
    """What is told of a stack besides its pile: state, hours, records, corrections, holds."""
    row: Any = session.execute(_state_of_one(), {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    records = _records(session, stack_id)
    return StackSheet(
        state=row.state,
        being_written_id=row.being_written_id,
        hours=stack_hours(session, [stack_id])[stack_id],
        records=records,
        corrections=_corrections(session, stack_id),
        holds=_holds(session, stack_id),
        approved_by=approvals_of(session, [record.id for record in records]),
    )


def _records(session: Session, stack_id: int) -> tuple[StackRecord, ...]:
    rows: Any = session.execute(
        prepared(
            lambda: (
                select(
                    RebuildRecord.id,
                    RebuildRecord.kind,
                    RebuildRecord.state,
                    RebuildRecord.reason,
                    RebuildRecord.performed_from,
                    RebuildRecord.opened_at,
                    RebuildRecord.closed_at,
                    RebuildRecord.written_at,
                    Person.name,
                    RebuildRecord.base_build_id,
                )
                .join(Person, Person.id == RebuildRecord.written_by_id)
                .where(RebuildRecord.stack_id == given("stack_id"))
                .order_by(RebuildRecord.performed_from.desc(), RebuildRecord.id.desc())
            )
        ),
        {"stack_id": stack_id},
    )
    return tuple(StackRecord(*row) for row in rows)


def _corrections(session: Session, stack_id: int) -> tuple[StackCorrection, ...]:
    rows: Any = session.execute(
        prepared(
            lambda: (
                select(
                    Correction.id,
                    Correction.record_id,
                    Correction.of,
                    Correction.subject_label,
                    Correction.old_value,
                    Correction.new_value,
                    Correction.reason,
                    Correction.state,
                    Person.name,
                    Correction.written_at,
                )
                .join(RebuildRecord, RebuildRecord.id == Correction.record_id)
                .join(Person, Person.id == Correction.written_by_id)
                .where(RebuildRecord.stack_id == given("stack_id"))
                .order_by(Correction.id.desc())
            )
        ),
        {"stack_id": stack_id},
    )
    return tuple(StackCorrection(*row) for row in rows)


@cache
def _holds_of_one() -> Any:
    held = _holds_of(
        Hold.id.label("id"),
        Hold.reason.label("reason"),
        Hold.placed_at.label("placed_at"),
        Part.id.label("part_id"),
        Part.serial.label("serial"),
        Part.item_number.label("item_number"),
        Part.lot_id.label("lot_id"),
        stack_ids=bindparam("stack_ids", expanding=True),
    )
    return (
        select(held, Lot.label.label("lot"), Layer.position, Layer.cell)
        .outerjoin(Lot, Lot.id == held.c.lot_id)
        .outerjoin(Layer, and_(Layer.part_id == held.c.part_id, Layer.present == true()))
        .order_by(held.c.placed_at, held.c.id, Layer.position)
    )


def _holds(session: Session, stack_id: int) -> tuple[FittedHold, ...]:
    rows: Any = session.execute(_holds_of_one(), {"stack_ids": [stack_id]})
    return tuple(
        FittedHold(
            id=row.id,
            part_id=row.part_id,
            label=part_label(row.serial, row.lot, row.item_number),
            lot=row.lot,
            of_lot=bool(row.of_lot),
            reason=row.reason,
            placed_at=row.placed_at,
            position=row.position,
            cell=row.cell,
        )
        for row in rows
    )


def approvals_of(session: Session, record_ids: Collection[int]) -> dict[int, tuple[str, datetime]]:
    """Who approved each of these records, and when; a record sent back since is not in it."""
    rows = session.execute(
        prepared(
            lambda: (
                select(Decision.record_id, Decision.person_name, Decision.at)
                .join(RebuildRecord, RebuildRecord.id == Decision.record_id)
                .where(
                    Decision.record_id.in_(given_all("record_ids")),
                    Decision.meaning == Meaning.APPROVED,
                    Decision.correction_id.is_(None),
                    Decision.content_sha256 == RebuildRecord.content_sha256,
                    RebuildRecord.state == RecordState.APPROVED,
                )
                .order_by(Decision.id)
            )
        ),
        {"record_ids": list(record_ids)},
    )
    return {record_id: (name, at) for record_id, name, at in rows}


def designs_for_choice(session: Session) -> tuple[tuple[int, str], ...]:
    """Every design with its revision, as a choice: (id, words)."""
    rows = session.execute(
        select(Design.id, Design.name, Design.revision).order_by(Design.name, Design.revision)
    )
    return tuple((row.id, f"{row.name} {row.revision}") for row in rows)


__all__ = [
    "STATES",
    "FittedHold",
    "ListedStack",
    "StackCorrection",
    "StackList",
    "StackRecord",
    "StackSheet",
    "approvals_of",
    "designs_for_choice",
    "find_stack",
    "stack_list",
    "stack_sheet",
]
