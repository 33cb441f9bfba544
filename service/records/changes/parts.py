"""Parts: added, then changed along three axes, each by its own function with the reason.

Where a part is (``move_part``, ``bring_back``), whether it may be used (``judge_part``, and holds
in changes/holds.py), what it is reserved for (``reserve_part``). Fitting and lifting off belong to
rebuild records.
"""

from dataclasses import dataclass

from sqlalchemy import exists, select

from service.records.audit import Change, Did
from service.records.changes import given
from service.records.database import Work
from service.records.errors import NotFound, Refused
from service.records.permissions import Act, need
from service.records.tables.holds import Hold
from service.records.tables.parts import Lot, Part, PartType
from service.records.tables.rebuild_records import (
    Finding,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
)
from service.records.tables.stacks import Fixing, Layer, Stack
from service.trade.identifiers import serial_key
from service.trade.labels import part_label
from service.trade.words import Usability, Whereabouts

BY_RECORD = frozenset({Whereabouts.FITTED, Whereabouts.LIFTED_OFF})
PLACES_BY_HAND = tuple(place for place in Whereabouts if place not in BY_RECORD)
PLACES_TO_BEGIN = (Whereabouts.IN_STORE, Whereabouts.EXPECTED, Whereabouts.AWAY)
JUDGEMENTS = (
    Usability.NOT_INSPECTED,
    Usability.ACCEPTED,
    Usability.ACCEPTED_USED,
    Usability.REJECTED,
)


@dataclass(frozen=True, slots=True)
class PartEntry:
    """What is said of a part with a serial when it comes. ``hours_before`` in h."""

    serial: str
    lot_id: int | None = None
    hours_before: float = 0.0
    whereabouts: Whereabouts = Whereabouts.IN_STORE
    place: str = ""
    usability: Usability = Usability.NOT_INSPECTED
    notes: str = ""


def add_part(work: Work, *, part_type_id: int, entry: PartEntry) -> int:
    """Add a part with a serial number. Gives its id.

    Raises Refused naming the field: a serial this part type has already, a lot of another type, a
    place only a rebuild record can bring a part to.
    """
    need(work.by, Act.PART_WRITE)
    if entry.usability is not Usability.NOT_INSPECTED:
        need(work.by, Act.PART_JUDGE)
    row = put_part(work, part_type_id, entry)
    changes: list[Change] = [
        ("serial", None, row.serial),
        ("lot", None, _lot_label(work, row.lot_id)),
        ("hours before", None, row.hours_before),
        ("where it is", None, row.whereabouts),
        ("place", None, row.place),
        ("whether it may be used", None, row.usability),
        ("notes", None, row.notes),
    ]
    work.note(Did.PART_ADDED, ("part", row.id, row.serial or ""), changes)
    return row.id


def put_part(work: Work, part_type_id: int, entry: PartEntry) -> Part:
    """Write the part's row, without leave and trail: a part of other changes."""
    part_type = work.session.get(PartType, part_type_id)
    if part_type is None:
        raise NotFound("part type", part_type_id)
    if part_type.counted:
        raise Refused(
            "serial",
            entry.serial,
            f"“{part_type.name}” has no serial numbers, its items are counted.",
            "A lot with its quantity would be right.",
        )
    serial = given.words("serial", entry.serial, "What is marked on the part would be right.")
    _refuse_taken(work, part_type, serial, but=None)
    _refuse_other_lot(work, part_type, entry.lot_id)
    _refuse_place_by_record(entry.whereabouts, PLACES_TO_BEGIN)
    _refuse_no_judgement(entry.usability)
    row = Part(
        part_type_id=part_type_id,
        lot_id=entry.lot_id,
        serial=serial,
        serial_key=serial_key(serial),
        hours_before=given.not_below_zero("hours_before", entry.hours_before, "h") or 0.0,
        whereabouts=entry.whereabouts,
        place=given.optional_words("place", entry.place),
        usability=entry.usability,
        notes=given.optional_words("notes", entry.notes, most=given.LONG_MOST),
        added_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    return row


def change_part(
    work: Work,
    part_id: int,
    *,
    serial: str,
    lot_id: int | None,
    hours_before: float,
    notes: str,
    reason: str,
) -> None:
    """Change what was written down of a part, with the reason.

    Serial and lot may change only while no record names the part; afterwards a serial misread is
    put right by a correction of the record. ``hours_before`` in h.
    """
    need(work.by, Act.PART_WRITE)
    row, part_type = _part(work, part_id)
    why = given.reason(reason)
    if row.serial is None:
        serial_now = None
    else:
        serial_now = given.words("serial", serial, "What is marked on the part would be right.")
    identity = (("serial", serial_now, row.serial), ("lot", lot_id, row.lot_id))
    for field, wanted, now in identity:
        if wanted != now and is_in_a_record(work, part_id):
            raise Refused(
                field,
                wanted if field == "serial" else _lot_label(work, lot_id),
                "rebuild records name this part as it stands.",
                "A correction of the record in which it was misread would be right.",
            )
    if serial_now is not None:
        _refuse_taken(work, part_type, serial_now, but=part_id)
    elif lot_id is None:
        raise Refused("lot", "", "a counted item belongs to its lot.")
    _refuse_other_lot(work, part_type, lot_id)
    hours = given.not_below_zero("hours_before", hours_before, "h") or 0.0
    kept = given.optional_words("notes", notes, most=given.LONG_MOST)
    changes: list[Change] = [
        ("serial", row.serial, serial_now),
        ("lot", _lot_label(work, row.lot_id), _lot_label(work, lot_id)),
        ("hours before", row.hours_before, hours),
        ("notes", row.notes, kept),
    ]
    row.serial, row.lot_id, row.hours_before, row.notes = serial_now, lot_id, hours, kept
    row.serial_key = None if serial_now is None else serial_key(serial_now)
    work.note(Did.PART_CHANGED, ("part", part_id, label(work, row)), changes, reason=why)


def move_part(
    work: Work, part_id: int, *, whereabouts: Whereabouts, place: str, reason: str
) -> None:
    """Say where a part is now, with the reason.

    Refused: fitted or lifted off (a rebuild record does that), out of a stack, out of an opening
    whose record is still being written, back from being scrapped (``bring_back``).
    """
    need(work.by, Act.PART_WRITE)
    row, _ = _part(work, part_id)
    why = given.reason(reason)
    _refuse_place_by_record(whereabouts, PLACES_BY_HAND)
    if row.whereabouts is Whereabouts.SCRAPPED:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            "it is scrapped, and what is scrapped does not come back by moving it.",
            "Reversing the scrapping, with its reason, would be right.",
        )
    _refuse_held_by_record(work, row, whereabouts)
    _moved(work, row, whereabouts, place, why)


