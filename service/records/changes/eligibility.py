"""What an entry uses: parts, items of lots and instruments, and the concessions that are used up.

Nothing that is on hold, not accepted, expired or out of calibration passes without a concession,
which then counts as used in this record.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import exists, or_, select

from service.designs.tables import DesignRod
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether
from service.platform.queries.statements import param
from service.records.queries.inserted import opened_since
from service.records.tables import RebuildRecord, Step, StepKind
from service.stacks.tables import Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.arithmetic.instruments import InstrumentKind, beyond_range, range_words
from service.store.changes.lots import take_item
from service.store.queries.calibrations import calibration_on
from service.store.queries.forbids import (
    OF_PLACE,
    Cause,
    Forbids,
    Leave,
    allowing,
    concessions_left,
    for_instrument,
    for_parts,
    forbids_of_parts,
    what_forbids,
)
from service.store.queries.instrument_columns import USED_BY
from service.store.queries.scans import Hit, resolve_to_fit, several_bear
from service.store.tables import Concession, Instrument, Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be used: a scanned or typed code, a part chosen from a list, or an item of a lot.

    ``part_type_id`` decides where parts of several types bear the same serial.
    """

    scanned: str = ""
    part_id: int | None = None
    lot_id: int | None = None
    part_type_id: int | None = None


@dataclass(frozen=True, slots=True)
class InstrumentUsed:
    """An instrument that may be used for an entry, and by what right."""

    instrument: Instrument
    calibration_id: int | None
    concession_id: int | None


def part_to_use(
    work: Work,
    record: RebuildRecord,
    choice: Wanted,
    *,
    kinds: Collection[Kind],
    as_what: str,
    done_at: datetime,
) -> tuple[Part, PartType, str]:
    """Return the part to be fitted now, locked, with its type and what a person calls it.

    A counted item is taken from its lot. Raises Refused with what stands against it: unknown,
    bearing a serial of several types, of another kind (``as_what`` says what is wanted), fitted
    already, not at hand, reserved, on hold or expired without a concession.
    """
    field, part = _resolved(work, choice, kinds)
    part_type = work.session.get_one(PartType, part.part_type_id)
    lot = work.session.get(Lot, part.lot_id) if part.lot_id else None
    label = part_label(part.serial, lot.label if lot else None, part.item_number)
    if part_type.kind not in kinds:
        raise Refused(field, label, f"it is a {part_type.kind}, which is no {as_what}.")
    forbids = forbids_of_parts(work.session, [part.id], stack_id=record.stack_id, on=done_at)
    # Where a part is now says nothing of an event before a later opening.
    if forbids[part.id] and opened_since(work.session, record):
        of_then = [each for each in forbids[part.id] if each.cause not in OF_PLACE]
        forbids = {part.id: tuple(of_then)}
    use_in_spite(work, record, [part], forbids, names={part.id: (field, label)})
    return part, part_type, label


def use_in_spite(
    work: Work,
    record: RebuildRecord,
    parts: Collection[Part],
    forbids: Mapping[int, Collection[Forbids]],
    *,
    names: Mapping[int, tuple[str, str]],
    lines: Mapping[int, int] | None = None,
) -> None:
    """Use up the concessions that allow parts in spite of what forbids each, if anything does.

    ``names`` is the field each came from and what a person calls it, ``lines`` where it stands in
    a list. Raises Refused, or RefusedTogether, without one.
    """
    against = [part for part in parts if forbids.get(part.id)]
    if not against:
        return
    about = for_parts(against, record.stack_id)
    leaves = concessions_left(work.session, about, record_id=record.id)
    wrong, used = refusals_of_use(leaves, against, forbids, names=names, lines=lines)
    if wrong:
        raise wrong[0] if len(wrong) == 1 else RefusedTogether(wrong)
    _use_up(work, record, used)


def refusals_of_use(
    leaves: Sequence[Leave],
    parts: Collection[Any],
    forbids: Mapping[int, Collection[Forbids]],
    *,
    names: Mapping[int, tuple[str, str]],
    lines: Mapping[int, int] | None = None,
) -> tuple[list[Refused], set[int]]:
    """Return what is refused of parts in spite of these concessions, and which of them are used.

    ``parts`` are such as something forbids, with their ids, lots and types.
    """
    wrong: list[Refused] = []
    used: set[int] = set()
    for part in parts:
        some = forbids[part.id]
        gone = next((forbid for forbid in some if not forbid.concession_may), None)
        allowed = allowing(leaves, some, part)
        used.update(allowed)
        line = f"line {lines[part.id]}: " if lines else ""
        if gone is not None:
            why = _begun_small(gone.sentence)
            wrong.append(Refused(*names[part.id], f"{line}{why}", gone.mend))
        elif not allowed:
            why = " ".join(forbid.sentence for forbid in some)
            right = "Another part would be right, or a concession for this one."
            wrong.append(Refused(*names[part.id], f"{line}{why}", right))
    return wrong, used


