"""The pile of an existing stack, read from a list: position, part type, serial or lot, facing.

    table = read_table(content, name, known=HEADINGS)
    mapping = suggest_mapping(table.headers, SYNONYMS)
    seen = plan_stack(session, table, mapping, source, head, StackOptions(…))
    with changing(engine, by) as work: write_stack(work, seen.plan, stored_file)

Position 1 is at the fixed end. Rows may also name fixings: “rod 3” or “free end” in place of a
position. Which end a marked face looks at must be said where the part type asks for it: what is not
known cannot be guessed.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.layers import which_way
from service.bench.changes.stack_imports import PartInPile, StackHead, StackPlan, forbids_in_list
from service.bench.queries.missing import AT_EVERY_ROD
from service.designs.arithmetic import pile
from service.designs.tables import Design, DesignRod
from service.platform.arithmetic.vocabulary import FIXING_KINDS, End, Facing, Kind, Whereabouts
from service.platform.errors import Refused
from service.platform.files.fields_in import Reading, is_unknown, number_in
from service.platform.files.tables_in import Row, Table, text_of
from service.records.changes.eligibility import refusals_of_use
from service.records.queries.pile_checks import FixingAt, PileCheck, check_of_list
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import (
    has_no_serial,
    maker_key,
    namesake_of,
    serial_key,
    serials_in,
)
from service.store.arithmetic.part_fields import STACK_COLUMNS
from service.store.changes.imports import LotKey, NewLot, SourceFile
from service.store.changes.lots import LotEntry
from service.store.changes.parts import taken
from service.store.files.parts_in import TypeFinder, Wrong, look_alikes
from service.store.queries.forbids import NewItem, concessions_left, for_parts, forbids_of_new_items
from service.store.queries.part_types import PartTypeFacts, part_types
from service.store.tables import Lot, Part

# One row of a stack's pile: where its part sits, which part it is, how it lies.


FACING_WORDS = {
    Facing.FIXED_END: ("fixed end", "fixed", "to fixed end", "fixed side", "festes ende", "fest",
                       "festseite", "zum festen ende"),
    Facing.FREE_END: ("free end", "free", "to free end", "free side", "loses ende", "los",
                      "losseite", "zum losen ende"),
    Facing.EITHER: ("either way", "either", "any", "symmetric", "beliebig", "egal", "symmetrisch",
                    "-", "–", "n/a"),
}  # fmt: skip


END_WORDS = {End.FIXED: FACING_WORDS[Facing.FIXED_END], End.FREE: FACING_WORDS[Facing.FREE_END]}


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
    alike_differ: bool = False
    """serials that look alike are of different parts"""


@dataclass(frozen=True, slots=True)
class KnownPart:
    """A part the database has, with where it is."""

    id: int
    lot: str | None
    lot_id: int | None
    part_type_id: int
    whereabouts: Whereabouts
    stack: str | None
    maker: str = ""


@dataclass(slots=True)
class Seen:
    """What was found so far, to be compared with the rows that follow."""

    types: TypeFinder
    rods: frozenset[int] | None
    """numbers the design has; None where the design is not known yet"""
    known: dict[tuple[int, str], list[KnownPart]]
    known_lots: dict[LotKey, tuple[int, str]]
    """those the lab has: id and label"""
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


def take(draft: Seen, row: Row, mapping: Mapping[str, int]) -> None:
    """Read one row; all that is wrong with it is kept, not only the first."""
    texts = {name: text_of(row.cells[column]) for name, column in mapping.items()}
    wrong: list[Refused] = []
    if row.is_too_wide:
        right = "A cell that holds the separator has to stand in quotation marks."
        wrong.append(Refused("row", "", "it has more cells than there are headings.", right))
    place, part_type, facing, hours = Place(), None, Facing.EITHER, 0.0
    unknown = None
    try:
        part_type = draft.types.find(
            texts.get("part_type", ""), texts.get("drawing_number", ""), texts.get("revision", "")
        )
    except Refused as refusal:
        wrong.append(refusal)
    try:
        place = _place(draft, texts.get("position", ""), part_type, row.line)
    except Refused as refusal:
        wrong.append(refusal)
    try:
        facing = _facing(texts.get("facing", ""), part_type)
    except Refused as refusal:
        wrong.append(refusal)
    try:
        cell = row.cells[mapping["hours_before"]] if "hours_before" in mapping else None
        unknown = is_unknown(cell)
        hours = (not unknown and number_in(cell, "hours_before", draft.options.how)) or 0.0
    except Refused as refusal:
        wrong.append(refusal)
    if hours < 0:
        wrong.append(Refused("hours_before", hours, "it is below zero.", "0\u2009h or more."))
    if part_type is not None:
        in_pile = PartInPile(
            row.line,
            part_type.id,
            place.position,
            place.rod_number,
            place.end,
            facing=facing,
            hours_before=hours,
            hours_before_unknown=unknown,
        )
        try:
            part = _which(draft, in_pile, part_type, texts)
            label = part.serial or texts.get("serial") or f"of lot {texts.get('lot', '')}"
            draft.parts.append((part, part_type, label))
        except Refused as refusal:
            wrong.append(refusal)
    draft.wrong += [Wrong(row.line, refusal) for refusal in wrong]


def _place(draft: Seen, text: str, part_type: PartTypeFacts | None, line: int) -> Place:
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
        match = ROD.fullmatch(word)
        if not match or (draft.rods is not None and int(match[1]) not in draft.rods):
            last = max(draft.rods or {1})
            right = f"“rod 1” to “rod {last}” would be right."
            raise Refused("position", text, f"a {kind} stands at a rod of the design.", right)
        return Place(rod_number=int(match[1]))
    if not re.fullmatch(r"\d{1,5}", word) or int(word) < 1:
        right = "A whole number from 1 would be right."
        raise Refused("position", text, "this is no position in the pile.", right)
    position = int(word)
    if position in draft.positions:
        reason = f"line {draft.positions[position]} has this position as well."
        raise Refused("position", text, reason, "Each position once.")
    draft.positions[position] = line
    return Place(position)


def _facing(text: str, part_type: PartTypeFacts | None) -> Facing:
    if part_type is None or part_type.marked_face is None:
        return Facing.EITHER
    word = text.casefold().strip()
    for facing in (Facing.FIXED_END, Facing.FREE_END):
        if word in FACING_WORDS[facing]:
            return facing
    raise which_way(part_type.marked_face, text)


def _which(
    draft: Seen, part: PartInPile, part_type: PartTypeFacts, texts: Mapping[str, str]
) -> PartInPile:
    """The part a row means: a known one, a new one with its serial, or an item of a lot."""
    serial, label = texts.get("serial", ""), texts.get("lot", "")
    lot_key = (part_type.id, serial_key(label)) if label else None
    if part_type.counted:
        if serial:
            reason = f"“{part_type.name}” is counted by lots."
            raise Refused("serial", serial, reason, "An empty cell, and the lot.")
        if lot_key is None:
            raise Refused("lot", "", "a counted item is known by its lot.", "Its lot.")
        _need_lot(draft, lot_key, label, part.line)
        return replace(part, lot=lot_key)
    if not serial:
        right = "What is marked on the part, or “no serial”."
        raise Refused("serial", "", "no serial number is given.", right)
    keys = {(part_type.id, serial_key(name)): name for name in serials_in(serial)}
    key = next((key for key in keys if key in draft.known), list(keys)[-1])
    serial, is_unread = keys[key], has_no_serial(serial)
    if key in draft.serials and not is_unread:
        reason = f"line {draft.serials[key]} has this part as well."
        raise Refused("serial", serial, reason, "Each part once.")
    draft.serials[key] = part.line
    maker = texts.get("supplier", "")
    known_part = _of_maker(draft.known.get(key, []), serial, maker)
    if known_part is not None:
        _refuse_not_free(known_part, serial, label)
        return replace(part, part_id=known_part.id)
    if not draft.options.make_missing:
        right = "Import it first, or let missing parts be made."
        raise Refused("serial", serial, f"no {part_type.name} has this serial.", right)
    if lot_key is not None:
        _need_lot(draft, lot_key, label, part.line)
    named = "" if is_unread else serial
    return replace(part, serial=named, is_unread=is_unread, maker=maker, lot=lot_key)


def _of_maker(known: Sequence[KnownPart], serial: str, maker: str) -> KnownPart | None:
    """The part a serial means; several makers can have given it."""
    meant = [each for each in known if maker_key(maker) in ("", maker_key(each.maker))]
    if len(meant) > 1:
        makers = "; ".join(each.maker or "not known" for each in meant)
        raise Refused("serial", serial, "several parts bear it.", f"Its maker, of: {makers}.")
    if known and not meant:
        same = namesake_of(maker, {maker_key(each.maker): each.maker for each in known})
        if same is not None:
            raise taken(serial, maker, "there is a part of this type", same)
    return meant[0] if meant else None


def _refuse_not_free(known_part: KnownPart, serial: str, label: str) -> None:
    if known_part.whereabouts is Whereabouts.FITTED:
        reason = f"it is fitted in {known_part.stack}."
        raise Refused("serial", serial, reason, "It has to be lifted off there first.")
    if known_part.whereabouts is Whereabouts.SCRAPPED:
        raise Refused("serial", serial, "it is scrapped.", "Another part?")
    if label and serial_key(known_part.lot or "") != serial_key(label):
        reason = (
            f"the part is kept as of {'lot ' + known_part.lot if known_part.lot else 'no lot'}."
        )
        raise Refused("lot", label, reason, "Compare the list with the part's page.")


def _need_lot(draft: Seen, key: LotKey, label: str, line: int) -> None:
    if key in draft.known_lots or key in draft.lots:
        return
    if not draft.options.make_missing:
        right = "Add it first, or let missing parts and lots be made."
        raise Refused("lot", label, "this part type has no such lot.", right)
    draft.lots[key] = NewLot(
        line, key[0], LotEntry(label, notes="made while a stack was taken over")
    )


SYNONYMS = {entry.name: entry.headings for entry in STACK_COLUMNS}
HEADINGS = tuple(SYNONYMS.values())


@dataclass(frozen=True, slots=True)
class StackSeen:
    """What the list would make, what is wrong with it, and the pile as it would lie."""

    plan: StackPlan
    wrong: tuple[Wrong, ...]
    layers: tuple[pile.Layer, ...]
    counts: pile.Counts
    fixings: tuple[tuple[str, str, str], ...]
    """where, part type, serial or lot"""
    not_listed: tuple[str, ...] = ()
    """fixings the list does not name, by kind: at which rods or ends"""
    check: PileCheck | None = None
    """what the design's pattern finds odd: remarks; None where no design is chosen yet"""

    @property
    def may_be_written(self) -> bool:
        """Say whether every row is right and there is a pile."""
        return not self.wrong and bool(self.layers)

    @property
    def parts_made(self) -> int:
        """How many parts are not known yet and would be made."""
        return sum(part.part_id is None for part in self.plan.parts)


