"""The pile of an existing stack, read from a list: position, part type, serial or lot, facing.

    table = read_table(content, name, known=HEADINGS)
    mapping = suggest_mapping(table.headers, SYNONYMS)
    seen = plan_stack(session, table, mapping, source, head, StackOptions(…))
    with changing(engine, by) as work: write_stack(work, seen.plan, stored_file)

Position 1 is at the fixed end. Rows may also name fixings: “rod 3” or “free end” in place of a
position. Which end a marked face looks at must be said where the part type asks for it: what is not
known cannot be guessed.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.stack_imports import Head, PartInPile, StackPlan
from service.bench.files.stack_rows_in import KnownPart, Place, Seen, StackOptions, take
from service.designs.arithmetic import pile
from service.designs.tables import Design, DesignRod
from service.platform.errors import Refused
from service.platform.files.fields_in import STACK_FIELDS
from service.platform.files.tables_in import Table, text_of
from service.records.queries.pile_checks import FixingAt, PileCheck, check_of_list
from service.stacks.tables.stacks import Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.changes.imports import LotKey, SourceFile
from service.store.files.parts_in import Wrong
from service.store.files.types_in import TypeFinder
from service.store.queries.part_types import part_types
from service.store.tables.parts import Lot, Part

SYNONYMS = {one.name: one.headings for one in STACK_FIELDS}
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
    check: PileCheck | None = None
    """what the design's pattern finds odd: remarks; None where no design is chosen yet"""

    @property
    def may_be_written(self) -> bool:
        """Be true where every row is right and there is a pile."""
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
    head: Head,
    options: StackOptions,
) -> StackSeen:
    """Which stack would this list make, and which rows cannot be taken, each with its reasons?

    Nothing is written. Without a design (``head.design_id`` 0) rods are not looked for. Raises
    Refused where the mapping itself cannot work.
    """
    _refuse_mapping(table, mapping)
    rods = session.scalars(select(DesignRod.number).where(DesignRod.design_id == head.design_id))
    seen = Seen(
        TypeFinder(part_types(session)),
        frozenset(rods) if head.design_id else None,
        _known_parts(session, table, mapping),
        _known_lots(session, table, mapping),
        options,
    )
    for row in table.rows:
        take(seen, row, mapping)
    if not seen.wrong:
        _refuse_gaps(seen, table)
    whole = _seen_whole(seen, source, head)
    if session.get(Design, head.design_id) is None:
        return whole
    return replace(whole, check=_check(session, head.design_id, seen, whole.layers))


def _check(
    session: Session, design_id: int, seen: Seen, layers: tuple[pile.Layer, ...]
) -> PileCheck:
    return check_of_list(
        session,
        design_id,
        layers,
        {
            part.part_id or -part.line: (part_type.drawing_number, part_type.revision)
            for part, part_type, _label in seen.parts
        },
        [
            FixingAt(part_type.kind, part.rod_number, part.end)
            for part, part_type, _label in seen.parts
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


def _refuse_gaps(seen: Seen, table: Table) -> None:
    """Positions are 1 to their number: a forgotten one is named."""
    last = table.rows[-1].line
    if not seen.positions:
        refusal = Refused("position", "", "the list has no layer.", "Position 1 and on.")
        seen.wrong.append(Wrong(last, refusal))
        return
    missing = [n for n in range(1, max(seen.positions) + 1) if n not in seen.positions]
    if missing:
        named = ", ".join(str(n) for n in missing[:10]) + (" …" if len(missing) > 10 else "")
        reason = "the list leaves this position out, so what lies there is not known."
        refusal = Refused("position", named, reason, "A row for each position.")
        seen.wrong.append(Wrong(last, refusal))


def _seen_whole(seen: Seen, source: SourceFile, head: Head) -> StackSeen:
    count = len(seen.positions)
    layers: list[tuple[PartInPile, pile.Layer]] = []
    fixings = []
    for part, part_type, label in seen.parts:
        if part.position is None:
            place = Place(None, part.rod_number, part.end).in_words
            fixings.append((part, (place, part_type.name, label)))
            continue
        position = count + 1 - part.position if seen.options.from_free_end else part.position
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
        tuple(seen.lots.values()),
        (*(part for part, _layer in layers), *(part for part, _words in fixings)),
    )
    return StackSeen(
        plan,
        tuple(sorted(seen.wrong, key=lambda wrong: wrong.line)),
        numbered,
        pile.counts(numbered),
        tuple(words for _part, words in fixings),
    )


def _known_parts(
    session: Session, table: Table, mapping: Mapping[str, int]
) -> dict[tuple[int, str], KnownPart]:
    if "serial" not in mapping:
        return {}
    keys = {serial_key(text_of(row.cells[mapping["serial"]])) for row in table.rows} - {""}
    wanted, found = sorted(keys), {}
    for start in range(0, len(wanted), 500):
        rows = session.execute(
            select(
                Part.id,
                Part.part_type_id,
                Part.serial_key,
                Lot.label,
                Part.whereabouts,
                Stack.serial,
            )
            .outerjoin(Lot, Lot.id == Part.lot_id)
            .outerjoin(Stack, Stack.id == Part.stack_id)
            .where(Part.serial_key.in_(wanted[start : start + 500]))
        )
        for part_id, type_id, key, lot, whereabouts, stack in rows:
            found[type_id, str(key)] = KnownPart(part_id, lot, whereabouts, stack)
    return found


def _known_lots(session: Session, table: Table, mapping: Mapping[str, int]) -> set[LotKey]:
    if "lot" not in mapping:
        return set()
    keys = {serial_key(text_of(row.cells[mapping["lot"]])) for row in table.rows} - {""}
    wanted, found = sorted(keys), set()
    for start in range(0, len(wanted), 500):
        rows = session.execute(
            select(Lot.part_type_id, Lot.label_key).where(
                Lot.label_key.in_(wanted[start : start + 500])
            )
        )
        found |= {(row.part_type_id, row.label_key) for row in rows}
    return found
