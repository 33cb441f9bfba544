"""A stack taken over in the middle of its life: its pile as somebody wrote it down.

Everything is one change: the stack, missing parts and lots, a record of the kind “taken over” with
an entry for each layer, handed in by whoever brings it. It waits for approval by somebody else.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.platform import changes
from service.platform.arithmetic.dates import span_of
from service.platform.arithmetic.vocabulary import End, Facing, Usability, Whereabouts
from service.platform.audit import Event
from service.platform.changes import Stored
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes.attachments import put_attachment
from service.records.changes.eligibility import use_in_spite
from service.records.changes.rebuild_records import begin_record
from service.records.tables import RebuildRecord, RecordKind, Step, StepKind
from service.runs.queries.run_checks import Shown
from service.stacks.changes.hours import enter_reading, hours_beyond_time
from service.stacks.changes.stacks import FirstMeter, make_stack
from service.stacks.tables import Build, Moment
from service.store.arithmetic.identifiers import TEMPORARY, maker_key, part_label, serial_key
from service.store.changes.identities import hold_unread, next_temporary
from service.store.changes.imports import AT_ONCE, LotKey, NewLot, SourceFile, lots_known
from service.store.changes.lots import put_lot
from service.store.queries.forbids import Cause, Forbids, forbids_of_parts
from service.store.tables import Lot, Part


@dataclass(frozen=True, slots=True)
class StackHead:
    """What is said of the whole stack.

    ``closed_at`` is when the present build, number ``build_number``, was closed. Hours in h:
    ``hours_at_closing`` as the meter, counting from 0, showed then; ``hours_now`` as it shows at
    ``read_at``. Where only the latter is known, the hours before are not known. ``accept_new``:
    whoever takes it over may judge parts and accepts those that are new; else they are not
    inspected, but for items of lots the lab has.
    """

    serial: str
    design_id: int
    build_number: int
    closed_at: datetime
    place: str = ""
    hours_at_closing: float | None = None
    hours_now: float | None = None
    read_at: datetime | None = None
    reason: str = "Taken over from the records kept before."
    accept_new: bool = False


@dataclass(frozen=True, slots=True)
class PartInPile:
    """One part of the pile or clamp; ``line`` is of the file.

    ``part_id`` where it is known already; else it is made: with ``serial``, a temporary one, or as
    the next item of its lot. A layer has a position, a fixing a rod's number or an end.
    """

    line: int
    part_type_id: int
    position: int | None = None
    rod_number: int | None = None
    end: End | None = None
    part_id: int | None = None
    serial: str = ""
    is_unread: bool = False
    """no serial can be read: it gets a temporary identity"""
    maker: str = ""
    lot: LotKey | None = None
    facing: Facing = Facing.EITHER
    hours_before: float = 0.0
    hours_before_unknown: bool | None = None


@dataclass(frozen=True, slots=True)
class StackPlan:
    """What a list of a stack's pile would make: layers from the fixed end on, then fixings."""

    source: SourceFile
    head: StackHead
    lots: tuple[NewLot, ...]
    parts: tuple[PartInPile, ...]


def write_stack(work: Work, plan: StackPlan, file: Stored | None = None) -> int:
    """Make the stack with its pile and hand its record in; give the record's number.

    ``file`` is the list itself, which stays attached to the record. Raises Refused or
    RefusedTogether naming the line of a part that is not at hand any more, and as
    `make_stack`, `begin_record` and `hand_in` do.
    """
    need(work.by, Act.IMPORT)
    need(work.by, Act.STACK_WRITE)
    if plan.head.accept_new:
        need(work.by, Act.PART_JUDGE)
    head = _checked(work, plan.head)
    stack, _design = make_stack(
        work, serial=head.serial, design_id=head.design_id, place=head.place, meter=_meter(head)
    )
    by_command = f" Written by command, for {work.by.login}." if work.via == "command" else ""
    record_id = begin_record(
        work,
        stack_id=stack.id,
        kind=RecordKind.TAKEN_OVER,
        reason=f"{head.reason} Transcribed from {plan.source.name}.{by_command}",
        performed_from=head.closed_at,
    )
    record = work.session.get_one(RebuildRecord, record_id)
    part_ids = _parts(work, plan)
    _use_parts(work, record, plan.parts, part_ids)
    _fit(work, record, plan.parts, part_ids)
    record.closed_at = head.closed_at
    _read_hours(work, record, head)
    if file is not None:
        put_attachment(work, file, record_id=record_id)
    work.session.add(Build(stack_id=stack.id, number=head.build_number, record_id=record_id))
    work.session.flush()
    sha256 = hand_in(work, record_id, None)
    work.note(
        Event.STACK_IMPORTED,
        ("stack", stack.id, stack.serial),
        [
            ("file", None, plan.source.name),
            ("SHA-256 of the file", None, plan.source.sha256),
            ("build", None, head.build_number),
            ("parts", None, len(plan.parts)),
            ("parts made", None, sum(part.part_id is None for part in plan.parts)),
            ("new parts accepted", None, "yes" if head.accept_new else None),
            (
                "parts with unknown hours before",
                None,
                sum(part.hours_before_unknown is True for part in plan.parts) or None,
            ),
            ("lots made", None, len(plan.lots)),
            ("content", None, sha256),
        ],
        reason=head.reason,
        stack_id=stack.id,
        record_id=record_id,
    )
    return record_id


