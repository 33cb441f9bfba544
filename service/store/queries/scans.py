"""What a scanned or typed text may mean: a part, a stack, a lot, an instrument, a record."""

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from sqlalchemy import select, union
from sqlalchemy.orm import Session

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.errors import Question
from service.records.tables import RebuildRecord
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import Scan, part_label, read_scan, serial_key
from service.store.arithmetic.near_serials import looks_alike, one_slip_away
from service.store.tables import Instrument, Lot, Part, PartType

MOST_OF_A_KIND = 50
LONGEST = 500
_RECORD = re.compile(r"(?:record|rec|r)?\s*[-#]?\s*([0-9]{1,15})", re.IGNORECASE)
_ITEM = re.compile(r"(.+?)\s+item\s+([0-9]{1,12})", re.IGNORECASE)

HitKind = Literal["part", "stack", "lot", "instrument", "record"]
A_PART: frozenset[HitKind] = frozenset({"part"})
ANYTHING: frozenset[HitKind] = frozenset({"part", "stack", "lot", "instrument", "record"})
TO_FIT: frozenset[HitKind] = frozenset({"part", "lot"})


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing the text may mean; ``part_kind`` and what follows are of parts and lots."""

    kind: HitKind
    id: int
    label: str
    about: str
    """what sets it apart from another of the same label"""
    part_kind: Kind | None = None
    drawing_number: str = ""
    lot: str | None = None
    is_counted: bool = False
    maker: str = ""
    stack: str | None = None
    whereabouts: Whereabouts | None = None
    usability: Usability | None = None

    @property
    def part_id(self) -> int | None:
        """The part, where it is one."""
        return self.id if self.kind == "part" else None

    @property
    def lot_id(self) -> int | None:
        """The lot, where it is one."""
        return self.id if self.kind == "lot" else None

    @property
    def detail(self) -> str:
        """What it is and, fitted, in which stack."""
        kind = f"{self.part_kind}, " if self.part_kind else ""
        return f"{kind}{self.about}" + (f", in stack {self.stack}" if self.stack else "")

    @property
    def in_words(self) -> str:
        """Kind, label, type and where it is: enough to tell two of the same serial apart."""
        if self.kind == "lot":
            return f"{self.part_kind} lot {self.label}, {self.about}, one item of the lot"
        is_fitted = self.whereabouts is Whereabouts.FITTED
        place = f"fitted in {self.stack}" if is_fitted else str(self.whereabouts)
        on_hold = ", on hold" if self.usability is Usability.ON_HOLD else ""
        return f"{self.part_kind} {self.label}, {self.about}, {place}{on_hold}"


@dataclass(frozen=True, slots=True)
class Resolved:
    """What the code says and everything it may mean.

    ``trouble``: it looked like GS1 data but was malformed; only the text itself was looked for.
    """

    text: str
    scan: Scan | None
    trouble: str
    hits: tuple[Hit, ...]

    @property
    def serial(self) -> str:
        """The serial number the text holds, or nothing."""
        return (self.scan.serial or "") if self.scan else ""

    @property
    def name(self) -> str:
        """What a refusal calls it: the serial or the lot in it, else the text."""
        return self.serial or (self.scan and self.scan.lot) or self.text

    @property
    def reason_unknown(self) -> str:
        """Why nothing can be fitted, where there is no hit."""
        return self.trouble or "no part bears this serial, and no lot of counted items this mark."

    def denied_lot(self, hit: Hit) -> str:
        """Give the lot the code says, where the part is kept as of another."""
        lot = self.scan.lot if self.scan and serial_key(hit.label) != serial_key(self.text) else ""
        return lot if lot and hit.lot and serial_key(hit.lot) != serial_key(lot) else ""


def resolve(
    session: Session, text: str, *, among: Collection[HitKind] = ANYTHING, year: int | None = None
) -> Resolved:
    """Find everything a scanned or typed text may mean, in five statements at most.

    It may be a serial or mark as it stands, even one that looks like GS1 data; the serial or lot
    in a code or a digital link; an item's label such as “L-1 item 3”; a record's number. A code
    with a lot as well narrows its serial down to that lot where a part of it bears it. Lots are
    meant where no part is. ``year`` is the present one, for the century of dates in a code.
    """
    text = text.strip()[:LONGEST]
    if not text:
        return Resolved("", None, "", ())
    trouble = ""
    try:
        scan = read_scan(text, year=year)
    except TradeError as error:
        trouble, scan = str(error), Scan(serial=text, raw=text)
    names = {serial_key(name) for name in (text, scan.serial) if name}
    hits: list[Hit] = []
    if "part" in among:
        hits += _parts(session, text, scan, names)
    if "stack" in among:
        hits += _stacks(session, names)
    if "instrument" in among:
        hits += _instruments(session, names)
    if "lot" in among and not any(hit.kind == "part" for hit in hits):
        hits += _lots(session, {serial_key(text), serial_key(scan.lot or scan.serial or text)})
    if "record" in among and (number := _RECORD.fullmatch(text)):
        hits += _records(session, int(number[1]))
    return Resolved(text, scan, trouble, tuple(hits))


def resolve_to_fit(session: Session, text: str, kinds: Collection[Kind]) -> Resolved:
    """Find what a text may mean at the bench: parts, else lots of counted items.

    Those of ``kinds`` come alone; where there is none, all come, for the caller to say why not.
    """
    resolved = resolve(session, text, among=TO_FIT)
    hits = tuple(hit for hit in resolved.hits if hit.kind == "part" or hit.is_counted)
    return replace(resolved, hits=tuple(h for h in hits if h.part_kind in kinds) or hits)


def several_bear(text: str, hits: Sequence[Hit]) -> Question:
    """Return what is to be asked where several parts or lots bear what was scanned."""
    return Question(
        "part_id" if hits[0].part_id else "lot_id",
        text,
        "several parts bear it.",
        "Choose one: " + "; ".join(hit.in_words for hit in hits) + ".",
        answers={str(hit.id): hit.in_words for hit in hits},
    )


MOST_NEAR = 6


def near(
    session: Session, resolved: Resolved, *, among: Collection[HitKind] = TO_FIT
) -> tuple[Hit, ...]:
    """Return what a text that is not known may have meant: what looks the same first.

    A sign misread (0 and O, 1, l and I), a hyphen more or less, one slip of the hand. Three
    statements at most, each by the index of the serials.
    """
    text = resolved.serial or resolved.text
    alike, slips = looks_alike(text), one_slip_away(text)
    names = set(alike | slips)
    if not names:
        return ()
    hits: list[Hit] = []
    if "part" in among:
        hits += _parts(session, "", Scan(serial=None, raw=""), names)
    if "stack" in among:
        hits += _stacks(session, names)
    if "lot" in among:
        hits += _lots(session, names)
    hits.sort(key=lambda hit: serial_key(hit.label) not in alike)
    return tuple(hits[:MOST_NEAR])


_PARTS = (
    select(
        Part.id,
        Part.serial,
        Part.serial_key,
        Part.item_number,
        Part.maker,
        Part.whereabouts,
        Part.usability,
        PartType.kind,
        PartType.name,
        PartType.drawing_number,
        PartType.revision,
        Lot.label.label("lot"),
        Lot.label_key.label("lot_key"),
        Stack.serial.label("stack"),
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(Stack, Stack.id == Part.stack_id)
    .order_by(PartType.kind, PartType.name, Part.id)
    .limit(MOST_OF_A_KIND)
)


def _parts(session: Session, text: str, scan: Scan, names: set[str]) -> Iterator[Hit]:
    of_serial = Part.serial_key.in_(names)
    # what was identified since is scanned by its temporary label as well
    bearing: list[Any] = [
        select(Part.id).where(of_serial, Part.is_part_id.is_(None)),
        select(Part.is_part_id).where(of_serial, Part.is_part_id.is_not(None)),
    ]
    bearing += [
        select(Part.id)
        .join(Lot, Lot.id == Part.lot_id)
        .where(Part.item_number == int(item[2]), Lot.label_key == serial_key(item[1]))
        for name in names
        if (item := _ITEM.fullmatch(name))
    ]
    # a union, for each half has an index and their "or" has none
    rows = session.execute(_PARTS.where(Part.id.in_(union(*bearing)))).all()
    if scan.lot and any(row.lot_key == serial_key(scan.lot) for row in rows):
        fits = (serial_key(scan.lot), serial_key(text))
        rows = [row for row in rows if row.lot_key == fits[0] or row.serial_key == fits[1]]
    for row in rows:
        lot = (f", of {row.maker}" if row.maker else "") + (f", lot {row.lot}" if row.lot else "")
        yield Hit(
            "part",
            row.id,
            part_label(row.serial, row.lot, row.item_number),
            f"{row.name} ({row.drawing_number} rev. {row.revision}){lot}",
            row.kind,
            row.drawing_number,
            row.lot,
            maker=row.maker,
            stack=row.stack,
            whereabouts=row.whereabouts,
            usability=row.usability,
        )


def _stacks(session: Session, names: set[str]) -> Iterator[Hit]:
    rows = session.execute(
        select(Stack.id, Stack.serial, Stack.place)
        .where(Stack.serial_key.in_(names))
        .order_by(Stack.id)
    )
    return (Hit("stack", row.id, row.serial, row.place) for row in rows)


def _instruments(session: Session, names: set[str]) -> Iterator[Hit]:
    rows = session.execute(
        select(Instrument.id, Instrument.label, Instrument.kind)
        .where(Instrument.label_key.in_(names))
        .order_by(Instrument.id)
    )
    return (Hit("instrument", row.id, row.label, row.kind.value) for row in rows)


def _lots(session: Session, names: set[str]) -> Iterator[Hit]:
    rows = session.execute(
        select(
            Lot.id,
            Lot.label,
            PartType.kind,
            PartType.name,
            PartType.drawing_number,
            PartType.revision,
            PartType.counted,
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(Lot.label_key.in_(names))
        .order_by(PartType.kind, PartType.name, Lot.id)
        .limit(MOST_OF_A_KIND)
    )
    for row in rows:
        yield Hit(
            "lot",
            row.id,
            row.label,
            f"{row.name} ({row.drawing_number} rev. {row.revision})",
            row.kind,
            row.drawing_number,
            row.label,
            is_counted=row.counted,
        )


def _records(session: Session, number: int) -> Iterator[Hit]:
    rows = session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, Stack.serial)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(RebuildRecord.id == number)
    )
    return (
        Hit("record", row.id, f"record {row.id}", f"{row.kind} of {row.serial}") for row in rows
    )
