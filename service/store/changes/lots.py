"""Lots: what was delivered or made together, and the counted items taken from them."""

from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import func, select

from service.platform import changes as given
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.part_fields import LOT_FIELDS
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class LotEntry:
    """What is said of a lot. Days without a time of day are noon in the lab's zone."""

    label: str
    supplier: str = ""
    received_at: datetime | None = None
    produced_at: datetime | None = None
    expires_at: datetime | None = None
    quantity: int | None = None
    notes: str = ""


def add_lot(work: Work, *, part_type_id: int, entry: LotEntry) -> int:
    """Add a lot of a part type. Gives its id.

    Where no expiry is given, it follows from the day of making and the type's shelf life.
    Raises Refused: a label this type has already, an expiry before the making.
    """
    need(work.by, Act.PART_WRITE)
    row = put_lot(work, part_type_id, entry)
    work.note(Event.LOT_ADDED, ("lot", row.id, row.label), given.trail_of(LOT_FIELDS, None, row))
    return row.id


def put_lot(work: Work, part_type_id: int, entry: LotEntry) -> Lot:
    """Write the lot's row, without the trail: a part of other changes."""
    part_type = work.session.get(PartType, part_type_id)
    if part_type is None:
        raise NotFound("part type", part_type_id)
    entry = _checked(work, entry, part_type.shelf_life_months)
    _refuse_taken(work, part_type_id, entry.label, but=None)
    row = Lot(part_type_id=part_type_id, label_key=serial_key(entry.label), **asdict(entry))
    work.session.add(row)
    work.session.flush()
    return row


def change_lot(work: Work, lot_id: int, entry: LotEntry, *, reason: str) -> None:
    """Change what is said of a lot, with the reason.

    The label stays once a part of the lot exists, since records name it.
    """
    need(work.by, Act.PART_WRITE)
    row = work.session.get(Lot, lot_id)
    if row is None:
        raise NotFound("lot", lot_id)
    entry = _checked(work, entry, None)
    why = given.reason(reason)
    highest = _items_taken(work, lot_id)
    has_parts = work.session.scalar(select(Part.id).where(Part.lot_id == lot_id).limit(1))
    if entry.label != row.label and has_parts is not None:
        raise Refused(
            "label",
            entry.label,
            "parts of this lot exist already, and records name it.",
            f"“{row.label}” stays; a note can say what else it is called.",
        )
    if entry.quantity is not None and entry.quantity < highest:
        raise Refused(
            "quantity",
            entry.quantity,
            f"{highest} items were taken from this lot already.",
            f"{highest} or more would be right.",
        )
    _refuse_taken(work, row.part_type_id, entry.label, but=lot_id)
    changes = given.trail_of(LOT_FIELDS, row, entry)
    for name, after in asdict(entry).items():
        setattr(row, name, after)
    row.label_key = serial_key(entry.label)
    work.note(Event.LOT_CHANGED, ("lot", lot_id, row.label), changes, reason=why)


def take_item(work: Work, lot_id: int) -> Part:
    """Take one counted item from a lot: a new part, in store, numbered next in its lot.

    A part of other changes, which move it at once and write the trail. Raises Refused where the
    lot's type has serials or all its items were taken.
    """
    lot = work.session.get(Lot, lot_id)
    if lot is None:
        raise NotFound("lot", lot_id)
    counted = work.session.scalar(select(PartType.counted).where(PartType.id == lot.part_type_id))
    if not counted:
        raise Refused(
            "lot",
            lot.label,
            "its parts have serial numbers of their own.",
            "The serial number of one of them would be right.",
        )
    highest = _items_taken(work, lot_id)
    if lot.quantity is not None and highest >= lot.quantity:
        raise Refused(
            "lot",
            lot.label,
            f"all its {lot.quantity} items were taken.",
            "Another lot would be right, or its quantity is to be put right first.",
        )
    item = Part(
        part_type_id=lot.part_type_id,
        lot_id=lot_id,
        item_number=highest + 1,
        whereabouts=Whereabouts.IN_STORE,
        usability=Usability.ACCEPTED,
        hours_before=0.0,
        added_at=work.now,
    )
    work.session.add(item)
    work.session.flush()
    return item


def _items_taken(work: Work, lot_id: int) -> int:
    most = work.session.scalar(select(func.max(Part.item_number)).where(Part.lot_id == lot_id))
    return most or 0


def months_after(day: datetime, months: int) -> datetime:
    """Return the same day that many months on, or the last of a shorter month."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return day.replace(year=year, month=month + 1, day=last)
        except ValueError:
            continue
    raise ValueError(f"no day {months} months after {day}")


def _checked(work: Work, entry: LotEntry, shelf_life_months: int | None) -> LotEntry:
    entry = given.checked(entry, LOT_FIELDS, work.now)
    if entry.expires_at is None and entry.produced_at is not None and shelf_life_months:
        produced = entry.produced_at.astimezone(UTC)
        entry = replace(entry, expires_at=months_after(produced, shelf_life_months))
    first = entry.produced_at or entry.received_at
    for name, day in (("received_at", entry.received_at), ("expires_at", entry.expires_at)):
        if first is not None and day is not None and day < first:
            raise Refused(
                name,
                f"{day:%Y-%m-%d}",
                "it lies before the day of making or receipt.",
                f"{first:%Y-%m-%d} or later would be right.",
            )
    return entry


def _refuse_taken(work: Work, part_type_id: int, label: str, *, but: int | None) -> None:
    namesake = work.session.scalar(
        select(Lot.id).where(
            Lot.part_type_id == part_type_id,
            Lot.label_key == serial_key(label),
            Lot.id != (but or 0),
        )
    )
    if namesake is not None:
        raise Refused(
            "label",
            label,
            "this part type has a lot of that name already.",
            "Its own name would be right, or the lot that exists.",
        )