def _checked(work: Work, head: StackHead) -> StackHead:
    changes.not_ahead("closed_at", head.closed_at, work.now)
    closed = span_of(head.closed_at)
    head = replace(head, closed_at=closed.moment(now=work.now))
    if head.read_at is not None:
        changes.not_ahead("read_at", head.read_at, work.now)
        if head.read_at < closed.begins:
            right = "A time after the closing would be right."
            raise Refused("read_at", f"{head.read_at:%Y-%m-%d}", "it lies before closing.", right)
    if not 1 <= head.build_number <= 10_000:
        raise Refused("build_number", head.build_number, "builds count from 1.", "1 or more.")
    for name in ("hours_at_closing", "hours_now"):
        changes.not_below_zero(name, getattr(head, name), "h")
    if (
        head.hours_at_closing is not None
        and head.hours_now is not None
        and head.hours_now < head.hours_at_closing
    ):
        right = f"{head.hours_at_closing:g}\u2009h or more would be right."
        raise Refused("hours_now", head.hours_now, "it showed more at the closing.", right)
    if head.hours_at_closing is not None and head.hours_now is not None:
        at_closing = Shown(head.hours_at_closing, head.closed_at)
        read_at = head.read_at or work.now
        if beyond := hours_beyond_time([at_closing], head.hours_now, read_at):
            raise Refused(
                "hours_now", f"{head.hours_now:g}", beyond, "Both readings and their times."
            )
    changes.reason(head.reason)
    return head


def _meter(head: StackHead) -> FirstMeter | None:
    if head.hours_at_closing is not None:
        return FirstMeter(0.0, fitted_at=head.closed_at)
    if head.hours_now is not None:
        return FirstMeter(head.hours_now, fitted_at=head.read_at)
    return None


def _read_hours(work: Work, record: RebuildRecord, head: StackHead) -> None:
    if head.hours_at_closing is None:
        return
    enter_reading(
        work,
        record.stack_id,
        hours=head.hours_at_closing,
        taken_at=head.closed_at,
        moment=Moment.CLOSING,
        record_id=record.id,
    )
    if head.hours_now is not None:
        enter_reading(
            work,
            record.stack_id,
            hours=head.hours_now,
            taken_at=head.read_at or work.now,
            moment=Moment.RUNNING,
        )


def _parts(work: Work, plan: StackPlan) -> list[int]:
    """The id of each part of the plan, made where it is not known yet."""
    lot_ids = lots_known(work.session, {part.lot for part in plan.parts if part.lot})
    received = set(lot_ids)
    for lot in plan.lots:
        lot_ids[lot.key] = put_lot(work, lot.part_type_id, lot.entry).id
    new = [part for part in plan.parts if part.part_id is None]
    number = next_temporary(work) if any(part.is_unread for part in new) else 0
    named = {}
    for part in new:
        named[part.line] = f"{TEMPORARY}{number}" if part.is_unread else part.serial
        number += part.is_unread
    counted = (lot_ids[part.lot] for part in new if part.lot and not named[part.line])
    items = _next_items(work, counted)
    rows: list[dict[str, object]] = []
    for part in new:
        lot_id = lot_ids[part.lot] if part.lot else None
        item, serial = None, named[part.line]
        if not serial:
            if lot_id is None:
                raise Refused("lot", "", f"line {part.line}: a counted item needs its lot.")
            item = items[lot_id]
            items[lot_id] += 1
        rows.append(
            {
                "part_type_id": part.part_type_id,
                "lot_id": lot_id,
                "serial": serial or None,
                "serial_key": serial_key(serial) if serial else None,
                "maker": part.maker,
                "maker_key": maker_key(part.maker),
                "item_number": item,
                "hours_before": part.hours_before,
                "hours_before_unknown": part.hours_before_unknown,
                "whereabouts": Whereabouts.IN_STORE,
                "stack_id": None,
                "place": "",
                "usability": Usability.ACCEPTED_USED
                if plan.head.accept_new or (item is not None and part.lot in received)
                else Usability.NOT_INSPECTED,
                "reserved_for_stack_id": None,
                "notes": f"transcribed from {plan.source.name}",
                "added_at": work.now,
            }
        )
    _refuse_too_many(work, items)
    ids_made: list[int] = []
    for start in range(0, len(rows), AT_ONCE):
        ids_made += work.session.scalars(
            insert(Part).returning(Part.id, sort_by_parameter_order=True),
            rows[start : start + AT_ONCE],
        )
    for row in work.session.scalars(
        select(Part).where(
            Part.id.in_([key for key, part in zip(ids_made, new, strict=True) if part.is_unread])
        )
    ):
        hold_unread(work, row, f"in the list {plan.source.name}")
    fresh = iter(ids_made)
    return [next(fresh) if part.part_id is None else part.part_id for part in plan.parts]


