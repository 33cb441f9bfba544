"""At the bench: tie rods, sleeves, springs, nuts and compression plates taken off and fitted.

Fixings are carried over from the build before: only what is exchanged is entered.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import select, update

from service.designs.tables import DesignRod
from service.platform import changes as given
from service.platform.arithmetic.vocabulary import FIXING_KINDS, End, Kind, Usability, Whereabouts
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes import journal
from service.records.changes.bench_opening import done_while_open, refuse_closed
from service.records.changes.eligibility import Wanted, part_to_use, refuse_no_rod
from service.records.queries.working_piles import FixingNow, working_pile
from service.records.tables import RebuildRecord, Step, StepKind
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import part_label, serial_key
from service.store.changes.lots import LotEntry, put_lot, take_item
from service.store.tables import Lot, Part, PartType

EACH_MOST = 40
"""Counted items of one lot at one rod in one entry: more is a slip of the finger."""


ONE_AT_A_PLACE = (Kind.TIE_ROD, Kind.COMPRESSION_PLATE)


@dataclass(frozen=True, slots=True)
class _Fitted:
    step: Step
    change: Change
    kind: Kind
    label: str


def fit_fixing(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    rod_number: int | None = None,
    end: End | None = None,
    scanned: str = "",
    lot_id: int | None = None,
    part_id: int | None = None,
    part_type_id: int | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Fit one fixing at a rod or, a compression plate, at an end; give the entry's id.

    Raises Refused for a rod the design does not have, a place that is taken by another tie rod or
    compression plate, and everything `part_to_use` refuses.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    _refuse_no_place(work, record, rod_number, end)
    choice = Wanted(scanned, part_id, lot_id, part_type_id)
    text = given.optional_words("note", note, most=4000)
    fitted = _fit(work, record, choice, rod_number=rod_number, end=end, at=at, note=text)
    place = _At(rod_number, end).in_words
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(f"{fitted.kind} {fitted.label} fitted at {place}", (fitted.change,)),
    )
    return fitted.step.id


def fit_from_lot(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    lot_id: int,
    rod_numbers: Sequence[int],
    each: int = 1,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Fit counted items of one lot, ``each`` at every rod named; give the last entry's id.

    Each item is an entry of its own and can be undone singly.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    if not rod_numbers:
        raise Refused("rod_numbers", "", "no rod is named.", "Choose at least one.")
    if not 1 <= each <= EACH_MOST:
        raise Refused("each", each, "not a number of items.", f"1 to {EACH_MOST}.")
    text = given.optional_words("note", note, most=4000)
    rods = list(dict.fromkeys(rod_numbers))
    for rod_number in rods:
        _refuse_no_place(work, record, rod_number, None)
    fitted = [
        _fit(work, record, Wanted(lot_id=lot_id), rod_number=rod_number, at=at, note=text)
        for rod_number in rods
        for _item in range(each)
    ]
    lot = work.session.get_one(Lot, lot_id).label
    rod_list = ", ".join(str(number) for number in rods)
    sentence = (
        f"{len(fitted)} × {fitted[0].kind} of lot {lot} fitted, {each} at each of rods {rod_list}"
    )
    journal.finish_entry(
        work, record, journal.TrailNote(sentence, tuple(fixing.change for fixing in fitted))
    )
    return fitted[-1].step.id


class FoundState(StrEnum):
    """What is said of fixings as found: whether they may stay."""

    NOT_INSPECTED = "not inspected"
    GOOD = "may be used again"


@dataclass(frozen=True, slots=True)
class _At:
    rod_number: int | None
    end: End | None = None

    @property
    def in_words(self) -> str:
        return f"rod {self.rod_number}" if self.end is None else f"the {self.end}"


def fit_as_found(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    part_type_id: int,
    each: int = 1,
    length_mm: float | None = None,
    state: FoundState = FoundState.NOT_INSPECTED,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Enter fixings that sat in a stack before it was known here; give the last entry's id.

    ``each`` of them at every rod, or end, where none of the kind is entered. Each becomes a part of
    its own: the next item of a lot named after the stack, or with a serial made of stack and place.
    ``length_mm`` of a tie rod is noted on it. Raises Refused for a type that is no fixing, in a
    first build, and where none is missing; NotAllowed for a good ``state`` by somebody who does not
    judge parts.
    """
    if state is FoundState.GOOD:
        need(work.by, Act.PART_JUDGE)
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    part_type = work.session.get(PartType, part_type_id)
    if part_type is None or part_type.kind not in FIXING_KINDS:
        raise Refused("part_type_id", part_type_id, "this is no type of a fixing.", "One of them.")
    most = 1 if part_type.kind in ONE_AT_A_PLACE else EACH_MOST
    if not 1 <= each <= most:
        raise Refused("each", each, f"this is no number of {part_type.kind}s.", f"1 to {most}.")
    if length_mm is not None and part_type.kind is not Kind.TIE_ROD:
        raise Refused("length_mm", f"{length_mm:g}", "the length is of a tie rod.", "Leave it out.")
    places = _not_known(work, record, part_type.kind)
    if not places:
        raise Refused(
            "part_type_id",
            part_type.name,
            f"no {part_type.kind} is missing that sat here before.",
            "Fit one from the store instead.",
        )
    text = given.optional_words("note", note, most=4000)
    length = f", {length_mm:g} mm long" if length_mm is not None else ""
    serial = work.session.get_one(Stack, record.stack_id).serial
    said = f"As found in {serial}{length}."
    changes: list[Change] = []
    moving = journal.moving(work, record)
    for place in places:
        for _item in range(each):
            part, label = _found_part(work, part_type, serial, place, said)
            if state is FoundState.GOOD:
                part.usability = Usability.ACCEPTED_USED
            step, change = _sit(moving, part, label, place, at=at, note=text or said)
            changes.append(change)
    spots = ", ".join(place.in_words for place in places)
    sentence = f"{len(changes)} × {part_type.kind} {part_type.name} entered as found at {spots}"
    journal.finish_entry(work, record, journal.TrailNote(sentence, tuple(changes)))
    return step.id


