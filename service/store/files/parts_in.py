"""A list of parts, read against the database: what it would make, and every row in error.

    table = read_table(content, name, known=HEADINGS)
    mapping = suggest_mapping(table.headers, SYNONYMS)          or as somebody says otherwise
    seen = plan(session, table, mapping, source, ListOptions(…))
    seen.wrong                                                  nothing may be written while any
    with changing(engine, by) as work: write_parts(work, seen.plan)

A row with a serial number makes a part; a row of a counted part type makes a lot with its quantity.
Lots that are new are made; what a row says of a lot known already must agree with it.
"""

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Usability
from service.platform.errors import Refused
from service.platform.files.fields_in import (
    Reading,
    day_in,
    is_unknown,
    number_in,
    usability_in,
    whole_in,
)
from service.platform.files.tables_in import Cell, Row, Table, text_of
from service.platform.permissions import Act, Person, may
from service.platform.queries.statements import param_list
from service.store.arithmetic.identifiers import FNC1, maker_key, read_scan, serial_key
from service.store.arithmetic.lot_roles import COATED, INPUT_COLUMNS, ROLE_COLUMNS, LotRole
from service.store.arithmetic.near_serials import look_of
from service.store.arithmetic.part_fields import MEASURED, PART_COLUMNS, remarks_on
from service.store.changes.imports import (
    LotKey,
    NewLot,
    NewPart,
    PartsPlan,
    SourceFile,
    lots_labelled,
    taken_in,
)
from service.store.changes.lots import LotEntry
from service.store.changes.parts import PartEntry, refuse_odd
from service.store.queries.part_types import PartTypeFacts, part_types
from service.store.tables import Part

# Which part type a row of a list means: by name, by drawing number and revision, or by kind.


class TypeFinder:
    """Finds part types among those known, once for a whole list."""

    def __init__(self, types: Sequence[PartTypeFacts], default_id: int | None = None) -> None:
        self.types = types
        self.default = next((part_type for part_type in types if part_type.id == default_id), None)
        self.by_name: dict[str, list[PartTypeFacts]] = {}
        self.by_drawing: dict[str, list[PartTypeFacts]] = {}
        self.by_kind: dict[str, list[PartTypeFacts]] = {}
        self.whole: dict[str, PartTypeFacts] = {}
        for part_type in types:
            self.by_name.setdefault(_key(part_type.name), []).append(part_type)
            self.by_drawing.setdefault(_key(part_type.drawing_number), []).append(part_type)
            self.by_kind.setdefault(_key(part_type.kind), []).append(part_type)
            for between in (" ", " rev. ", " rev ", "-", "/", "_", ""):
                self.whole.setdefault(
                    _key(part_type.drawing_number + between + part_type.revision), part_type
                )

    def find(self, name: str, drawing: str, revision: str) -> PartTypeFacts:
        """Return the part type a row means. Raises Refused, naming what comes nearest."""
        if not (name or drawing):
            if self.default is None:
                right = "A column with it, or one part type for all rows."
                raise Refused("part_type", "", "no part type is given.", right)
            return self.default
        matches = self._by_drawing(drawing) if drawing else []
        if not matches and name:
            matches = self._by_word(name)
        if not matches:
            raise self._unknown(name, drawing)
        if revision:
            of_revision = [
                part_type for part_type in matches if _key(part_type.revision) == _key(revision)
            ]
            if not of_revision:
                known_ones = ", ".join(sorted({part_type.revision for part_type in matches}))
                raise Refused(
                    "revision", revision, "it has no such revision.", f"Known: {known_ones}."
                )
            matches = of_revision
        if len(matches) > 1:
            known_ones = "; ".join(
                f"{part_type.name}, {part_type.drawing}" for part_type in matches[:6]
            )
            field, value = ("drawing_number", drawing) if drawing else ("part_type", name)
            right = f"Drawing number and revision would tell: {known_ones}."
            raise Refused(field, value, "several part types go by it.", right)
        return matches[0]

    def _by_drawing(self, drawing: str) -> list[PartTypeFacts]:
        whole = self.whole.get(_key(drawing))
        return self.by_drawing.get(_key(drawing)) or ([whole] if whole else [])

    def _by_word(self, word: str) -> list[PartTypeFacts]:
        key = _key(word)
        return self.by_name.get(key) or self._by_drawing(word) or self.by_kind.get(key, [])

    def _unknown(self, name: str, drawing: str) -> Refused:
        field, value = ("part_type", name) if name else ("drawing_number", drawing)
        names = [*self.by_name, *self.by_drawing]
        near = difflib.get_close_matches(_key(value), names, n=3, cutoff=0.5)
        nearest = [self._shown(key) for key in near]
        right = "Nearest: " + ", ".join(nearest) + "." if nearest else "Make the part type first."
        return Refused(field, value, "there is no part type of this name or drawing.", right)

    def _shown(self, key: str) -> str:
        if key in self.by_name:
            return self.by_name[key][0].name
        return self.by_drawing[key][0].drawing_number