def plan_stack(
    session: Session,
    table: Table,
    mapping: Mapping[str, int],
    source: SourceFile,
    *,
    head: StackHead,
    options: StackOptions,
) -> StackSeen:
    """Return the stack this list would make, and the rows that cannot be taken, with reasons.

    Nothing is written. Without a design (``head.design_id`` 0) rods are not looked for. Raises
    Refused where the mapping itself cannot work.
    """
    _refuse_mapping(table, mapping)
    rods = session.scalars(select(DesignRod.number).where(DesignRod.design_id == head.design_id))
    draft = Seen(
        TypeFinder(part_types(session)),
        frozenset(rods) if head.design_id else None,
        _known_parts(session, table, mapping),
        _known_lots(session, table, mapping),
        options,
    )
    for row in table.rows:
        take(draft, row, mapping)
    draft.wrong += _must_not_be_used(session, draft, head.closed_at)
    if not options.alike_differ:
        new = [
            (part.line, part_type.id, part.serial)
            for part, part_type, _label in draft.parts
            if part.part_id is None and part.serial
        ]
        draft.wrong += look_alikes(session, new)
    if not draft.wrong:
        _refuse_gaps(draft, table)
    whole = replace(_seen_whole(draft, source, head), not_listed=tuple(_not_listed(draft)))
    if session.get(Design, head.design_id) is None:
        return whole
    return replace(whole, check=_check(session, head.design_id, draft, whole.layers))