def _next_items(work: Work, lot_ids: Iterable[int]) -> dict[int, int]:
    """For each lot the number its next item gets."""
    ids = sorted(set(lot_ids))
    rows = work.session.execute(
        select(Part.lot_id, func.max(Part.item_number).label("most"))
        .where(Part.lot_id.in_(ids))
        .group_by(Part.lot_id)
    )
    highest = {row.lot_id: row.most for row in rows}
    return {lot_id: (highest.get(lot_id) or 0) + 1 for lot_id in ids}


def _refuse_too_many(work: Work, items: dict[int, int]) -> None:
    """No lot gives more items than it has."""
    rows = work.session.execute(select(Lot.id, Lot.label, Lot.quantity).where(Lot.id.in_(items)))
    for row in rows:
        if row.quantity is not None and items[row.id] - 1 > row.quantity:
            reason = f"it has {row.quantity} items, and {items[row.id] - 1} would be taken."
            raise Refused("lot", row.label, reason, "Another lot, or its quantity put right first.")


def _use_parts(
    work: Work, record: RebuildRecord, parts: Sequence[PartInPile], part_ids: Sequence[int]
) -> None:
    """Let the parts be used here as at the bench: a bad one sits there under a concession only.

    A known part is free to be fitted; one lifted off elsewhere is looked at by `hand_in`. Of what
    is made just now only holds on its lot and its type are known.
    """
    lines = {part_id: part.line for part, part_id in zip(parts, part_ids, strict=True)}
    ids_made = {part_id for part, part_id in zip(parts, part_ids, strict=True) if not part.part_id}
    forbids = forbids_in_list(
        work.session, part_ids, stack_id=record.stack_id, on=record.performed_from
    )
    against = {
        part_id: tuple(x for x in some if x.cause in WITH_MANY or part_id not in ids_made)
        for part_id, some in forbids.items()
    }
    rows = work.session.execute(
        select(Part, Lot.label)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(list(against)))
    ).all()
    names = {
        part.id: ("serial", part_label(part.serial, lot, part.item_number)) for part, lot in rows
    }
    parts_against = [part for part, _lot in rows]
    use_in_spite(work, record, parts_against, against, names=names, lines=lines)


def forbids_in_list(
    session: Session, part_ids: Sequence[int], *, stack_id: int, on: datetime | None
) -> dict[int, tuple[Forbids, ...]]:
    """Return what forbids each part of a list in a stack; ``stack_id`` 0: one not made yet.

    A hold on the design forbids nothing: the stack stands as it is.
    """
    forbids: dict[int, tuple[Forbids, ...]] = {}
    for start in range(0, len(part_ids), AT_ONCE):
        some = part_ids[start : start + AT_ONCE]
        forbids |= forbids_of_parts(session, some, stack_id=stack_id, on=on)
    return {
        part_id: tuple(x for x in of_it if x.cause is not Cause.DESIGN_HOLD)
        for part_id, of_it in forbids.items()
    }


WITH_MANY = (Cause.LOT_HOLD, Cause.TYPE_HOLD)
"""What is said of many parts at once, and so of one that is new."""


def _fit(
    work: Work, record: RebuildRecord, parts: Sequence[PartInPile], part_ids: Sequence[int]
) -> None:
    """An entry for each layer from the fixed end, each fixing, and the closing; then all sit."""
    before = {
        row.id: row
        for start in range(0, len(part_ids), AT_ONCE)
        for row in work.session.execute(
            select(Part.id, Part.whereabouts, Part.place).where(
                Part.id.in_(part_ids[start : start + AT_ONCE])
            )
        )
    }
    common = {
        "record_id": record.id,
        "done_at": record.performed_from,
        "written_at": work.now,
        "by_id": work.by.id,
        "note": "",
    }
    rows: list[dict[str, object]] = [
        common
        | {
            "sequence": sequence,
            "kind": StepKind.FIXING_FITTED if part.position is None else StepKind.PUT_ON,
            "end": End.FREE if part.position is not None else part.end,
            "part_id": part_id,
            "facing": None if part.position is None else part.facing,
            "rod_number": part.rod_number,
            "standing": True,
            "whereabouts_before": before[part_id].whereabouts,
            "place_before": before[part_id].place,
        }
        for sequence, (part, part_id) in enumerate(zip(parts, part_ids, strict=True), 1)
    ]
    rows.append(
        common
        | {
            "sequence": len(rows) + 1,
            "kind": StepKind.CLOSED,
            "end": None,
            "part_id": None,
            "facing": None,
            "rod_number": None,
            "standing": False,
            "whereabouts_before": None,
            "place_before": "",
        }
    )
    for start in range(0, len(rows), AT_ONCE):
        work.session.execute(insert(Step), rows[start : start + AT_ONCE])
    for start in range(0, len(part_ids), AT_ONCE):
        work.session.execute(
            update(Part)
            .where(Part.id.in_(part_ids[start : start + AT_ONCE]))
            .values(whereabouts=Whereabouts.FITTED, stack_id=record.stack_id, place="")
        )