def _key(text: str) -> str:
    return " ".join(text.casefold().split())


SYNONYMS = {field.name: field.headings for field in PART_COLUMNS}
HEADINGS = tuple(SYNONYMS.values())
LABELS = {field.name: field.in_list for field in PART_COLUMNS}
LOTS_OWN = ("supplier", "produced_at", "received_at", "expires_at")
LONGEST = {
    field.name: field.longest
    for field in PART_COLUMNS
    if field.name in {"serial", "lot", "supplier", "place", "notes"}
}


@dataclass(frozen=True, slots=True)
class ListOptions:
    """How a list is to be read, and for whom. ``part_type_id`` is of rows which name none."""

    how: Reading
    by: Person
    part_type_id: int | None = None
    alike_differ: bool = False
    """serials that look alike are of different parts"""


@dataclass(frozen=True, slots=True)
class Wrong:
    """A row in error: its line in the file, and why it cannot be taken."""

    line: int
    refusal: Refused

    @property
    def said(self) -> str:
        """The refusal with the field's name as people know it."""
        label = LABELS.get(self.refusal.field, self.refusal.field)
        value = "" if self.refusal.value in {None, ""} else f" “{self.refusal.value}”"
        return f"{label}{value}: {self.refusal.reason} {self.refusal.right_would_be}".strip()


@dataclass(frozen=True, slots=True)
class PartsSeen:
    """What a list would make, and what is wrong with it; ``type_names`` by id, to be shown.

    ``remarks`` say by line what is striking, though it may be written.
    """

    plan: PartsPlan
    wrong: tuple[Wrong, ...]
    type_names: Mapping[int, str]
    remarks: Mapping[int, str]

    @property
    def may_be_written(self) -> bool:
        """Say whether every row is right and there is something to make."""
        return not self.wrong and bool(self.plan.parts or self.plan.lots)


@dataclass(slots=True)
class _Seen:
    """What was found so far, to be compared with the rows that follow."""

    types: TypeFinder
    serials: dict[tuple[int, str, str], int] = field(default_factory=dict)
    lots: dict[LotKey, NewLot] = field(default_factory=dict)
    known_lots: dict[LotKey, LotEntry] = field(default_factory=dict)
    parts: list[NewPart] = field(default_factory=list)
    wrong: list[Wrong] = field(default_factory=list)
    remarks: dict[int, str] = field(default_factory=dict)

    def maker_of(self, lot: LotKey) -> str:
        """Return the supplier of a lot, as it is kept or an earlier row says."""
        new = self.lots.get(lot)
        entry = self.known_lots.get(lot) or (new.entry if new else None)
        return entry.supplier if entry else ""


@dataclass(frozen=True, slots=True)
class _RowIn:
    """One row being read: its cells by field, the same as text, and what is wrong so far."""

    line: int
    cells: Mapping[str, Cell]
    said: Mapping[str, str]
    wrong: list[Refused]
    made_of: tuple[tuple[LotRole, LotKey, datetime | None], ...] = ()

    def refuse(self, name: str, value: object, reason: str, right: str) -> None:
        self.wrong.append(Refused(name, value, reason, right))


def plan(
    session: Session,
    table: Table,
    mapping: Mapping[str, int],
    source: SourceFile,
    options: ListOptions,
) -> PartsSeen:
    """Return what this list would make, and which rows cannot be taken, each with its reasons.

    ``mapping`` says for each field of `PART_COLUMNS` in which column of the table it stands.
    Nothing is written. Statements: three, and one for each 500 different lots or serials.
    Raises Refused where the mapping itself cannot work.
    """
    _refuse_mapping(table, mapping)
    types_known = part_types(session)
    draft = _Seen(TypeFinder(types_known, options.part_type_id))
    draft.known_lots = _lots_named(session, table, mapping)
    for row in table.rows:
        _take(draft, row, mapping, options)
    draft.wrong += [Wrong(part.line, told) for part, told in taken_in(session, draft.parts)]
    if not options.alike_differ:
        new = [(part.line, part.part_type_id, part.entry.serial) for part in draft.parts]
        draft.wrong += look_alikes(session, new)
    return PartsSeen(
        PartsPlan(source, tuple(draft.lots.values()), tuple(draft.parts)),
        tuple(sorted(draft.wrong, key=lambda wrong: wrong.line)),
        {part_type.id: f"{part_type.name}, {part_type.drawing}" for part_type in types_known},
        draft.remarks,
    )