def _not_known(work: Work, record: RebuildRecord, kind: Kind) -> list[_At]:
    """Rods, or ends, where none of this kind is entered nor was taken off in this record."""
    if record.base_build_id is None:
        return []
    pile = working_pile(work.session, record.id)
    entered = {
        _At(fixing.rod_number, fixing.end)
        for fixing in (*pile.fixings, *pile.fixings_removed)
        if fixing.kind is kind
    }
    if kind is Kind.COMPRESSION_PLATE:
        places = [_At(None, end) for end in End]
    else:
        rods = work.session.scalars(
            select(DesignRod.number)
            .join(Stack, Stack.design_id == DesignRod.design_id)
            .where(Stack.id == record.stack_id)
            .order_by(DesignRod.number)
        )
        places = [_At(number) for number in rods]
    return [place for place in places if place not in entered]


def _found_part(
    work: Work, part_type: PartType, stack: str, place: _At, notes: str
) -> tuple[Part, str]:
    """A part made for what sat there, and what a person calls it."""
    if part_type.counted:
        name = f"as found in {stack}"
        lot = work.session.scalar(
            select(Lot).where(Lot.part_type_id == part_type.id, Lot.label_key == serial_key(name))
        ) or put_lot(work, part_type.id, LotEntry(name))
        part = take_item(work, lot.id)
        label = part_label(None, lot.label, part.item_number)
    else:
        label = _free_serial(work, part_type.id, f"{stack}, {place.in_words}")
        part = Part(
            part_type_id=part_type.id,
            serial=label,
            serial_key=serial_key(label),
            whereabouts=Whereabouts.IN_STORE,
            hours_before=0.0,
            added_at=work.now,
        )
        work.session.add(part)
    part.usability, part.notes = Usability.NOT_INSPECTED, notes
    work.session.flush()
    return part, label


def _free_serial(work: Work, part_type_id: int, begun: str) -> str:
    """The serial itself, or with the first number behind it that no part of the type bears."""
    taken = set(
        work.session.scalars(
            select(Part.serial_key).where(
                Part.part_type_id == part_type_id,
                Part.serial_key.startswith(serial_key(begun), autoescape=True),
            )
        )
    )
    serials = (begun, *(f"{begun}, {number}" for number in range(2, len(taken) + 2)))
    return next(serial for serial in serials if serial_key(serial) not in taken)


