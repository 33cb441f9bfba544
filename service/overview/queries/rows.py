"""The stacks on one page of the floor: cells, hours, last approved build, and what each needs."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import literal, select, union_all
from sqlalchemy.orm import Session

from service.overview.queries.columns import KINDS, NeedKind
from service.overview.queries.sources import Sources
from service.overview.queries.words import (
    ASKS_FOR,
    About,
    FittedPart,
    StackNeed,
    address,
    looked_at,
    sentence,
)
from service.platform.arithmetic.vocabulary import Kind
from service.platform.permissions import Answer, Person, RecordFacts, may, roles_who_may
from service.platform.queries.answers import grouped, grouped_as
from service.platform.queries.statements import param_list
from service.records.queries.records import people_on
from service.records.tables import RebuildRecord, RecordState
from service.stacks.queries.hours import build_hours
from service.stacks.queries.release_standing import release_stands, released_at
from service.stacks.queries.stacks import ListedStack, listed_stacks
from service.stacks.tables import Build, BuildPeriod, CellBridge, Layer
from service.store.arithmetic.identifiers import part_label, serial_key
from service.store.tables import Instrument, Lot, Part, PartType

# What a strip of cells shows of a stack: which of them fail, are held, blank or bridged.


class CellState(StrEnum):
    """What is to be seen of a cell; the first of two that are true is shown."""

    FAILING = "failing"
    RULE_MET = "rule met"
    HELD = "on hold"
    BRIDGED = "bridged"
    BLANK = "blank"


RANK = {state: place for place, state in enumerate(CellState)}


@dataclass(frozen=True, slots=True)
class CellMark:
    """One cell of which there is something to be seen."""

    cell: int
    seen: CellState


@dataclass(frozen=True, slots=True)
class Strip:
    """The cells of a stack from the fixed end, 0 where it has none; marks by cell."""

    cells: int
    marks: tuple[CellMark, ...]


def strips(
    session: Session, cells: Mapping[int, int], marks: Mapping[int, Sequence[CellMark]]
) -> dict[int, Strip]:
    """Return a strip for each stack, of so many cells, with these marks and its quiet cells.

    Blank and bridged cells are looked up. One statement.
    """
    marks_of: dict[int, dict[int, CellState]] = {stack_id: {} for stack_id in cells}
    quiet = _quiet_cells(session, cells)
    for stack_id, marked in marks_of.items():
        for mark in (*marks.get(stack_id, ()), *quiet.get(stack_id, ())):
            before = marked.get(mark.cell)
            if before is None or RANK[mark.seen] < RANK[before]:
                marked[mark.cell] = mark.seen
    return {
        stack_id: Strip(
            cells[stack_id], tuple(CellMark(cell, state) for cell, state in sorted(marked.items()))
        )
        for stack_id, marked in marks_of.items()
    }


def _quiet_cells(session: Session, stack_ids: Collection[int]) -> dict[int, list[CellMark]]:
    blank = (
        select(Part.stack_id, Layer.cell, literal(CellState.BLANK.value).label("seen"))
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
        select(CellBridge.stack_id, CellBridge.cell, literal(CellState.BRIDGED.value))
        .join(BuildPeriod, BuildPeriod.build_id == CellBridge.build_id)
        .where(
            CellBridge.stack_id.in_(stack_ids),
            CellBridge.known_until.is_(None),
            CellBridge.until_at.is_(None),
            BuildPeriod.known_until.is_(None),
            BuildPeriod.opened_at.is_(None),
        )
    )
    rows: Any = session.execute(union_all(blank, bridged))
    return grouped_as(rows, "stack_id", lambda row: CellMark(row.cell, CellState(row.seen)))


NAMED_MOST = 60
"""Parts under one hold that are looked up one by one, in one stack."""
DECIDED = (
    NeedKind.RAN_UNRELEASED,
    NeedKind.RELEASE_AGAIN,
    NeedKind.RECORD_WAITING,
    NeedKind.CORRECTION_WAITING,
)
"""Whoever had a part in the record does not decide on it."""
OF_PARTS = (NeedKind.FAILING, NeedKind.RULE_MET, NeedKind.HELD, NeedKind.TO_DECIDE)
OF_CLOSED = (NeedKind.LEAK_TEST, NeedKind.RE_TORQUE)
SEEN_AS = {
    NeedKind.FAILING: CellState.FAILING,
    NeedKind.RULE_MET: CellState.RULE_MET,
    NeedKind.HELD: CellState.HELD,
}


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that needs somebody; ``may`` says whether the asker may see to it, or why not.

    ``address`` is where whoever may sees to it, for others where it is looked at; ``look`` is
    that second page with its word, where there is another one.
    """

    kind: NeedKind
    sentence: str
    address: str
    roles: tuple[str, ...]
    may: Answer
    since: datetime | None
    look: tuple[str, str] | None = None
    is_kept_from: bool = False
    """the asker has a role for it, and had a part in it"""

    @property
    def for_whom(self) -> str:
        """The roles in words."""
        *others, last = self.roles
        return f"{', '.join(others)} or {last}" if others else last