def _begun_small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _use_up(work: Work, record: RebuildRecord, concession_ids: Collection[int]) -> None:
    for concession_id in concession_ids:
        work.session.get_one(Concession, concession_id).used_in_record_id = record.id


def instrument_to_use(
    work: Work,
    record: RebuildRecord | None,
    instrument_id: int,
    taken_at: datetime,
    kinds: Collection[InstrumentKind] = tuple(InstrumentKind),
    *,
    field: str = "instrument_id",
) -> InstrumentUsed:
    """Return the instrument of a reading, with its valid calibration or the concession used.

    Without a record to use it up in, no concession counts. Raises Refused: of another kind,
    withdrawn, on hold, or not in calibration at that time.
    """
    instrument = work.session.get(Instrument, instrument_id)
    if instrument is None:
        raise Refused(field, instrument_id, "there is no such instrument.", "Choose from the list.")
    if instrument.kind not in kinds:
        raise Refused(
            field,
            instrument.label,
            f"it is a {instrument.kind}.",
            f"A {' or '.join(kinds)} would be right.",
        )
    calibration = calibration_on(work.session, instrument_id, taken_at)
    if calibration.away:
        raise Refused(field, instrument.label, calibration.away, "The instrument that was used.")
    forbids = list(what_forbids(work.session, instrument_id=instrument_id))
    if not calibration.is_valid and calibration.state != "not known":
        forbids.append(Forbids(Cause.CALIBRATION, calibration.sentence))
    valid = calibration.id if calibration.is_valid else None
    if not forbids:
        return InstrumentUsed(instrument, valid, None)
    allowed: Sequence[int] = ()
    if record is not None and instrument.in_use:
        about = for_instrument(instrument_id)
        leaves = concessions_left(work.session, about, record_id=record.id)
        allowed = allowing(leaves, forbids, None)
    if record is None or not allowed:
        raise Refused(
            field,
            instrument.label,
            " ".join(forbid.sentence for forbid in forbids),
            "One in calibration would be right, or a concession for this one.",
        )
    _use_up(work, record, allowed)
    return InstrumentUsed(instrument, valid, allowed[0])


def refuse_beyond_range(
    instrument: Instrument,
    field: str,
    value: float,
    unit: str,
    *,
    typed: str = "",
    from_least: bool = True,
) -> None:
    """Refuse a reading that its instrument cannot have shown; without a range nothing is known.

    ``typed`` is how it was written. Without ``from_least`` a reading near nothing is one: only its
    size is held against the range.
    """
    least, most = instrument.range_least if from_least else None, instrument.range_most
    range_unit = instrument.unit or unit
    if beyond_range(value if from_least else abs(value), unit, least, most, range_unit):
        raise Refused(
            field,
            typed or f"{value:g} {unit}",
            f"{instrument.label} reads {range_words(least, most)} {range_unit}.",
            "A reading in its range, or the instrument that was really used.",
        )


def give_back_concessions(work: Work, record: RebuildRecord, step: Step) -> None:
    """Free the concessions only an undone entry had used, so that they may be used again."""
    used = select(Concession).where(Concession.used_in_record_id == record.id)
    for concession in work.session.scalars(used).all():
        if not _still_used(work, record, concession, but=step.id):
            concession.used_in_record_id = None


def _still_used(work: Work, record: RebuildRecord, concession: Concession, *, but: int) -> bool:
    standing = select(Step.id).where(
        Step.record_id == record.id, Step.undone_at.is_(None), Step.id != but
    )
    if concession.instrument_id is not None:
        standing = standing.where(
            or_(
                *(
                    exists().where(
                        of.step_id == Step.id,
                        or_(*(tool == concession.instrument_id for tool in tools)),
                    )
                    for of, tools in USED_BY.items()
                )
            )
        )
    else:
        parts = select(Part.id)  # a design's concession allows whatever is put on
        if concession.part_id is not None:
            parts = parts.where(Part.id == concession.part_id)
        elif concession.lot_id is not None:
            parts = parts.where(Part.lot_id == concession.lot_id)
        elif concession.part_type_id is not None:
            parts = parts.where(Part.part_type_id == concession.part_type_id)
        standing = standing.where(
            Step.kind.in_((StepKind.PUT_ON, StepKind.FIXING_FITTED)), Step.part_id.in_(parts)
        )
    return work.session.scalar(standing.limit(1)) is not None


