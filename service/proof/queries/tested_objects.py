"""What a leak test outside a closed stack is made of: its parts, and which object they are."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.arithmetic.leak_objects import LeakObject
from service.platform.arithmetic.vocabulary import Joint, Kind, Side, Whereabouts
from service.platform.errors import NotFound, Refused
from service.records.queries.working_piles import working_pile
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import part_label, serial_key
from service.store.queries.names import part_by_text
from service.store.tables import Lot, Part, PartType

OBJECTS = (
    "One half plate; an anode and a cathode half plate with what lies between them; or layers of"
    " the pile with an MEA at least."
)
BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)


@dataclass(frozen=True, slots=True)
class PartsTested:
    """What is tested: parts by their serials or codes in their order, or layers of an open pile.

    Layers count from the fixed end in the record being written for ``stack``. ``fixture`` says
    what it stands in; ``design_id`` whose limits hold, that of the stack unless given.
    """

    scanned: tuple[str, ...] = ()
    stack: str = ""
    from_layer: int | None = None
    to_layer: int | None = None
    fixture: str = ""
    design_id: int | None = None


@dataclass(frozen=True, slots=True)
class TestedObject:
    """The object of a leak test: what it is, its parts in their order, where it comes from."""

    __test__ = False  # no test of ours

    leak_object: LeakObject
    parts: tuple[Any, ...]
    record: RebuildRecord | None
    design_id: int | None

    @property
    def cells(self) -> int:
        """How many MEAs are in it."""
        return sum(part.kind is Kind.MEA for part in self.parts)

    @property
    def names(self) -> tuple[str, ...]:
        """What people call its parts."""
        return tuple(_name(part) for part in self.parts)


def tested_object(session: Session, tested: PartsTested) -> TestedObject:
    """Return what these parts are together.

    Raises Refused by field where they are no object of a test, or sit in a closed stack.
    """
    record = _record_of(session, tested.stack) if tested.stack.strip() else None
    rows = _layers(session, record, tested) if record else _scanned(session, tested.scanned)
    leak_object = _object_of(rows)
    _refuse_in_closed_stacks(session, rows)
    design_id = session.get_one(Stack, record.stack_id).design_id if record else None
    return TestedObject(leak_object, tuple(rows), record, design_id)


def _name(row: Any) -> str:
    return part_label(row.serial, row.lot, row.item_number)


PARTS = (
    select(
        Part.id,
        Part.serial,
        Part.item_number,
        Part.whereabouts,
        Part.stack_id,
        Lot.label.label("lot"),
        PartType.kind,
        PartType.side,
        PartType.joint,
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
)


def _scanned(session: Session, codes: Sequence[str]) -> list[Any]:
    named = [code.strip() for code in codes if code.strip()]
    if not named:
        raise Refused("parts", "", "no part is named.", OBJECTS)
    ids = []
    for code in named:
        try:
            ids.append(part_by_text(session, code))
        except NotFound as trouble:
            right = "The serial or the code of a part."
            raise Refused("parts", code, "no part goes by it.", right) from trouble
        except Refused as refused:
            raise Refused("parts", code, refused.reason, refused.right_would_be) from refused
    return _rows(session, ids)


def _rows(session: Session, ids: Collection[int]) -> list[Any]:
    if len(set(ids)) < len(ids):
        raise Refused("parts", "", "a part is named twice.", "Each part once, in its order.")
    by_id = {row.id: row for row in session.execute(PARTS.where(Part.id.in_(ids)))}
    return [by_id[part_id] for part_id in ids]


def _record_of(session: Session, serial: str) -> RebuildRecord:
    record = session.scalar(
        select(RebuildRecord)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(Stack.serial_key == serial_key(serial), RebuildRecord.state.in_(BEING_WRITTEN))
    )
    if record is None:
        reason = "no record of this stack is being written."
        raise Refused("stack", serial, reason, "A part of the pile is tested at an opening.")
    return record


def _layers(session: Session, record: RebuildRecord, tested: PartsTested) -> list[Any]:
    layers = working_pile(session, record.id).layers
    first, last = tested.from_layer or 1, tested.to_layer or len(layers)
    for field, layer in (("from_layer", first), ("to_layer", last)):
        if not 1 <= layer <= len(layers):
            right = f"From 1 to {len(layers)}." if layers else "Put layers on first."
            raise Refused(field, layer, "no such layer lies in the pile.", right)
    if last < first:
        raise Refused("to_layer", last, f"it lies before layer {first}.", "A later layer.")
    return _rows(session, [layer.part for layer in layers[first - 1 : last]])


def _object_of(rows: Sequence[Any]) -> LeakObject:
    """Say what these parts are together. Raises Refused where they are nothing that is tested."""
    kinds, sides = [row.kind for row in rows], [row.side for row in rows if row.side is not None]
    if Kind.MEA in kinds and Kind.HALF_PLATE in kinds:
        return LeakObject.PART_OF_PILE
    plates = kinds.count(Kind.HALF_PLATE)
    between = [row.joint for row in rows if row.kind is not Kind.HALF_PLATE]
    if plates == len(rows) == 1 and sides:
        return LeakObject.ANODE_HALF if sides == [Side.FUEL] else LeakObject.CATHODE_HALF
    if plates == 2 and set(sides) == set(Side) and set(between) <= {Joint.COOLANT}:
        return LeakObject.PAIR
    labels = ", ".join(_name(row) for row in rows[:6])
    raise Refused("parts", labels, "these parts are not tested together.", OBJECTS)


def _refuse_in_closed_stacks(session: Session, rows: Sequence[Any]) -> None:
    """Refuse parts that sit in a stack which no record has opened."""
    stacks = {row.stack_id for row in rows if row.whereabouts is Whereabouts.FITTED}
    opened = set(
        session.scalars(
            select(RebuildRecord.stack_id).where(
                RebuildRecord.stack_id.in_(stacks),
                RebuildRecord.state.in_(BEING_WRITTEN),
                RebuildRecord.opened_at.is_not(None),
                RebuildRecord.closed_at.is_(None),
            )
        )
    )
    for row in rows:
        if row.whereabouts is Whereabouts.FITTED and row.stack_id not in opened:
            raise Refused(
                "parts",
                _name(row),
                "it sits in a closed stack.",
                "A closed stack is tested in a record of it.",
            )