def remove_fixing(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    part_id: int,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Take one fixing off for good (not merely to lift layers); give the entry's id."""
    return remove_fixings(work, record_id, version, part_ids=(part_id,), note=note, done_at=done_at)


def remove_fixings(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    part_ids: Sequence[int],
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Take several fixings off for good; give the last entry's id. Each is an entry of its own."""
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    standing = {fixing.part: fixing for fixing in working_pile(work.session, record_id).fixings}
    text = given.optional_words("note", note, most=4000)
    distinct = list(dict.fromkeys(part_ids))
    if not distinct:
        raise Refused("part_id", "", "no fixing is named.", "Choose at least one.")
    changes: list[Change] = []
    moving = journal.moving(work, record)
    for part_id in distinct:
        if part_id not in standing:
            raise Refused("part_id", part_id, "this is no fixing of the stack now.")
        fixing = standing[part_id]
        step = _remove(moving, fixing, at, text)
        changes.append((f"where {fixing.label} is", f"fitted at {_place(fixing)}", "lifted off"))
    subject = f"{fixing.kind} {fixing.label}" if len(distinct) == 1 else f"{len(distinct)} fixings"
    journal.finish_entry(work, record, journal.TrailNote(f"{subject} taken off", tuple(changes)))
    return step.id


def _fit(
    work: Work,
    record: RebuildRecord,
    choice: Wanted,
    *,
    rod_number: int | None,
    end: End | None = None,
    at: datetime,
    note: str,
) -> _Fitted:
    part, part_type, label = part_to_use(
        work, record, choice, kinds=FIXING_KINDS, as_what="fixing", done_at=at
    )
    _refuse_wrong_place(part_type, label, rod_number, end)
    _refuse_taken(work, record, part_type.kind, rod_number, end)
    place = _At(rod_number, end)
    moving = journal.moving(work, record)
    step, change = _sit(moving, part, label, place, at=at, note=note, scanned=choice.scanned)
    return _Fitted(step, change, part_type.kind, label)


def _sit(
    moving: journal.Moving,
    part: Part,
    label: str,
    place: "_At",
    *,
    at: datetime,
    note: str,
    scanned: str = "",
) -> tuple[Step, Change]:
    """Let a part sit at its rod or end from now on."""
    step = journal.add_step(
        moving.work,
        moving.record,
        StepKind.FIXING_FITTED,
        at,
        end=place.end,
        rod_number=place.rod_number,
        part_id=part.id,
        standing=not moving.has_gone_on,
        whereabouts_before=part.whereabouts,
        place_before=part.place,
        scanned=scanned.strip() or None,
        note=note,
    )
    change = (f"where {label} is", str(part.whereabouts), f"fitted at {place.in_words}")
    moving.move(part, Whereabouts.FITTED)
    return step, change


def _remove(moving: journal.Moving, fixing: FixingNow, at: datetime, note: str) -> Step:
    work, record = moving.work, moving.record
    work.session.execute(
        update(Step)
        .where(Step.record_id == record.id, Step.part_id == fixing.part, Step.standing)
        .values(standing=False)
    )
    part = work.session.get_one(Part, fixing.part)
    step = journal.add_step(
        work,
        record,
        StepKind.FIXING_REMOVED,
        at,
        end=fixing.end,
        rod_number=fixing.rod_number,
        part_id=fixing.part,
        whereabouts_before=part.whereabouts,
        place_before=part.place,
        note=note,
    )
    moving.move(part, Whereabouts.LIFTED_OFF)
    return step


def _refuse_no_place(
    work: Work, record: RebuildRecord, rod_number: int | None, end: End | None
) -> None:
    if (rod_number is None) == (end is None):
        raise Refused(
            "rod_number",
            rod_number,
            "say at which rod, or for a plate at which end.",
            "One of both.",
        )
    if rod_number is not None:
        refuse_no_rod(work, record, rod_number)


def _refuse_wrong_place(
    part_type: PartType, label: str, rod_number: int | None, end: End | None
) -> None:
    if part_type.kind is Kind.COMPRESSION_PLATE and end is None:
        raise Refused("end", "", f"{label} is a compression plate: it goes to an end.")
    if part_type.kind is not Kind.COMPRESSION_PLATE and rod_number is None:
        raise Refused("rod_number", "", f"{label} is a {part_type.kind}: it goes to a rod.")


def _refuse_taken(
    work: Work, record: RebuildRecord, kind: Kind, rod_number: int | None, end: End | None
) -> None:
    """One tie rod at a rod's place and one compression plate at an end; the rest may be several."""
    if kind not in ONE_AT_A_PLACE:
        return
    for fixing in working_pile(work.session, record.id).fixings:
        if (fixing.kind, fixing.rod_number, fixing.end) == (kind, rod_number, end):
            raise Refused(
                "rod_number" if end is None else "end",
                rod_number if end is None else end,
                f"{kind} {fixing.label} is fitted there.",
                "Take it off first.",
            )


def _place(fixing: FixingNow) -> str:
    return _At(fixing.rod_number, fixing.end).in_words
