"""Stacks: the list with states, cells and holds, and one by its serial."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from sqlalchemy import ColumnElement, and_, case, func, literal, or_, select, type_coerce, union_all
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.platform.errors import NotFound
from service.platform.queries.answers import read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import known, statement
from service.records.tables import RebuildRecord, RecordState
from service.stacks.queries.hours import StackHours, stack_hours
from service.stacks.queries.release_standing import release_stands
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.queries.lot_trees import reaches
from service.store.tables import Hold, Part

OPEN = "open"
RELEASED = "released"
NOT_RELEASED = "not released"
DISMANTLED = "dismantled"
NO_BUILD_YET = "no build yet"
STATES = (OPEN, NOT_RELEASED, RELEASED, DISMANTLED, NO_BUILD_YET)

_BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)
written = aliased(RebuildRecord)
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
    """standing holds on the stack, its design, fitted parts, their lots and types"""


BY_SERIAL = Order((Stack.serial_key,))


def find_stack(session: Session, serial: str) -> int:
    """Return the stack of this serial, without regard to case and outer space. Raises NotFound."""
    stack_id = session.scalar(select(Stack.id).where(Stack.serial_key == serial_key(serial)))
    if stack_id is None:
        raise NotFound("stack", serial)
    return stack_id


@statement
def state_in_a_word() -> ColumnElement[str]:
    """Return the state of a stack in one word; needs what `joined` joins."""
    return case(
        (
            and_(
                written.opened_at.is_not(None),
                written.closed_at.is_(None),
                or_(Build.id.is_(None), Build.id == written.base_build_id),
            ),
            literal(OPEN),
        ),
        (release_stands(), literal(RELEASED)),
        (_made.id.is_not(None), literal(NOT_RELEASED)),
        (_last_number().is_not(None), literal(DISMANTLED)),
        else_=literal(NO_BUILD_YET),
    )


def _last_number(approved_only: bool = False) -> Any:
    """The number of the build that was closed last: one inserted later has a higher one."""
    period = aliased(BuildPeriod)
    number = (
        select(Build.number)
        .join(period, (period.build_id == Build.id) & known(period))
        .where(Build.stack_id == Stack.id)
        .order_by(period.closed_at.desc())
        .limit(1)
    )
    if approved_only:
        number = number.join(RebuildRecord, RebuildRecord.id == Build.record_id).where(
            RebuildRecord.state == RecordState.APPROVED
        )
    return number.correlate(Stack).scalar_subquery()


def joined(statement: Any) -> Any:
    """Join a stack with its design, present build, that one's record and the one being written."""
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
        .outerjoin(written, and_(written.stack_id == Stack.id, written.state.in_(_BEING_WRITTEN)))
    )


def stack_list(
    session: Session,
    turn: Turn = FIRST,
    *,
    text: str = "",
    design_id: int | None = None,
    state: str = "",
) -> Listing[ListedStack]:
    """Return the stacks with these words in serial or place. Six statements at most."""
    statement = _listed()
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
        statement = statement.where(state_in_a_word() == state)
    is_whole = not (text.strip() or design_id is not None or state)
    total = select(func.count()).select_from(Stack) if is_whole else None
    read = partial(_as_lines, session)
    return listing(session, statement, BY_SERIAL, turn, read, total=total)


def listed_stacks(session: Session, stack_ids: Collection[int]) -> dict[int, ListedStack]:
    """Return the same lines for stacks by their ids. Five statements."""
    rows = session.execute(_listed().where(Stack.id.in_(stack_ids))).all()
    return {each.id: each for each in _as_lines(session, rows)}


@statement
def _listed() -> Any:
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
    return joined(
        select(
            Stack.id,
            Stack.serial,
            Stack.serial_key,
            Design.name.label("design"),
            Design.revision,
            Stack.place,
            state_in_a_word().label("state"),
            written.id.label("being_written_id"),
            Build.number,
            _last_number().label("last_number"),
            cells.label("cells"),
            _last_number(approved_only=True).label("last_approved"),
        )
    )


def _as_lines(session: Session, rows: Sequence[Any]) -> tuple[ListedStack, ...]:
    ids = [row.id for row in rows]
    hours = stack_hours(session, ids)
    holds = _holds_counted(session, ids)
    return tuple(
        read_as(
            ListedStack,
            row,
            design=f"{row.design} {row.revision}",
            build_number=row.number or row.last_number,
            last_approved_build=row.last_approved,
            hours=hours[row.id],
            holds=holds.get(row.id, 0),
        )
        for row in rows
    )


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def standing_holds(*columns: Any, stack_ids: Any) -> Any:
    """Return standing holds on these stacks, the parts fitted, their lots, types and designs.

    Adds the stack, and ``subject``: its place in `HELD_BY`. One on design or stack names no part.
    """
    by = (Part.id == Hold.part_id, reaches(Part.lot_id),
          Part.part_type_id == Hold.part_type_id)  # fmt: skip
    of_parts = (
        select(*columns, Part.stack_id, _place(subject))
        .select_from(Hold)
        .join(Part, condition)
        .where(Hold.lifted_at.is_(None), Part.stack_id.in_(stack_ids))
        for subject, condition in enumerate(by)
    )
    of_design = (
        select(*columns, Stack.id, _place(len(by)))
        .select_from(Hold)
        .join(Stack, Stack.design_id == Hold.design_id)
        .outerjoin(Part, Part.id == Hold.part_id)
        .where(Hold.lifted_at.is_(None), Stack.id.in_(stack_ids))
    )
    of_stack = (
        select(*columns, Hold.stack_id, _place(len(by) + 1))
        .outerjoin(Part, Part.id == Hold.part_id)
        .where(Hold.lifted_at.is_(None), Hold.stack_id.in_(stack_ids))
    )
    return union_all(*of_parts, of_design, of_stack).subquery()


HELD_BY = ("part", "lot", "part type", "design", "stack")
"""What a hold that a stack shows is on."""


def _place(subject: int) -> Any:
    return type_coerce(literal(subject), Hold.id.type).label("subject")


def _holds_counted(session: Session, stack_ids: Collection[int]) -> dict[int, int]:
    held = standing_holds(Hold.id.label("id"), stack_ids=stack_ids)
    rows = session.execute(
        select(held.c.stack_id, func.count(held.c.id.distinct())).group_by(held.c.stack_id)
    )
    return dict(rows.all())


def designs_for_choice(session: Session) -> tuple[tuple[int, str], ...]:
    """Return every design with its revision, as a choice: (id, words)."""
    rows = session.execute(
        select(Design.id, Design.name, Design.revision).order_by(Design.name, Design.revision)
    )
    return tuple((row.id, f"{row.name} {row.revision}") for row in rows)
