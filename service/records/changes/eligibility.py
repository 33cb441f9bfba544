"""What an entry uses: parts, items of lots and instruments, and the concessions that are used up.

Nothing that is on hold, not accepted, expired or out of calibration passes without a concession,
which then counts as used in this record.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, or_, select

from service.designs.tables import DesignRod
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.database import Work
from service.platform.errors import Refused
from service.proof.tables import StackTest
from service.records.changes import journal
from service.records.tables import MakeSafeLine, RebuildRecord, Step, StepKind, TorqueReading
from service.stacks.tables import Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.arithmetic.instrument_kinds import InstrumentKind
from service.store.changes.lots import take_item
from service.store.queries.holds import Forbids, unused_concession, what_forbids
from service.store.queries.instruments import THROUGH_THE_DAY, calibration_on
from service.store.queries.scans import Hit, resolve_to_fit
from service.store.tables import Concession, Instrument, Lot, Part, PartType

NOT_AT_HAND = {
    Whereabouts.EXPECTED: "it is expected and has not been received.",
    Whereabouts.AWAY: "it is away.",
    Whereabouts.SCRAPPED: "it is scrapped.",
    Whereabouts.MISSING: "it cannot be found, so the records say.",
}


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
    wanted: Wanted,
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
    field, part = _resolved(work, wanted, kinds)
    part_type = work.session.get_one(PartType, part.part_type_id)
    lot = work.session.get(Lot, part.lot_id) if part.lot_id else None
    label = part_label(part.serial, lot.label if lot else None, part.item_number)
    if part_type.kind not in kinds:
        raise Refused(field, label, f"it is a {part_type.kind}, which is no {as_what}.")
    if part.whereabouts in NOT_AT_HAND:
        raise Refused(
            field,
            label,
            NOT_AT_HAND[part.whereabouts],
            "If it lies here, say so on the part's page first.",
        )
    if part.whereabouts is Whereabouts.FITTED:
        raise Refused(field, label, *_fitted_where(work, record, part))
    if part.reserved_for_stack_id not in (None, record.stack_id):
        other = work.session.get_one(Stack, part.reserved_for_stack_id).serial
        raise Refused(
            field, label, f"it is reserved for {other}.", "Another part, or lift the reservation."
        )
    forbids = [*what_forbids(work.session, part.id), *_expired(work, part, lot, done_at)]
    use_in_spite(work, record, part, forbids, named=(field, label))
    return part, part_type, label


def use_in_spite(
    work: Work,
    record: RebuildRecord,
    part: Part,
    forbids: Collection[Forbids],
    *,
    named: tuple[str, str],
) -> None:
    """Use up the concession that allows a part in spite of what forbids it, if anything does.

    ``named`` is the field it came from and what a person calls it. Raises Refused without one.
    """
    if not forbids:
        return
    concession = _concession_for(work, record, forbids, part)
    if concession is None:
        field, label = named
        raise Refused(
            field,
            label,
            " ".join(forbid.sentence for forbid in forbids),
            "Another part would be right, or a concession for this one.",
        )
    concession.used_in_record_id = record.id


def instrument_to_use(
    work: Work,
    record: RebuildRecord,
    instrument_id: int,
    taken_at: datetime,
    kinds: Collection[InstrumentKind] = tuple(InstrumentKind),
) -> InstrumentUsed:
    """Return the instrument of a reading, with its valid calibration or the concession used.

    Raises Refused: of another kind, withdrawn, on hold, or not in calibration at that time.
    """
    instrument = work.session.get(Instrument, instrument_id)
    if instrument is None:
        raise Refused(
            "instrument_id", instrument_id, "there is no such instrument.", "Choose from the list."
        )
    if instrument.kind not in kinds:
        raise Refused(
            "instrument_id",
            instrument.label,
            f"it is a {instrument.kind}.",
            f"A {' or '.join(kinds)} would be right.",
        )
    calibration = calibration_on(work.session, instrument_id, taken_at)
    forbids = list(what_forbids(work.session, instrument_id=instrument_id))
    if not calibration.is_valid:
        forbids.append(Forbids("usability", calibration.sentence))
    if not forbids:
        return InstrumentUsed(instrument, calibration.id, None)
    concession_id = (
        unused_concession(work.session, instrument_id=instrument_id, record_id=record.id)
        if all(forbid.concession_may for forbid in forbids)
        else None
    )
    if concession_id is None:
        raise Refused(
            "instrument_id",
            instrument.label,
            " ".join(forbid.sentence for forbid in forbids),
            "One in calibration would be right, or a concession for this one.",
        )
    work.session.get_one(Concession, concession_id).used_in_record_id = record.id
    valid = calibration.id if calibration.is_valid else None
    return InstrumentUsed(instrument, valid, concession_id)


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
                exists().where(
                    TorqueReading.step_id == Step.id,
                    TorqueReading.instrument_id == concession.instrument_id,
                ),
                exists().where(
                    MakeSafeLine.step_id == Step.id,
                    MakeSafeLine.instrument_id == concession.instrument_id,
                ),
                exists().where(
                    StackTest.step_id == Step.id,
                    or_(
                        StackTest.instrument_id == concession.instrument_id,
                        StackTest.thermometer_id == concession.instrument_id,
                        StackTest.meter_id == concession.instrument_id,
                    ),
                ),
            )
        )
    else:
        parts = select(Part.id)
        if concession.part_id is not None:
            parts = parts.where(Part.id == concession.part_id)
        else:
            parts = parts.where(Part.lot_id == concession.lot_id)
        standing = standing.where(
            Step.kind.in_((StepKind.PUT_ON, StepKind.FIXING_FITTED)), Step.part_id.in_(parts)
        )
    return work.session.scalar(standing.limit(1)) is not None


def _resolved(work: Work, wanted: Wanted, kinds: Collection[Kind]) -> tuple[str, Part]:
    """The part and the field it came from; a counted item is taken from its lot here."""
    is_scanned = bool(wanted.scanned.strip())
    if wanted.lot_id is not None:
        if is_scanned or wanted.part_id is not None:
            raise Refused("scanned", wanted.scanned, "a lot is chosen as well.", "One of the two.")
        return "lot_id", item_of(work, wanted.lot_id, "lot_id")
    if wanted.part_id is not None:  # chosen among those a scan can mean
        return "part_id", _locked(work, wanted.part_id, "part_id")
    if not is_scanned:
        raise Refused(
            "scanned",
            "",
            "nothing is scanned, typed or chosen.",
            "A serial, or a lot to take one item from, would be right.",
        )
    hit = _hit(work, wanted, kinds)
    if hit.kind == "lot":
        return "scanned", item_of(work, hit.id, "scanned")
    return "scanned", _locked(work, hit.id, "scanned")


def _hit(work: Work, wanted: Wanted, kinds: Collection[Kind]) -> Hit:
    resolved = resolve_to_fit(work.session, wanted.scanned, kinds)
    hits, name = resolved.hits, resolved.name
    if wanted.part_type_id is not None:
        of_type = select(Part.id).where(Part.part_type_id == wanted.part_type_id)
        ids = set(work.session.scalars(of_type.where(Part.id.in_([hit.part_id for hit in hits]))))
        hits = tuple(hit for hit in hits if hit.part_id in ids) or hits
    if not hits:
        raise Refused(
            "scanned", name, resolved.reason_unknown, "Read it again, or add the part first."
        )
    if len(hits) > 1:
        raise Refused(
            "scanned",
            name,
            "several parts bear it.",
            "Choose one: " + "; ".join(hit.in_words for hit in hits) + ".",
        )
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


def item_of(work: Work, lot_id: int, field: str) -> Part:
    """Return the next item of a lot: one that was taken before and never used, or a new one."""
    lot = work.session.get(Lot, lot_id, with_for_update=True)
    if lot is None:
        raise Refused(field, lot_id, "there is no such lot.", "Choose from the list.")
    unused = work.session.scalar(
        select(Part)
        .where(
            Part.lot_id == lot_id,
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
    try:
        return unused or take_item(work, lot_id)
    except Refused as refused:
        raise Refused(field, lot.label, refused.reason, refused.right_would_be) from refused


def _fitted_where(work: Work, record: RebuildRecord, part: Part) -> tuple[str, str]:
    if part.stack_id == record.stack_id:
        return "it is in this stack already.", "Lift it off first, or use another part."
    stack = work.session.get_one(Stack, part.stack_id).serial
    position = work.session.scalar(
        select(Layer.position).where(Layer.part_id == part.id, Layer.present)
    )
    layer = f", layer {position}" if position else ""
    return f"it is fitted in {stack}{layer}.", f"Lift it off there first, in a record of {stack}."


def _expired(work: Work, part: Part, lot: Lot | None, done_at: datetime) -> list[Forbids]:
    """Shelf life counts until a part is first fitted."""
    if lot is None or lot.expires_at is None or lot.expires_at + THROUGH_THE_DAY >= done_at:
        return []
    fitted = or_(
        exists().where(Layer.part_id == part.id), exists().where(Fixing.part_id == part.id)
    )
    if work.session.scalar(select(fitted)):
        return []
    return [
        Forbids("usability", f"Lot {lot.label} expired on {journal.shown(lot.expires_at)[:10]}.")
    ]


def _concession_for(
    work: Work, record: RebuildRecord, forbids: Collection[Forbids], part: Part
) -> Concession | None:
    if not all(forbid.concession_may for forbid in forbids):
        return None
    held = [forbid.since for forbid in forbids if forbid.since is not None]
    found = unused_concession(
        work.session, part_id=part.id, record_id=record.id, since=max(held, default=None)
    )
    return work.session.get_one(Concession, found) if found is not None else None


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
