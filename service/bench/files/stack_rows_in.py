"""One row of a stack's pile: where its part sits, which part it is, how it lies."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.bench.changes.stack_imports import PartInPile
from service.platform.arithmetic.vocabulary import FIXING_KINDS, End, Facing, Kind, Whereabouts
from service.platform.errors import Refused
from service.platform.files.fields_in import Reading, number_in
from service.platform.files.tables_in import Row, text_of
from service.store.arithmetic.identifiers import serial_key
from service.store.changes.imports import LotKey, NewLot
from service.store.changes.lots import LotEntry
from service.store.files.parts_in import Wrong
from service.store.files.types_in import TypeFinder
from service.store.queries.part_types import PartTypeFacts

FACING_WORDS = {
    Facing.FIXED_END: ("fixed end", "fixed", "to fixed end", "fixed side", "festes ende", "fest",
                       "festseite", "zum festen ende"),
    Facing.FREE_END: ("free end", "free", "to free end", "free side", "loses ende", "los",
                      "losseite", "zum losen ende"),
    Facing.EITHER: ("either way", "either", "any", "symmetric", "beliebig", "egal", "symmetrisch",
                    "-", "–", "n/a"),
}  # fmt: skip
END_WORDS = {
    End.FIXED: FACING_WORDS[Facing.FIXED_END],
    End.FREE: FACING_WORDS[Facing.FREE_END],
}
ROD = re.compile(
    r"(?:tie rod|rod|zuganker|zugstange|anker|stange|r)\s*(?:no\.?|nr\.?)?\s*(\d{1,3})"
)


@dataclass(frozen=True, slots=True)
class StackOptions:
    """How the list is to be read. ``make_missing``: parts and lots not known yet are made."""

    how: Reading
    make_missing: bool = False
    from_free_end: bool = False
    """positions count from the free end: they are turned round"""


@dataclass(frozen=True, slots=True)
class KnownPart:
    """A part the database has, with where it is."""

    id: int
    lot: str | None
    whereabouts: Whereabouts
    stack: str | None


@dataclass(slots=True)
class Seen:
    """What was found so far, to be compared with the rows that follow."""

    types: TypeFinder
    rods: frozenset[int] | None
    """numbers the design has; None where the design is not known yet"""
    known: dict[tuple[int, str], KnownPart]
    known_lots: set[LotKey]
    options: StackOptions
    lots: dict[LotKey, NewLot] = field(default_factory=dict)
    serials: dict[tuple[int, str], int] = field(default_factory=dict)
    positions: dict[int, int] = field(default_factory=dict)
    parts: list[tuple[PartInPile, PartTypeFacts, str]] = field(default_factory=list)
    wrong: list[Wrong] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Place:
    """A position in the pile, a rod, or an end of the clamp."""

    position: int | None = None
    rod_number: int | None = None
    end: End | None = None

    @property
    def in_words(self) -> str:
        """The rod or end as people say it."""
        return f"rod {self.rod_number}" if self.rod_number else str(self.end)


def take(seen: Seen, row: Row, mapping: Mapping[str, int]) -> None:
    """Read one row; all that is wrong with it is kept, not only the first."""
    said = {name: text_of(row.cells[column]) for name, column in mapping.items()}
    wrong: list[Refused] = []
    if row.is_too_wide:
        right = "A cell that holds the separator has to stand in quotation marks."
        wrong.append(Refused("row", "", "it has more cells than there are headings.", right))
    place, part_type, facing, hours = Place(), None, Facing.EITHER, 0.0
    try:
        part_type = seen.types.find(
            said.get("part_type", ""), said.get("drawing_number", ""), said.get("revision", "")
        )
    except Refused as refusal:
        wrong.append(refusal)
    try:
        place = _place(seen, said.get("position", ""), part_type, row.line)
    except Refused as refusal:
        wrong.append(refusal)
    try:
        facing = _facing(said.get("facing", ""), part_type)
    except Refused as refusal:
        wrong.append(refusal)
    try:
        cell = row.cells[mapping["hours_before"]] if "hours_before" in mapping else None
        hours = number_in(cell, "hours_before", seen.options.how) or 0.0
    except Refused as refusal:
        wrong.append(refusal)
    if hours < 0:
        wrong.append(Refused("hours_before", hours, "it is below zero.", "0\u2009h or more."))
    if part_type is not None:
        one = PartInPile(
            row.line,
            part_type.id,
            place.position,
            place.rod_number,
            place.end,
            facing=facing,
            hours_before=hours,
        )
        try:
            part = _which(seen, one, part_type, said)
            label = part.serial or said.get("serial") or f"of lot {said.get('lot', '')}"
            seen.parts.append((part, part_type, label))
        except Refused as refusal:
            wrong.append(refusal)
    seen.wrong += [Wrong(row.line, refusal) for refusal in wrong]


def _place(seen: Seen, text: str, part_type: PartTypeFacts | None, line: int) -> Place:
    """A position, a rod's number or an end, as the kind of part asks for it."""
    word = text.casefold().strip()
    kind = part_type.kind if part_type else None
    if kind is Kind.COMPRESSION_PLATE:
        end = next((end for end, words in END_WORDS.items() if word in words), None)
        if end is None:
            right = "“fixed end” or “free end” would be right."
            raise Refused("position", text, "a compression plate stands at an end.", right)
        return Place(end=end)
    if kind in FIXING_KINDS:
        found = ROD.fullmatch(word)
        if not found or (seen.rods is not None and int(found[1]) not in seen.rods):
            last = max(seen.rods or {1})
            right = f"“rod 1” to “rod {last}” would be right."
            raise Refused("position", text, f"a {kind} stands at a rod of the design.", right)
        return Place(rod_number=int(found[1]))
    if not re.fullmatch(r"\d{1,5}", word) or int(word) < 1:
        right = "A whole number from 1 would be right."
        raise Refused("position", text, "this is no position in the pile.", right)
    position = int(word)
    if position in seen.positions:
        reason = f"line {seen.positions[position]} has this position as well."
        raise Refused("position", text, reason, "Each position once.")
    seen.positions[position] = line
    return Place(position)