def bring_back(
    work: Work, part_id: int, *, whereabouts: Whereabouts, place: str, reason: str
) -> None:
    """Reverse the scrapping of a part that was written down in error, with the reason.

    It comes back not inspected and needs leave to judge parts.
    """
    need(work.by, Act.PART_JUDGE)
    row, _ = _part(work, part_id)
    why = given.reason(reason)
    _refuse_place_by_record(whereabouts, PLACES_BY_HAND)
    if row.whereabouts is not Whereabouts.SCRAPPED:
        raise Refused("whereabouts", row.whereabouts.value, "it is not scrapped.", "Moving it.")
    if whereabouts is Whereabouts.SCRAPPED:
        raise Refused("whereabouts", whereabouts.value, "that is where it is.", "In store.")
    before = row.usability
    if before is not Usability.ON_HOLD:
        row.usability = Usability.NOT_INSPECTED
    used: Change = ("whether it may be used", before, row.usability)
    _moved(work, row, whereabouts, place, f"Scrapping reversed: {why}", used)


def judge_part(work: Work, part_id: int, *, usability: Usability, reason: str) -> None:
    """Say whether a part may be used, with the reason.

    Refused: while a hold of its own stands (lifting it says what the part is afterwards),
    “accepted” for a part that was fitted before, holds and concessions, which have their own pages.
    """
    need(work.by, Act.PART_JUDGE)
    row, _ = _part(work, part_id)
    why = given.reason(reason)
    _refuse_no_judgement(usability)
    held = exists().where(Hold.part_id == part_id, Hold.lifted_at.is_(None))
    if work.session.scalar(select(held)):
        raise Refused(
            "usability",
            usability.value,
            "a hold stands on it.",
            "Lifting the hold, which asks what it is afterwards, would be right.",
        )
    if row.whereabouts is Whereabouts.SCRAPPED:
        raise Refused("usability", usability.value, "it is scrapped.", "Nothing is to be judged.")
    refuse_new_for_used(work, part_id, usability)
    before, row.usability = row.usability, usability
    work.note(
        Did.PART_JUDGED,
        ("part", part_id, label(work, row)),
        [("whether it may be used", before, usability)],
        reason=why,
    )


def reserve_part(work: Work, part_id: int, *, stack_id: int | None, reason: str) -> None:
    """Reserve a part for a change of a stack, or free it (``stack_id`` None), with the reason."""
    need(work.by, Act.PART_WRITE)
    row, _ = _part(work, part_id)
    why = given.reason(reason)
    before = _stack_serial(work, row.reserved_for_stack_id)
    wanted = _stack_serial(work, stack_id)
    if stack_id is not None and wanted is None:
        raise NotFound("stack", stack_id)
    if stack_id is not None and row.reserved_for_stack_id not in {None, stack_id}:
        raise Refused(
            "stack",
            wanted,
            f"it is reserved for stack {before} already.",
            "Freeing it first, with the reason, would be right.",
        )
    if stack_id is not None and row.whereabouts in {
        Whereabouts.SCRAPPED,
        Whereabouts.FITTED,
        Whereabouts.MISSING,
    }:
        raise Refused(
            "stack",
            wanted,
            f"the part is {row.whereabouts}.",
            "A part in store, expected, away or lifted off can be reserved.",
        )
    row.reserved_for_stack_id = stack_id
    work.note(
        Did.PART_RESERVED,
        ("part", part_id, label(work, row)),
        [("reserved for", before, wanted)],
        reason=why,
        stack_id=stack_id,
    )


