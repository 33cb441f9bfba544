"""Which parts or lots a typed or scanned code can mean at the bench."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import Scan, part_label, read_scan, serial_key
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class Candidate:
    """One part, or one lot of counted items, which a code can mean."""

    part_id: int | None
    lot_id: int | None
    label: str
    kind: Kind
    part_type: str
    drawing: str
    lot: str | None
    where: str

    @property
    def in_words(self) -> str:
        """Kind, label, type and where it is: enough to tell two of the same serial apart."""
        lot = f", lot {self.lot}" if self.lot and self.part_id else ""
        return f"{self.kind} {self.label}, {self.part_type} ({self.drawing}){lot}, {self.where}"


def candidates(session: Session, scan: Scan, kinds: Collection[Kind]) -> tuple[Candidate, ...]:
    """What can this code mean? Parts by their serial; else lots of counted items by their mark.

    Where a code names serial and lot, or parts of several kinds bear the serial, those that fit
    the lot and ``kinds`` come alone; where none fits, all come, for the caller to say why not.
    """
    found = _parts(session, scan.serial) if scan.serial else ()
    if not found and (mark := scan.lot or scan.serial):
        found = _lots(session, mark)
    fitting = [candidate for candidate in found if candidate.kind in kinds]
    if scan.lot is not None and len(fitting) > 1:
        key = serial_key(scan.lot)
        of_lot = [c for c in fitting if c.lot is not None and serial_key(c.lot) == key]
        fitting = of_lot or fitting
    return tuple(fitting or found)


def read_and_find(
    session: Session, text: str, kinds: Collection[Kind]
) -> tuple[Scan, tuple[Candidate, ...]]:
    """Read a code and find what it can mean. Raises the trade's errors for one that is malformed.

    A serial may look like GS1 data to a reader; where parts bear the text as it stands, it is one.
    """
    as_typed = Scan(serial=text.strip(), raw=text)
    if as_typed.serial and (plain := _parts(session, as_typed.serial)):
        return as_typed, tuple(c for c in plain if c.kind in kinds) or plain
    scan = read_scan(text)
    return scan, candidates(session, scan, kinds)


def _parts(session: Session, serial: str) -> tuple[Candidate, ...]:
    rows = session.execute(
        select(
            Part.id,
            Part.serial,
            Part.item_number,
            Part.whereabouts,
            Part.place,
            Part.usability,
            PartType.kind,
            PartType.name,
            PartType.drawing_number,
            PartType.revision,
            Lot.label.label("lot"),
            Stack.serial.label("stack"),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .where(Part.serial_key == serial_key(serial))
        .order_by(PartType.kind, PartType.name, Part.id)
    )
    return tuple(
        Candidate(
            row.id,
            None,
            part_label(row.serial, row.lot, row.item_number),
            row.kind,
            row.name,
            f"{row.drawing_number} rev. {row.revision}",
            row.lot,
            _where(row),
        )
        for row in rows
    )


def _where(row: Any) -> str:
    is_fitted = row.whereabouts is Whereabouts.FITTED
    where = f"fitted in {row.stack}" if is_fitted else str(row.whereabouts)
    return f"{where}, on hold" if row.usability is Usability.ON_HOLD else where


def _lots(session: Session, mark: str) -> tuple[Candidate, ...]:
    rows = session.execute(
        select(
            Lot.id,
            Lot.label,
            PartType.kind,
            PartType.name,
            PartType.drawing_number,
            PartType.revision,
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(Lot.label_key == serial_key(mark), PartType.counted)
        .order_by(PartType.kind, PartType.name, Lot.id)
    )
    return tuple(
        Candidate(
            None,
            row.id,
            f"lot {row.label}",
            row.kind,
            row.name,
            f"{row.drawing_number} rev. {row.revision}",
            row.label,
            "one item of the lot",
        )
        for row in rows
    )