SERIALS = select(Part.part_type_id, Part.serial).where(
    Part.part_type_id.in_(param_list("type_ids")), Part.serial.is_not(None)
)


def look_alikes(session: Session, new: Sequence[tuple[int, int, str]]) -> list[Wrong]:
    """Return rows whose new serial looks like another one of its part type, here or in the list.

    ``new`` has line, part type and serial of each. A part under two serials is two parts for ever.
    One statement.
    """
    type_ids = {type_id for _line, type_id, _serial in new}
    rows = session.execute(SERIALS, {"type_ids": list(type_ids)})
    seen = {
        (row.part_type_id, look_of(row.serial)): (row.serial, f"{row.serial}, which is kept here")
        for row in rows
    }
    wrong = []
    for line, type_id, serial in new:
        of_line = (serial, f"{serial} of line {line}")
        other, named = seen.setdefault((type_id, look_of(serial)), of_line)
        if serial_key(other) != serial_key(serial):
            reason = f"it looks like {named}: 0 and O, or 1, I and l, are taken for one another."
            right = "As it is marked on the part; or say that such serials are of different parts."
            wrong.append(Wrong(line, Refused("serial", serial, reason, right)))
    return wrong


def _refuse_mapping(table: Table, mapping: Mapping[str, int]) -> None:
    for name, column in mapping.items():
        if name not in SYNONYMS or not 0 <= column < len(table.headers):
            right = "Right: " + ", ".join(SYNONYMS) + ", each with a column of the list."
            raise Refused("mapping", name, "there is no such field or column.", right)
    twice = [name for name in mapping if list(mapping.values()).count(mapping[name]) > 1]
    if twice:
        labels = " and ".join(LABELS[name] for name in twice)
        header = table.headers[mapping[twice[0]]]
        raise Refused("mapping", header, f"this column is to be {labels}.", "One of them.")
    if "serial" not in mapping and "lot" not in mapping:
        right = "Say in which column the serial number or the lot stands."
        raise Refused("mapping", "", "no column tells which parts these are.", right)


def _take(draft: _Seen, row: Row, mapping: Mapping[str, int], options: ListOptions) -> None:
    """Read one row; all that is wrong with it is kept, not only the first."""
    cells = {name: row.cells[column] for name, column in mapping.items()}
    texts = {name: text_of(cell) for name, cell in cells.items()}
    row_in = _RowIn(row.line, cells, texts, [])
    if row.is_too_wide:
        right = "A cell that holds the separator has to stand in quotation marks."
        row_in.refuse("row", "", "it has more cells than there are headings.", right)
    for name, most in LONGEST.items():
        if len(texts.get(name, "")) > most:
            reason = f"it has more than {most} signs."
            row_in.refuse(name, texts[name][:40] + "…", reason, "Shorten it.")
    part_type = None
    try:
        part_type = draft.types.find(
            texts.get("part_type", ""), texts.get("drawing_number", ""), texts.get("revision", "")
        )
    except Refused as refusal:
        row_in.wrong.append(refusal)
    row_in = replace(row_in, made_of=tuple(_made_of(draft, row_in, options.how)))
    lot = _lot_entry(row_in, options.how)
    if part_type is not None and part_type.counted:
        _take_lot(draft, row_in, part_type, lot)
    else:
        _take_part(draft, row_in, part_type, lot, options)
    draft.wrong += [Wrong(row.line, refusal) for refusal in row_in.wrong]


def _take_lot(draft: _Seen, row_in: _RowIn, part_type: PartTypeFacts, lot: LotEntry) -> None:
    """A row of a counted part type makes a lot."""
    if row_in.said.get("serial"):
        reason = f"“{part_type.name}” is counted by lots and has no serial numbers."
        row_in.refuse("serial", row_in.said["serial"], reason, "An empty cell.")
    if not lot.label:
        row_in.refuse("lot", "", "no lot is given.", "What stands on the bag.")
    if not row_in.said.get("quantity"):
        reason = "how many items the lot has is not given."
        row_in.refuse("quantity", "", reason, "A whole number.")
    for measured in MEASURED:
        if text := row_in.said.get(measured.name):
            reason = "the items of a lot are not measured one by one."
            row_in.refuse(measured.name, text, reason, "An empty cell.")
    key = (part_type.id, serial_key(lot.label))
    if key in draft.known_lots:
        row_in.refuse(
            "lot", lot.label, "this part type has such a lot already.", "Without this row."
        )
    if key in draft.lots:
        reason = f"it stands in line {draft.lots[key].line} as well."
        row_in.refuse("lot", lot.label, reason, "Each lot once.")
    if not row_in.wrong:
        draft.lots[key] = NewLot(row_in.line, part_type.id, lot, row_in.made_of)