@dataclass(frozen=True, slots=True)
class LastApproved:
    """The last build whose record was approved; ``released`` once, ``stands``: still."""

    number: int
    is_present: bool
    released_at: datetime | None
    stands: bool


@dataclass(frozen=True, slots=True)
class FloorStack:
    """One stack: its line in the list, its cells, its last approved build, what it needs."""

    line: ListedStack
    strip: Strip
    last_approved: LastApproved | None
    needs: tuple[Need, ...]

    @property
    def place(self) -> tuple[int, str]:
        """Where it stands in the order of the floor: rank and serial."""
        rank = min((KINDS.index(need.kind) for need in self.needs), default=len(KINDS))
        return rank, serial_key(self.line.serial)


def floor_rows(
    session: Session,
    person: Person,
    sources: Sources,
    values: Mapping[str, Any],
    ids: Sequence[int],
) -> tuple[FloorStack, ...]:
    """Return what there is to tell of these stacks, in order. A constant number of statements."""
    needs = [
        StackNeed(KINDS[row.kind], row.stack_id, row.subject_id or 0, row.other_id or 0,
              row.by_id or 0, row.at, row.note or "")
        for row in session.execute(sources.details(), {**values, "stack_ids": list(ids)})
    ]  # fmt: skip
    lines = listed_stacks(session, ids)
    approved = _last_approved(session, ids)
    parts = _fitted(session, _parts_named(needs))
    tools = _instruments(
        session, {need.subject_id for need in needs if need.kind is NeedKind.INSTRUMENT}
    )
    ran = build_hours(session, ids)
    records = {need.other_id for need in needs if need.kind in DECIDED}
    involved = people_on(session, records)
    corrected = people_on(session, records, with_corrections=False)
    marks = _marks(needs, parts)
    drawn = strips(session, {need: lines[need].cells or 0 for need in ids}, marks)
    needs_of_stack = grouped(_grouped(needs), "stack_id")

    def told(need: StackNeed, line: ListedStack) -> Need:
        part = parts.get(_part_of(need)) if need.kind in OF_PARTS else None
        about = About(
            line.serial,
            None if need.kind in OF_CLOSED and not need.subject_id else line.build_number,
            line.being_written_id,
            ran.get(need.subject_id) if need.kind is NeedKind.RAN_UNRELEASED else None,
            part,
            tools.get(need.subject_id, ""),
        )
        act = ASKS_FOR[need.kind]
        people = corrected if need.kind is NeedKind.CORRECTION_WAITING else involved
        facts = RecordFacts(written_by=need.by_id, involved=people.get(need.other_id, frozenset()))
        answer = may(person, act, facts if need.kind in DECIDED else RecordFacts())
        look = looked_at(need, about)
        way = address(need, about) if answer else look[1]
        return Need(
            need.kind,
            sentence(need, about),
            way,
            tuple(role.value for role in roles_who_may(act)),
            answer,
            need.at,
            None if way == look[1] else look,
            not answer and bool(may(person, act)),
        )

    return tuple(
        FloorStack(
            lines[stack_id],
            drawn[stack_id],
            approved.get(stack_id),
            tuple(told(need, lines[stack_id]) for need in needs_of_stack[stack_id]),
        )
        for stack_id in ids
    )