def _not_listed(draft: Seen) -> Iterator[str]:
    """What every rod and end has, and the list does not name; nothing without a design."""
    if draft.rods is None:
        return
    listed = {(part_type.kind, part.rod_number, part.end) for part, part_type, _ in draft.parts}
    for kind in AT_EVERY_ROD:
        rods = [str(rod) for rod in sorted(draft.rods) if (kind, rod, None) not in listed]
        if rods:
            yield f"{kind} at rod{'s' if len(rods) > 1 else ''} {', '.join(rods)}"
    for end in End:
        if (Kind.COMPRESSION_PLATE, None, end) not in listed:
            yield f"{Kind.COMPRESSION_PLATE} at the {end}"


def _must_not_be_used(session: Session, draft: Seen, closed_at: datetime | None) -> list[Wrong]:
    """Rows whose part may not be used, by the rule that holds when the stack is written."""
    by_id = {part.id: part for each in draft.known.values() for part in each}
    rows: dict[int, tuple[PartInPile, str, KnownPart | NewItem]] = {}
    for part, part_type, label in draft.parts:
        item: KnownPart | NewItem
        if part.part_id is not None:
            item = by_id[part.part_id]
        else:
            lot_id, lot = draft.known_lots.get(part.lot or (0, ""), (None, ""))
            item = NewItem(-part.line, part.part_type_id, part_type.name, lot_id, lot)
        rows[item.id] = (part, label, item)
    items = [item for _part, _label, item in rows.values()]
    forbids = forbids_in_list(
        session, [key for key in rows if key > 0], stack_id=0, on=closed_at
    ) | forbids_of_new_items(session, [x for x in items if isinstance(x, NewItem)])
    leaves = concessions_left(session, for_parts([x for x in items if forbids.get(x.id)]))
    wrong: list[Wrong] = []
    for key, (part, label, item) in rows.items():
        if forbids.get(key):
            names = {key: ("serial", label)}
            refusals, _used = refusals_of_use(leaves, [item], forbids, names=names)
            wrong += [Wrong(part.line, refusal) for refusal in refusals]
    return wrong