def _take_part(
    draft: _Seen,
    row_in: _RowIn,
    part_type: PartTypeFacts | None,
    lot: LotEntry,
    options: ListOptions,
) -> None:
    """A row with a serial number makes a part, and its lot where that is new."""
    serial, lot = _serial(row_in, lot, options.how)
    if not serial and not row_in.said.get("serial"):
        row_in.refuse("serial", "", "no serial number is given.", "What is marked on the part.")
    if lot.quantity not in {None, 1}:
        reason = "a part with a serial number is one."
        row_in.refuse("quantity", lot.quantity, reason, "1, or an empty cell.")
    unknown = is_unknown(row_in.cells.get("hours_before"))
    hours = 0.0 if unknown else _hours(row_in, options.how)
    measured = _measured(draft, row_in, part_type, options.how)
    usability = _usability(row_in, options.by)
    if part_type is None:
        return
    maker = lot.supplier or draft.maker_of((part_type.id, serial_key(lot.label)))
    key = (part_type.id, maker_key(maker), serial_key(serial))
    if serial and key in draft.serials:
        reason = f"it stands in line {draft.serials[key]} as well; case and space do not count."
        row_in.refuse("serial", serial, reason, "Each part once.")
    elif serial:
        draft.serials[key] = row_in.line
    lot_key = _settle_lot(draft, row_in, part_type, replace(lot, quantity=None, notes=""))
    if not row_in.wrong:
        entry = PartEntry(
            serial,
            hours_before=hours,
            hours_before_unknown=unknown,
            place=row_in.said.get("place", ""),
            usability=usability,
            notes=row_in.said.get("notes", ""),
            maker=maker,
            **measured,
        )
        draft.parts.append(NewPart(row_in.line, part_type.id, entry, lot_key, lot.label))


def _serial(row_in: _RowIn, lot: LotEntry, how: Reading) -> tuple[str, LotEntry]:
    """The serial of a cell, which may hold a whole scanned code with the lot in it."""
    text = row_in.said.get("serial", "")
    if not text.startswith(("(", "]")) and FNC1 not in text:
        return text, lot
    try:
        scan = read_scan(text, year=how.now.year)
    except TradeError as trouble:
        row_in.refuse("serial", text, str(trouble), "The serial number alone.")
        return text, lot
    if scan.serial is None:
        row_in.refuse("serial", text, "this code names no serial number.", "One with (21).")
    if scan.lot and lot.label and serial_key(scan.lot) != serial_key(lot.label):
        reason = f"the scanned code names lot {scan.lot}."
        row_in.refuse("lot", lot.label, reason, "The same lot in both.")
    return scan.serial or "", replace(lot, label=lot.label or scan.lot or "")


def _made_of(
    draft: _Seen, row_in: _RowIn, how: Reading
) -> Iterator[tuple[LotRole, LotKey, datetime | None]]:
    """The lots the row's lot is made of: kept ones, or lots of earlier rows."""
    coated = None
    try:
        coated = day_in(row_in.cells.get(COATED.name), COATED.name, how)
    except Refused as refusal:
        row_in.wrong.append(refusal)
    for role, column in ROLE_COLUMNS.items():
        label = row_in.said.get(column.name, "")
        if not label:
            continue
        keys = ((each.id, serial_key(label)) for each in draft.types.types)
        of_label = [key for key in keys if key in draft.known_lots or key in draft.lots]
        if len(of_label) != 1 or not row_in.said.get("lot"):
            reason = "several part types have such a lot." if of_label else "there is no such lot."
            right = "A lot kept here or in an earlier row, beside a lot that is made of it."
            row_in.refuse(column.name, label, reason, right)
            continue
        yield role, of_label[0], coated if role is LotRole.COATING else None