def _facing(text: str, part_type: PartTypeFacts | None) -> Facing:
    if part_type is None or part_type.marked_face is None:
        return Facing.EITHER
    word = text.casefold().strip()
    for facing in (Facing.FIXED_END, Facing.FREE_END):
        if word in FACING_WORDS[facing]:
            return facing
    reason = f"it matters which end its {part_type.marked_face} looks at."
    right = "“fixed end” or “free end”; where nobody knows, look at the stack first."
    raise Refused("facing", text, reason, right)


def _which(
    seen: Seen, one: PartInPile, part_type: PartTypeFacts, said: Mapping[str, str]
) -> PartInPile:
    """The part a row means: a known one, a new one with its serial, or an item of a lot."""
    serial, label = said.get("serial", ""), said.get("lot", "")
    lot_key = (part_type.id, serial_key(label)) if label else None
    if part_type.counted:
        if serial:
            reason = f"“{part_type.name}” is counted by lots."
            raise Refused("serial", serial, reason, "An empty cell, and the lot.")
        if lot_key is None:
            raise Refused("lot", "", "a counted item is known by its lot.", "Its lot.")
        _need_lot(seen, lot_key, label, one.line)
        return replace(one, lot=lot_key)
    if not serial:
        raise Refused("serial", "", "no serial number is given.", "What is marked on the part.")
    key = (part_type.id, serial_key(serial))
    if key in seen.serials:
        reason = f"line {seen.serials[key]} has this part as well."
        raise Refused("serial", serial, reason, "Each part once.")
    seen.serials[key] = one.line
    known = seen.known.get(key)
    if known is not None:
        _refuse_not_free(known, serial, label)
        return replace(one, part_id=known.id)
    if not seen.options.make_missing:
        right = "Import it first, or let missing parts be made."
        raise Refused("serial", serial, f"no {part_type.name} has this serial.", right)
    if lot_key is not None:
        _need_lot(seen, lot_key, label, one.line)
    return replace(one, serial=serial, lot=lot_key)


def _refuse_not_free(known: KnownPart, serial: str, label: str) -> None:
    if known.whereabouts is Whereabouts.FITTED:
        reason = f"it is fitted in {known.stack}."
        raise Refused("serial", serial, reason, "It has to be lifted off there first.")
    if known.whereabouts is Whereabouts.SCRAPPED:
        raise Refused("serial", serial, "it is scrapped.", "Another part?")
    if label and serial_key(known.lot or "") != serial_key(label):
        reason = f"the part is kept as of {'lot ' + known.lot if known.lot else 'no lot'}."
        raise Refused("lot", label, reason, "Compare the list with the part's page.")


def _need_lot(seen: Seen, key: LotKey, label: str, line: int) -> None:
    if key in seen.known_lots or key in seen.lots:
        return
    if not seen.options.make_missing:
        right = "Add it first, or let missing parts and lots be made."
        raise Refused("lot", label, "this part type has no such lot.", right)
    seen.lots[key] = NewLot(
        line, key[0], LotEntry(label, notes="made while a stack was taken over")
    )