def label(work: Work, row: Part) -> str:
    """What the trail calls a part: its serial, or its number in its lot."""
    return part_label(row.serial, _lot_label(work, row.lot_id), row.item_number)


def is_in_a_record(work: Work, part_id: int) -> bool:
    """Does any rebuild record name this part?"""
    named = (
        exists().where(Step.part_id == part_id)
        | exists().where(Layer.part_id == part_id)
        | exists().where(Fixing.part_id == part_id)
        | exists().where(Finding.part_id == part_id)
    )
    return bool(work.session.scalar(select(named)))


def refuse_new_for_used(work: Work, part_id: int, usability: Usability) -> None:
    """A part that was in a build is never simply accepted again."""
    if usability is not Usability.ACCEPTED:
        return
    fitted = exists().where(Layer.part_id == part_id) | exists().where(Fixing.part_id == part_id)
    if work.session.scalar(select(fitted)):
        raise Refused(
            "usability",
            usability.value,
            "it was fitted before, so it is not as new.",
            f"“{Usability.ACCEPTED_USED}” would be right.",
        )


def _part(work: Work, part_id: int) -> tuple[Part, PartType]:
    row = work.session.get(Part, part_id, with_for_update=True)
    if row is None:
        raise NotFound("part", part_id)
    return row, work.session.get_one(PartType, row.part_type_id)


def _moved(
    work: Work, row: Part, whereabouts: Whereabouts, place: str, why: str, *more: Change
) -> None:
    place = given.optional_words("place", place)
    changes: list[Change] = [
        ("where it is", row.whereabouts, whereabouts),
        ("place", row.place, place),
        *more,
    ]
    row.whereabouts, row.place = whereabouts, place
    if whereabouts is Whereabouts.SCRAPPED and row.reserved_for_stack_id is not None:
        before = _stack_serial(work, row.reserved_for_stack_id)
        changes.append(("reserved for", before, None))
        row.reserved_for_stack_id = None
    work.note(Did.PART_MOVED, ("part", row.id, label(work, row)), changes, reason=why)


def _refuse_held_by_record(work: Work, row: Part, whereabouts: Whereabouts) -> None:
    if row.whereabouts is Whereabouts.FITTED:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            f"it is fitted in stack {_stack_serial(work, row.stack_id)}.",
            "Lifting it off in a rebuild record of that stack would be right.",
        )
    if row.whereabouts is not Whereabouts.LIFTED_OFF:
        return
    record_id = work.session.scalar(
        select(RebuildRecord.id)
        .join(Step, Step.record_id == RebuildRecord.id)
        .where(
            Step.part_id == row.id,
            Step.kind.in_((StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)),
            Step.undone_at.is_(None),
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
        )
    )
    if record_id is not None:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            f"it was lifted off in record {record_id}, which is still being written.",
            f"Handing in record {record_id} first would be right.",
        )


def _refuse_place_by_record(wanted: Whereabouts, allowed: tuple[Whereabouts, ...]) -> None:
    if wanted not in allowed:
        raise Refused(
            "whereabouts",
            wanted.value,
            "only a rebuild record brings a part there."
            if wanted in BY_RECORD
            else "a part does not begin there.",
            "Right would be: " + ", ".join(allowed) + ".",
        )


def _refuse_no_judgement(usability: Usability) -> None:
    if usability not in JUDGEMENTS:
        how = "placing a hold" if usability is Usability.ON_HOLD else "giving a concession"
        raise Refused(
            "usability",
            usability.value,
            f"that comes about by {how}, which asks for its own reason.",
            "Right would be: " + ", ".join(JUDGEMENTS) + ".",
        )


def _refuse_taken(work: Work, part_type: PartType, serial: str, *, but: int | None) -> None:
    taken = work.session.scalar(
        select(Part.serial).where(
            Part.part_type_id == part_type.id,
            Part.serial_key == serial_key(serial),
            Part.id != (but or 0),
        )
    )
    if taken is not None:
        raise Refused(
            "serial",
            serial,
            f"“{part_type.name}” has a part “{taken}” already; case and surrounding space"
            " do not count.",
            "The serial of another part would be right.",
        )


def _refuse_other_lot(work: Work, part_type: PartType, lot_id: int | None) -> None:
    if lot_id is None:
        return
    lot = work.session.get(Lot, lot_id)
    if lot is None:
        raise NotFound("lot", lot_id)
    if lot.part_type_id != part_type.id:
        raise Refused(
            "lot",
            lot.label,
            f"it is not a lot of “{part_type.name}”.",
            "A lot of the same part type would be right.",
        )


def _lot_label(work: Work, lot_id: int | None) -> str | None:
    return (
        None if lot_id is None else work.session.scalar(select(Lot.label).where(Lot.id == lot_id))
    )


def _stack_serial(work: Work, stack_id: int | None) -> str | None:
    if stack_id is None:
        return None
    return work.session.scalar(select(Stack.serial).where(Stack.id == stack_id))
