"""Parts: added, and what is said of them put right; their three axes are in part_axes.py."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

from sqlalchemy import exists, select

from service.physics.arithmetic.part_stiffness import free_mm
from service.platform import changes as given
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.records.tables import Finding, Step
from service.stacks.tables import Fixing, Layer
from service.store.arithmetic.identifiers import maker_key, namesake_of, part_label, serial_key
from service.store.arithmetic.part_fields import (
    CHANGED_FIELDS,
    MEASURED,
    PART_FIELDS,
    check_measured,
)
from service.store.changes.lots import LotEntry, add_lot
from service.store.queries.part_types import read_stiffness
from service.store.tables import Lot, Part, PartType

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
    """What is said of a part with a serial when it comes, as `PART_FIELDS` describes it."""

    serial: str
    lot_id: int | None = None
    hours_before: float = 0.0
    whereabouts: Whereabouts = Whereabouts.IN_STORE
    place: str = ""
    usability: Usability = Usability.NOT_INSPECTED
    notes: str = ""
    measured_thickness_mm: float | None = None
    maker: str = ""
    hours_before_unknown: bool | None = None

    @property
    def measured(self) -> dict[str, float | None]:
        """What was measured of it, by field."""
        return {field.name: getattr(self, field.name) for field in MEASURED}


def add_part(work: Work, *, part_type_id: int, entry: PartEntry) -> int:
    """Add a part with a serial number. Gives its id.

    Raises Refused naming the field: a serial this part type has already, a lot of another type, a
    place only a rebuild record can bring a part to.
    """
    need(work.by, Act.PART_WRITE)
    if entry.usability is not Usability.NOT_INSPECTED:
        need(work.by, Act.PART_JUDGE)
    row = put_part(work, part_type_id, entry)
    changes = given.trail_of(PART_FIELDS, None, row)
    changes.insert(1, ("lot", None, _lot_label(work, row.lot_id)))
    work.note(Event.PART_ADDED, ("part", row.id, row.serial or ""), changes)
    return row.id


def add_scanned(
    work: Work,
    serial: str,
    part_type_id: int,
    *,
    lot: str = "",
    quantity: int | None = None,
    accepted: bool = False,
) -> None:
    """Add what lies at the bench and is not known: a part, or the lot of counted items.

    A part is of the lot of that label, where its type has one; else its notes keep the label.
    ``accepted`` by somebody who may judge parts. Raises Refused as each of the two.
    """
    part_type = work.session.get(PartType, part_type_id)
    if part_type is None:
        raise Refused("part_type", "", "no such part type.", "One of the list.")
    if part_type.counted:
        add_lot(work, part_type_id=part_type_id, entry=LotEntry(lot or serial, quantity=quantity))
        return
    if quantity is not None:
        reason = f"“{part_type.name}” is one part with a serial number."
        raise Refused("quantity", quantity, reason, "Nothing here, or a counted part type.")
    usability = Usability.ACCEPTED if accepted else Usability.NOT_INSPECTED
    lot_id = work.session.scalar(
        select(Lot.id).where(Lot.part_type_id == part_type_id, Lot.label_key == serial_key(lot))
    )
    notes = f"Its code names lot {lot}, which is not known here." if lot and not lot_id else ""
    entry = PartEntry(serial, lot_id=lot_id, usability=usability, notes=notes)
    add_part(work, part_type_id=part_type_id, entry=entry)


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
    entry = _with_maker(work, given.checked(entry, PART_FIELDS, work.now))
    _refuse_taken(work, part_type, entry.serial, entry.maker, but=None)
    _refuse_other_lot(work, part_type, entry.lot_id)
    refuse_place_by_record(entry.whereabouts, PLACES_TO_BEGIN)
    refuse_no_judgement(entry.usability)
    _refuse_odd(part_type, entry)
    row = Part(
        part_type_id=part_type_id,
        serial_key=serial_key(entry.serial),
        maker_key=maker_key(entry.maker),
        added_at=work.now,
        **asdict(entry),
    )
    work.session.add(row)
    work.session.flush()
    return row


def change_part(work: Work, part_id: int, entry: PartEntry, *, reason: str) -> None:
    """Change what was written down of a part, with the reason.

    Serial and lot may change only while no record names the part; afterwards a serial misread is
    put right by a correction of the record. Where it is and whether it may be used change on their
    own: the entry's are not looked at. A counted item has no serial.
    """
    need(work.by, Act.PART_WRITE)
    row, part_type = locked_part(work, part_id)
    why = given.reason(reason)
    described = [field for field in CHANGED_FIELDS if field.name != "serial" or row.serial]
    entry = given.checked(entry, described, work.now)
    serial_now, lot_id = entry.serial if row.serial else None, entry.lot_id
    if row.serial and not serial_now:
        raise Refused("serial", "", "nothing is given.", "What is marked on the part.")
    identity = (("serial", serial_now, row.serial), ("lot", lot_id, row.lot_id))
    for field, after, now in identity:
        if after != now and is_in_a_record(work, part_id):
            raise Refused(
                field,
                after if field == "serial" else _lot_label(work, lot_id),
                "rebuild records name this part as it stands.",
                "A correction of the record in which it was misread would be right.",
            )
    if serial_now is not None:
        entry = _with_maker(work, entry)
        _refuse_taken(work, part_type, serial_now, entry.maker, but=part_id)
    elif lot_id is None:
        raise Refused("lot", "", "a counted item belongs to its lot.")
    _refuse_other_lot(work, part_type, lot_id)
    _refuse_odd(part_type, entry)
    changes = given.trail_of(described, row, entry)
    changes.insert(1, ("lot", _lot_label(work, row.lot_id), _lot_label(work, lot_id)))
    for described_field in described:
        setattr(row, described_field.name, getattr(entry, described_field.name))
    row.lot_id, row.maker_key = lot_id, maker_key(row.maker)
    if row.hours_before:
        row.hours_before_unknown = False
    row.serial_key = None if serial_now is None else serial_key(serial_now)
    work.note(Event.PART_CHANGED, ("part", part_id, label(work, row)), changes, reason=why)


def label(work: Work, row: Part) -> str:
    """Return what the trail calls a part: its serial, or its number in its lot."""
    return part_label(row.serial, _lot_label(work, row.lot_id), row.item_number)


def is_in_a_record(work: Work, part_id: int) -> bool:
    """Say whether any rebuild record names this part."""
    mentions = (
        exists().where(Step.part_id == part_id)
        | exists().where(Layer.part_id == part_id)
        | exists().where(Fixing.part_id == part_id)
        | exists().where(Finding.part_id == part_id)
    )
    return bool(work.session.scalar(select(mentions)))


def locked_part(work: Work, part_id: int) -> tuple[Part, PartType]:
    """Return the part, held until the change is through, and its type. Raises NotFound."""
    row = work.locked(Part, part_id, "part")
    return row, work.session.get_one(PartType, row.part_type_id)


def refuse_place_by_record(place: Whereabouts, allowed: tuple[Whereabouts, ...]) -> None:
    """Refuse a place that only a rebuild record brings a part into, or off."""
    if place not in allowed:
        raise Refused(
            "whereabouts",
            place.value,
            "only a rebuild record brings a part there."
            if place in BY_RECORD
            else "a part does not begin there.",
            "Right would be: " + ", ".join(allowed) + ".",
        )


def refuse_no_judgement(usability: Usability) -> None:
    """Refuse kinds with functions and reasons of their own: holds and concessions."""
    if usability not in JUDGEMENTS:
        how = "placing a hold" if usability is Usability.ON_HOLD else "giving a concession"
        raise Refused(
            "usability",
            usability.value,
            f"that comes about by {how}, which asks for its own reason.",
            "Right would be: " + ", ".join(JUDGEMENTS) + ".",
        )


def refuse_odd(measured: Mapping[str, float | None], should_be_mm: float | None) -> None:
    """Refuse what no part of the type can measure, naming the range that can be."""
    try:
        check_measured(measured, should_be_mm)
    except OutOfRange as trouble:
        raise Refused(
            trouble.fields[0],
            trouble.value,
            "no part of this type measures that.",
            f"Right would be: {trouble.allowed}.",
        ) from trouble


def _refuse_odd(part_type: PartType, entry: PartEntry) -> None:
    stiffness = read_stiffness(part_type.kind, part_type.stiffness)
    refuse_odd(entry.measured, free_mm(part_type.thickness_mm, stiffness))


def _with_maker(work: Work, entry: PartEntry) -> PartEntry:
    """What is said of a part; the maker of a lot is that of its parts."""
    if entry.maker or entry.lot_id is None:
        return entry
    supplier = work.session.scalar(select(Lot.supplier).where(Lot.id == entry.lot_id))
    return replace(entry, maker=supplier or "")


def _refuse_taken(
    work: Work, part_type: PartType, serial: str, maker: str, *, but: int | None
) -> None:
    others = work.session.execute(
        select(Part.maker_key, Part.maker, Part.serial).where(
            Part.part_type_id == part_type.id,
            Part.serial_key == serial_key(serial),
            Part.id != (but or 0),
        )
    ).all()
    same = namesake_of(maker, {row.maker_key: row.maker for row in others})
    if same is not None:
        raise taken(serial, maker, f"“{part_type.name}” has a part “{others[0].serial}”", same)


def taken(serial: str, maker: str, has: str, same: str) -> Refused:
    """Return the refusal of a serial that a part of its type bears; ``same`` is its maker's key."""
    if same == maker_key(maker):
        reason = f"{has} already; case and surrounding space do not count."
        return Refused("serial", serial, reason, "The serial of another part would be right.")
    whose = "whose maker is not known" if not same else "of a known maker"
    right = "Its maker first." if not same else "The maker of this one."
    return Refused("maker", maker, f"{has} {whose}: it may be the same.", right)


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