def _lot_entry(row_in: _RowIn, how: Reading) -> LotEntry:
    days: dict[str, datetime | None] = {}
    for name in ("produced", "received", "expires"):
        try:
            days[name] = day_in(row_in.cells.get(name), name, how, ahead=name == "expires")
        except Refused as refusal:
            row_in.wrong.append(refusal)
    quantity = None
    try:
        quantity = whole_in(row_in.cells.get("quantity"), "quantity", how)
    except Refused as refusal:
        row_in.wrong.append(refusal)
    first = days.get("produced") or days.get("received")
    expires = days.get("expires")
    if first and expires and expires < first:
        reason = "it lies before the day of making or receipt."
        row_in.refuse("expires", row_in.said["expires"], reason, "A later day.")
    return LotEntry(
        row_in.said.get("lot", ""),
        row_in.said.get("supplier", ""),
        days.get("received"),
        days.get("produced"),
        expires,
        quantity,
        row_in.said.get("notes", ""),
    )


def _settle_lot(
    draft: _Seen, row_in: _RowIn, part_type: PartTypeFacts, lot: LotEntry
) -> LotKey | None:
    """The lot of a part: a known one, one an earlier row made, or a new one; they must agree."""
    if not lot.label:
        for name in LOTS_OWN[1:]:
            if getattr(lot, name):
                reason = "it is kept with the lot, and this row names none."
                value = _shown(getattr(lot, name))
                row_in.refuse(name.removesuffix("_at"), value, reason, "A lot beside it.")
        return None
    key = (part_type.id, serial_key(lot.label))
    kept_lot, earlier = draft.known_lots.get(key), draft.lots.get(key)
    if kept_lot is None and earlier is None:
        if not row_in.wrong:
            draft.lots[key] = NewLot(row_in.line, part_type.id, lot, row_in.made_of)
        return key
    if row_in.made_of and (earlier is None or row_in.made_of != earlier.made_of):
        reason = "the lot is kept, or an earlier row says something else of it."
        right = "What a kept lot is made of is said on its page."
        row_in.refuse(row_in.made_of[0][0].name.lower(), "", reason, right)
    reference = kept_lot or (earlier.entry if earlier else lot)
    source = "the lot as it is kept" if kept_lot else f"line {earlier.line if earlier else 0}"
    for name in LOTS_OWN:
        value_here, value_there = getattr(lot, name), getattr(reference, name)
        if value_here and _differs(value_here, value_there):
            reason = f"{source} says {_shown(value_there) or 'nothing'}."
            right = "The same for all parts of a lot."
            row_in.refuse(name.removesuffix("_at"), _shown(value_here), reason, right)
    return key


def _differs(first: object, second: object) -> bool:
    if isinstance(first, datetime) and isinstance(second, datetime):
        return abs(first - second).total_seconds() > 12 * 3600
    if isinstance(first, str) and isinstance(second, str):
        return first.casefold() != second.casefold()
    return first != second


def _shown(value: object) -> str:
    return f"{value:%Y-%m-%d}" if isinstance(value, datetime) else str(value or "")


def _hours(row_in: _RowIn, how: Reading) -> float:
    try:
        hours = number_in(row_in.cells.get("hours_before"), "hours_before", how) or 0.0
    except Refused as refusal:
        row_in.wrong.append(refusal)
        return 0.0
    if hours < 0:
        row_in.refuse("hours_before", hours, "it is below zero.", "0\u2009h or more.")
    return hours


def _measured(
    draft: _Seen, row_in: _RowIn, part_type: PartTypeFacts | None, how: Reading
) -> dict[str, Any]:
    """What was measured of the part; what is striking is remarked on, the impossible refused."""
    try:
        measured = {
            field.name: number_in(row_in.cells.get(field.name), field.name, how)
            for field in MEASURED
        }
        if part_type is not None:
            refuse_odd(measured, part_type.free_mm)
    except Refused as refusal:
        row_in.wrong.append(refusal)
        return {}
    if part_type is not None and (remarks := remarks_on(measured, part_type.free_mm)):
        draft.remarks[row_in.line] = " ".join(remarks.values())
    return measured


def _usability(row_in: _RowIn, by: Person) -> Usability:
    try:
        usability = usability_in(row_in.cells.get("usability"), "usability")
    except Refused as refusal:
        row_in.wrong.append(refusal)
        return Usability.NOT_INSPECTED
    leave = may(by, Act.PART_JUDGE)
    if usability is not Usability.NOT_INSPECTED and not leave:
        row_in.refuse("usability", row_in.said["usability"], leave.why, "An empty cell.")
    return usability


def _lots_named(
    session: Session, table: Table, mapping: Mapping[str, int]
) -> dict[LotKey, LotEntry]:
    """All lots bearing one of the labels in the list, also as what others are made of."""
    named = [mapping[name] for name in ("lot", *INPUT_COLUMNS) if name in mapping]
    return lots_labelled(session, {text_of(row.cells[at]) for row in table.rows for at in named})
