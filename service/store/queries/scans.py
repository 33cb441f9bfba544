"""What a scanned or typed text stands for: a part, a stack, a lot, an instrument, a record."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.records.tables import RebuildRecord
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import Scan, part_label, read_scan, serial_key
from service.store.tables import Instrument, Lot, Part, PartType

MOST_OF_A_KIND = 50
LONGEST = 500
_RECORD = re.compile(r"(?:record|rec|r)?\s*[-#]?\s*([0-9]{1,15})", re.IGNORECASE)
_ITEM = re.compile(r"(.+?)\s+item\s+([0-9]{1,12})", re.IGNORECASE)

HitKind = Literal["part", "stack", "lot", "instrument", "record"]


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing the text may stand for."""

    kind: HitKind
    id: int
    label: str
    detail: str
    """what sets it apart from another of the same label"""
    whereabouts: Whereabouts | None = None
    usability: Usability | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """What the code says and everything it may stand for.

    ``trouble``: it looked like GS1 data but was malformed; it was taken as a plain serial then.
    """

    text: str
    scan: Scan | None
    trouble: str
    hits: tuple[Hit, ...]

    @property
    def serial(self) -> str:
        """The serial number the text holds, or nothing."""
        return (self.scan.serial or "") if self.scan else ""


def find_scanned(session: Session, text: str, *, year: int | None = None) -> Found:
    """What does a scanned or typed text stand for? Five statements at most.

    A code with a lot as well narrows serials down to that lot where one of them has it. A bare
    number may be a record's too.
    """
    text = text.strip()[:LONGEST]
    if not text:
        return Found("", None, "", ())
    trouble = ""
    try:
        scan = read_scan(text, year=year)
    except TradeError as error:
        trouble, scan = str(error), Scan(serial=text, raw=text)
    hits: list[Hit] = []
    if scan.serial:
        hits += _parts(session, scan)
        hits += _stacks(session, scan.serial)
        hits += _instruments(session, scan.serial)
    if not any(hit.kind == "part" for hit in hits):
        hits += _lots(session, scan.lot or scan.serial or "")
    if scan.serial and (number := _RECORD.fullmatch(text)):
        hits += _records(session, int(number[1]))
    return Found(text, scan, trouble, tuple(hits))


def _parts(session: Session, scan: Scan) -> list[Hit]:
    serial = scan.serial or ""
    means = Part.serial_key == serial_key(serial)
    item = _ITEM.fullmatch(serial)
    if item:
        means = or_(
            means,
            (Part.item_number == int(item[2])) & (Lot.label_key == serial_key(item[1])),
        )
    rows: Sequence[Any] = session.execute(
        select(
            Part.id,
            Part.serial,
            Part.item_number,
            Lot.label.label("lot"),
            PartType.kind,
            PartType.name,
            PartType.drawing_number,
            Part.whereabouts,
            Part.usability,
            Stack.serial.label("stack"),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .where(means)
        .order_by(PartType.kind, PartType.name, Part.id)
        .limit(MOST_OF_A_KIND)
    ).all()
    if scan.lot:
        of_lot = [row for row in rows if row.lot and serial_key(row.lot) == serial_key(scan.lot)]
        rows = of_lot or rows
    return [
        Hit(
            "part",
            row.id,
            part_label(row.serial, row.lot, row.item_number),
            f"{row.kind}, {row.name} ({row.drawing_number})"
            + (f", lot {row.lot}" if row.lot else "")
            + (f", in stack {row.stack}" if row.stack else ""),
            row.whereabouts,
            row.usability,
        )
        for row in rows
    ]


def _stacks(session: Session, serial: str) -> list[Hit]:
    rows = session.execute(
        select(Stack.id, Stack.serial, Stack.place).where(Stack.serial_key == serial_key(serial))
    )
    return [Hit("stack", row.id, row.serial, row.place) for row in rows]


def _instruments(session: Session, label: str) -> list[Hit]:
    rows = session.execute(
        select(Instrument.id, Instrument.label, Instrument.kind).where(
            Instrument.label_key == serial_key(label)
        )
    )
    return [Hit("instrument", row.id, row.label, row.kind.value) for row in rows]


def _lots(session: Session, label: str) -> list[Hit]:
    if not label:
        return []
    rows = session.execute(
        select(Lot.id, Lot.label, PartType.kind, PartType.name)
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(Lot.label_key == serial_key(label))
        .order_by(Lot.id)
        .limit(MOST_OF_A_KIND)
    )
    return [Hit("lot", row.id, row.label, f"{row.kind}, {row.name}") for row in rows]


def _records(session: Session, number: int) -> list[Hit]:
    rows = session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, Stack.serial)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(RebuildRecord.id == number)
    )
    return [
        Hit("record", row.id, f"record {row.id}", f"{row.kind} of {row.serial}") for row in rows
    ]