def _resolved(work: Work, choice: Wanted, kinds: Collection[Kind]) -> tuple[str, Part]:
    """The part and the field it came from; a counted item is taken from its lot here."""
    is_scanned = bool(choice.scanned.strip())
    if choice.lot_id is not None:
        if is_scanned or choice.part_id is not None:
            raise Refused("scanned", choice.scanned, "a lot is chosen as well.", "One of the two.")
        return "lot_id", item_of(work, choice.lot_id, "lot_id")
    if choice.part_id is not None:  # chosen among those a scan can mean
        return "part_id", _locked(work, choice.part_id, "part_id")
    if not is_scanned:
        raise Refused(
            "scanned",
            "",
            "nothing is scanned, typed or chosen.",
            "A serial, or a lot to take one item from, would be right.",
        )
    hit = _hit(work, choice, kinds)
    if hit.kind == "lot":
        return "scanned", item_of(work, hit.id, "scanned")
    return "scanned", _locked(work, hit.id, "scanned")


def _hit(work: Work, choice: Wanted, kinds: Collection[Kind]) -> Hit:
    resolved = resolve_to_fit(work.session, choice.scanned, kinds)
    hits, name = resolved.hits, resolved.name
    if choice.part_type_id is not None:
        of_type = select(Part.id).where(Part.part_type_id == choice.part_type_id)
        ids = set(work.session.scalars(of_type.where(Part.id.in_([hit.part_id for hit in hits]))))
        hits = tuple(hit for hit in hits if hit.part_id in ids) or hits
    if not hits:
        raise Refused(
            "scanned", name, resolved.reason_unknown, "Read it again, or add the part first."
        )
    if len(hits) > 1:
        raise several_bear(name, hits)
    if lot := resolved.denied_lot(hits[0]):
        raise Refused(
            "scanned",
            name,
            f"the code says lot {lot}, the part is kept as of lot {hits[0].lot}.",
            "Compare the label with the part's page.",
        )
    return hits[0]


def _locked(work: Work, part_id: int, field: str) -> Part:
    part = work.session.get(Part, part_id, with_for_update=True)
    if part is None:
        raise Refused(field, part_id, "there is no such part.", "Choose from the list.")
    return part


UNUSED = (
    select(Part)
    .where(
        Part.lot_id == param("lot_id"),
        Part.serial.is_(None),
        Part.whereabouts == Whereabouts.IN_STORE,
        Part.usability == Usability.ACCEPTED,
        ~exists().where(Layer.part_id == Part.id),
        ~exists().where(Fixing.part_id == Part.id),
        ~exists().where(Step.part_id == Part.id, Step.undone_at.is_(None)),
    )
    .order_by(Part.item_number)
    .limit(1)
)


def item_of(work: Work, lot_id: int, field: str) -> Part:
    """Return the next item of a lot: one that was taken before and never used, or a new one."""
    lot = work.session.get(Lot, lot_id, with_for_update=True)
    if lot is None:
        raise Refused(field, lot_id, "there is no such lot.", "Choose from the list.")
    unused = work.session.scalar(UNUSED, {"lot_id": lot_id})
    try:
        return unused or take_item(work, lot_id)
    except Refused as refused:
        raise Refused(field, lot.label, refused.reason, refused.right_would_be) from refused


def refuse_no_rod(work: Work, record: RebuildRecord, rod_number: int) -> None:
    """Refuse a rod number the stack's design does not have."""
    numbers = set(
        work.session.scalars(
            select(DesignRod.number)
            .join(Stack, Stack.design_id == DesignRod.design_id)
            .where(Stack.id == record.stack_id)
        )
    )
    if rod_number not in numbers:
        raise Refused(
            "rod_number",
            rod_number,
            "the design has no such rod.",
            f"Rods 1 to {max(numbers)}." if numbers else "The design has no rods.",
        )
