"""A part without a readable serial: the identity it has until somebody says which part it is."""

from dataclasses import replace

from sqlalchemy import select

from service.platform import changes as given
from service.platform.arithmetic.vocabulary import Usability
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import TEMPORARY, temporary_number
from service.store.changes.parts import PartEntry, put_part
from service.store.tables import Hold, Part

UNREAD = "No readable serial"


def add_unread(work: Work, *, part_type_id: int, seen: str, entry: PartEntry | None = None) -> int:
    """Add a part whose serial is missing or cannot be read, on hold until it is identified.

    It is named by a number of its own; ``seen`` says what it bears, ``entry`` what else is known
    of it. Gives its id. Raises Refused where nothing is said, and as `put_part` does.
    """
    need(work.by, Act.PART_WRITE)
    words = given.words("seen", seen, "What is seen of it: marks, colour, damage.", most=1000)
    serial = f"{TEMPORARY}{next_temporary(work)}"
    known = entry or PartEntry(serial)
    notes = "\n".join(filter(None, (f"Seen: {words}", known.notes)))
    row = put_part(
        work,
        part_type_id,
        replace(known, serial=serial, usability=Usability.NOT_INSPECTED, notes=notes),
    )
    hold_unread(work, row, words)
    work.note(
        Event.PART_ADDED,
        ("part", row.id, serial),
        [("serial", None, serial), ("seen", None, words), ("hold", None, "placed")],
        reason=UNREAD,
    )
    return row.id


def next_temporary(work: Work) -> int:
    """Return the number of the next temporary identity. One statement, by the index of serials."""
    begin = TEMPORARY.casefold()
    keys = work.session.scalars(
        select(Part.serial_key).where(Part.serial_key >= begin, Part.serial_key < f"{begin}\uffff")
    )
    return 1 + max((temporary_number(key) or 0 for key in keys if key), default=0)


def hold_unread(work: Work, row: Part, seen: str) -> None:
    """Mark a part as temporary and put it on hold; nobody lifts that hold but by identifying it."""
    row.temporary_number = row.temporary_number or temporary_number(row.serial or "")
    row.usability = Usability.ON_HOLD
    work.session.add(
        Hold(
            part_id=row.id,
            usability_before=Usability.NOT_INSPECTED,
            reason=f"{UNREAD}: {seen}",
            placed_by_id=work.by.id,
            placed_at=work.now,
        )
    )
    work.session.flush()