def _check(
    session: Session, design_id: int, draft: Seen, layers: tuple[pile.Layer, ...]
) -> PileCheck:
    return check_of_list(
        session,
        design_id,
        layers,
        {
            part.part_id or -part.line: (part_type.drawing_number, part_type.revision)
            for part, part_type, _label in draft.parts
        },
        [
            FixingAt(part_type.kind, part.rod_number, part.end)
            for part, part_type, _label in draft.parts
            if part.position is None
        ],
    )


def _refuse_mapping(table: Table, mapping: Mapping[str, int]) -> None:
    for name, column in mapping.items():
        if name not in SYNONYMS or not 0 <= column < len(table.headers):
            right = "Right: " + ", ".join(SYNONYMS) + ", each with a column of the list."
            raise Refused("mapping", name, "there is no such field or column.", right)
    columns = list(mapping.values())
    twice = next((name for name in mapping if columns.count(mapping[name]) > 1), None)
    if twice is not None:
        header = table.headers[mapping[twice]]
        raise Refused("mapping", header, "this column is to be two things.", "One of them.")
    for one_of, words in (
        (("position",), "the position"),
        (("part_type", "drawing_number"), "the part type"),
        (("serial", "lot"), "the serial number or the lot"),
    ):
        if not any(name in mapping for name in one_of):
            right = f"Say in which column {words} stands."
            raise Refused("mapping", "", f"no column tells {words}.", right)