def _grouped(needs: Sequence[StackNeed]) -> list[StackNeed]:
    """The needs in the order they are told; parts under one hold, uses of one tool are one."""
    first: dict[tuple[int, NeedKind, int], StackNeed] = {}
    for need in sorted(
        needs, key=lambda need: (KINDS.index(need.kind), need.subject_id, need.other_id)
    ):
        key = (need.stack_id, need.kind, need.subject_id)
        before = first.get(key)
        first[key] = need if before is None else replace(before, more=before.more + 1)
    return list(first.values())


def _part_of(need: StackNeed) -> int:
    return need.other_id if need.kind is NeedKind.HELD else need.subject_id


def _parts_named(needs: Sequence[StackNeed]) -> set[int]:
    """The parts to be looked up: of one hold in one stack no more than a strip can show."""
    of_hold: dict[tuple[int, int], list[int]] = defaultdict(list)
    part_ids = set()
    for need in needs:
        if need.kind is NeedKind.HELD:
            of_hold[need.stack_id, need.subject_id].append(need.other_id)
        elif need.kind in OF_PARTS:
            part_ids.add(need.subject_id)
    for parts in of_hold.values():
        part_ids.update(sorted(parts)[:NAMED_MOST])
    return part_ids


def _fitted(session: Session, part_ids: Collection[int]) -> dict[int, FittedPart]:
    rows = session.execute(
        select(Part.id, Part.serial, Lot.label, Part.item_number, PartType.kind, Layer.cell)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Layer, (Layer.part_id == Part.id) & Layer.present)
        .where(Part.id.in_(part_ids))
    )
    return {
        row.id: FittedPart(
            row.id,
            part_label(row.serial, row.label, row.item_number),
            str(row.kind),
            row.cell,
            row.kind is Kind.MEA,
        )
        for row in rows
    }


def _marks(
    needs: Sequence[StackNeed], parts: Mapping[int, FittedPart]
) -> dict[int, list[CellMark]]:
    """What the needs say of cells; of a held gasket beside a cell nothing is said of that cell."""
    marks: dict[int, list[CellMark]] = defaultdict(list)
    for need in needs:
        part = parts.get(_part_of(need)) if need.kind in SEEN_AS else None
        if part is not None and part.is_mea and part.cell is not None:
            marks[need.stack_id].append(CellMark(part.cell, SEEN_AS[need.kind]))
    return marks


def _instruments(session: Session, ids: Collection[int]) -> dict[int, str]:
    rows = session.execute(
        select(Instrument.id, Instrument.kind, Instrument.label).where(Instrument.id.in_(ids))
    )
    return {row.id: f"{str(row.kind).capitalize()} {row.label}" for row in rows}


_APPROVED = (
    select(
        Build.stack_id,
        Build.number,
        BuildPeriod.opened_at,
        released_at().label("released_at"),
        release_stands().label("stands"),
    )
    .join(RebuildRecord, RebuildRecord.id == Build.record_id)
    .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & BuildPeriod.known_until.is_(None))
    .where(Build.stack_id.in_(param_list("stack_ids")), RebuildRecord.state == RecordState.APPROVED)
    .order_by(Build.stack_id, BuildPeriod.closed_at)
)


def _last_approved(session: Session, stack_ids: Collection[int]) -> dict[int, LastApproved]:
    """Of each stack the approved build that was closed last. One statement."""
    rows = session.execute(_APPROVED, {"stack_ids": list(stack_ids)})
    return {
        row.stack_id: LastApproved(
            row.number, row.opened_at is None, row.released_at, bool(row.stands)
        )
        for row in rows
    }