def _refuse_gaps(draft: Seen, table: Table) -> None:
    """Positions are 1 to their number: a forgotten one is named."""
    last = table.rows[-1].line
    if not draft.positions:
        refusal = Refused("position", "", "the list has no layer.", "Position 1 and on.")
        draft.wrong.append(Wrong(last, refusal))
        return
    missing = [n for n in range(1, max(draft.positions) + 1) if n not in draft.positions]
    if missing:
        listed = ", ".join(str(n) for n in missing[:10]) + (" …" if len(missing) > 10 else "")
        reason = "the list leaves this position out, so what lies there is not known."
        refusal = Refused("position", listed, reason, "A row for each position.")
        draft.wrong.append(Wrong(last, refusal))


def _seen_whole(draft: Seen, source: SourceFile, head: StackHead) -> StackSeen:
    count = len(draft.positions)
    layers: list[tuple[PartInPile, pile.Layer]] = []
    fixings = []
    for part, part_type, label in draft.parts:
        if part.position is None:
            place = Place(None, part.rod_number, part.end).in_words
            fixings.append((part, (place, part_type.name, label)))
            continue
        position = count + 1 - part.position if draft.options.from_free_end else part.position
        layer = pile.Layer(
            position,
            part.part_id or -part.line,
            part_type.kind,
            label,
            part_type.name,
            part.facing,
            part_type.material,
            part_type.thickness_mm or 1.0,
            part_type.side,
            part_type.back,
            part_type.joint,
        )
        moved = replace(part, position=position)
        layers.append((moved, layer))
    layers.sort(key=lambda pair: pair[0].position or 0)
    numbered = pile.number_cells([layer for _part, layer in layers])
    plan = StackPlan(
        source,
        head,
        tuple(draft.lots.values()),
        (*(part for part, _layer in layers), *(part for part, _words in fixings)),
    )
    return StackSeen(
        plan,
        tuple(sorted(draft.wrong, key=lambda wrong: wrong.line)),
        numbered,
        pile.counts(numbered),
        tuple(words for _part, words in fixings),
    )


def _known_parts(
    session: Session, table: Table, mapping: Mapping[str, int]
) -> dict[tuple[int, str], list[KnownPart]]:
    if "serial" not in mapping:
        return {}
    texts = (text_of(row.cells[mapping["serial"]]) for row in table.rows)
    keys = {serial_key(name) for text in texts for name in serials_in(text)}
    in_order = sorted(keys)
    known_parts: dict[tuple[int, str], list[KnownPart]] = {}
    for start in range(0, len(in_order), 500):
        rows = session.execute(
            select(
                Part.id,
                Part.part_type_id,
                Part.serial_key,
                Lot.label,
                Part.lot_id,
                Part.whereabouts,
                Stack.serial,
                Part.maker,
            )
            .outerjoin(Lot, Lot.id == Part.lot_id)
            .outerjoin(Stack, Stack.id == Part.stack_id)
            .where(Part.serial_key.in_(in_order[start : start + 500]))
        )
        for part_id, type_id, key, lot, lot_id, whereabouts, stack, maker in rows:
            known_parts.setdefault((type_id, str(key)), []).append(
                KnownPart(part_id, lot, lot_id, type_id, whereabouts, stack, maker)
            )
    return known_parts


def _known_lots(
    session: Session, table: Table, mapping: Mapping[str, int]
) -> dict[LotKey, tuple[int, str]]:
    if "lot" not in mapping:
        return {}
    keys = {serial_key(text_of(row.cells[mapping["lot"]])) for row in table.rows} - {""}
    in_order = sorted(keys)
    known_keys: dict[LotKey, tuple[int, str]] = {}
    for start in range(0, len(in_order), 500):
        rows = session.execute(
            select(Lot.part_type_id, Lot.label_key, Lot.id, Lot.label).where(
                Lot.label_key.in_(in_order[start : start + 500])
            )
        )
        known_keys |= {(row.part_type_id, row.label_key): (row.id, row.label) for row in rows}
    return known_keys
