"""Changeover plans as they were made: those of a stack, one of them, that of a record."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import SequenceMatcher
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.arithmetic.grammar_text import name
from service.designs.arithmetic.pile import Layer
from service.people.tables import Person
from service.planning.queries.documents import (
    LayLine,
    LiftLine,
    PlanDocument,
    is_intact,
    read_document,
)
from service.planning.tables import ChangeoverPlan
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import param
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Build, Stack
from service.store.queries.forbids import Forbids, forbids_of_lots, forbids_of_parts
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class ListedPlan:
    """One plan of a stack, as it is listed."""

    id: int
    build: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan as it was made; ``is_intact``: its content is what was hashed then."""

    id: int
    stack_id: int
    stack: str
    base_build_id: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None
    content_sha256: str
    is_intact: bool
    document: PlanDocument


PLANS = (
    select(*columns(ListedPlan, ChangeoverPlan, build=Build.number, made_by=Person.name))
    .join(Build, Build.id == ChangeoverPlan.base_build_id)
    .join(Person, Person.id == ChangeoverPlan.made_by_id)
    .where(ChangeoverPlan.stack_id == param("stack_id"))
    .order_by(ChangeoverPlan.id.desc())
)


def plans_of_stack(session: Session, stack_id: int) -> tuple[ListedPlan, ...]:
    """Return the plans made for a stack, the newest first. One statement."""
    rows: Any = session.execute(PLANS, {"stack_id": stack_id})
    return read_all(ListedPlan, rows)


def plan_by_number(session: Session, plan_id: int) -> KeptPlan:
    """Return one plan as it was made. One statement. Raises NotFound."""
    plan_row = _kept(session, ChangeoverPlan.id == plan_id)
    if plan_row is None:
        raise NotFound("changeover plan", plan_id)
    return plan_row


def plan_of_record(session: Session, record_id: int) -> KeptPlan | None:
    """Return the plan a record was begun by; None where it was begun without one. One statement."""
    return _kept(session, ChangeoverPlan.record_id == record_id)


_KEPT = (
    select(
        ChangeoverPlan.content,
        *columns(KeptPlan, ChangeoverPlan, stack=Stack.serial, made_by=Person.name),
    )
    .join(Stack, Stack.id == ChangeoverPlan.stack_id)
    .join(Person, Person.id == ChangeoverPlan.made_by_id)
)


def _kept(session: Session, which: Any) -> KeptPlan | None:
    row: Any = session.execute(_KEPT.where(which)).first()
    if row is None:
        return None
    intact = is_intact(row.content, row.content_sha256)
    return read_as(KeptPlan, row, is_intact=intact, document=read_document(row.content))


# A record that was begun by a changeover plan: what departs from the plan, what is left to do.


BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)


@dataclass(frozen=True, slots=True)
class Progress:
    """How a record stands against its plan; ``departures`` are sentences."""

    plan: KeptPlan
    departures: tuple[str, ...]
    to_lift_off: tuple[LiftLine, ...]
    to_put_on: tuple[LayLine, ...]

    @property
    def is_done(self) -> bool:
        """Say whether all the plan asks for was done."""
        return not self.to_lift_off and not self.to_put_on


@dataclass(frozen=True, slots=True)
class ByPlan:
    """What the plan asks for next at the bench, in words; empty where nothing of it is left."""

    plan_id: int
    lift_off: str
    put_on: str
    lifts_left: int
    lays_left: int
    departures: tuple[str, ...]
    cells: int
    """of the pile as planned, blank cells too"""
    bars: tuple[str, ...]
    """what of it must not be put on by now, and why"""


def by_plan(session: Session, record_id: int, pile: WorkingPile) -> ByPlan | None:
    """Return what the plan of a record asks for next; None without a plan, after one statement."""
    plan = plan_of_record(session, record_id)
    if plan is None:
        return None
    standing = against(plan, pile, is_being_written=True)
    before = {layer.position: layer for layer in plan.document.before}
    after = {layer.position: layer for layer in plan.document.after}
    lift, lay = next(iter(standing.to_lift_off), None), next(iter(standing.to_put_on), None)
    return ByPlan(
        plan.id,
        f"{told(before[lift.position])}, {lift.end}" if lift else "",
        f"{told(after[lay.position])}, {lay.end}" if lay else "",
        len(standing.to_lift_off),
        len(standing.to_put_on),
        standing.departures,
        sum(layer.kind in (Kind.MEA, Kind.BLANK_CELL) for layer in plan.document.after),
        barred_since(session, plan, standing.to_put_on),
    )


@dataclass(frozen=True, slots=True)
class PlannedNext:
    """What a plan wants next at an end, and where that part is now where it is one by name."""

    words: str
    now: str


def planned_next(session: Session, standing: Progress, end: End) -> PlannedNext | None:
    """Return what a plan wants next at an end; None where nothing is left. One statement."""
    line = next((line for line in standing.to_put_on if line.end is end), None)
    if line is None:
        return None
    after = {layer.position: layer for layer in standing.plan.document.after}
    layer = after[line.position]
    row = session.execute(
        select(Part.whereabouts, Part.usability, Stack.serial)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .where(Part.id == layer.part)
    ).first()
    if row is None:
        return PlannedNext(told(layer), "")
    now = f"fitted in {row.serial}" if row.serial else str(row.whereabouts)
    return PlannedNext(told(layer), f"{now}, {row.usability}")


def barred_since(session: Session, plan: KeptPlan, lines: Sequence[LayLine]) -> tuple[str, ...]:
    """Return what must not be put on by now, of these lines of a plan, and why.

    Six statements at most. Where a part is counts for those that come new.
    """
    after = {layer.position: layer for layer in plan.document.after}
    ids = {part for line in lines if (part := after[line.position].part) > 0}
    of_parts = forbids_of_parts(session, ids, stack_id=plan.stack_id) if ids else {}
    of_lots = _forbids_of_items(session, [after[line.position] for line in lines])
    by_sentence: dict[tuple[str, str], list[int]] = {}
    for line in lines:
        layer = after[line.position]
        forbids = of_parts.get(layer.part) or of_lots.get((layer.lot, _drawing(layer)), ())
        bars = [bar for bar in forbids if bar.concession_may or not line.again]
        if bars:
            label = f"{name(layer)} {layer.label}"
            by_sentence.setdefault((label, bars[0].word), []).append(layer.position)
    return tuple(
        f"{label} at {', '.join(map(str, positions))}: {word}."
        for (label, word), positions in by_sentence.items()
    )


def _forbids_of_items(
    session: Session, layers: Sequence[Layer]
) -> dict[tuple[str | None, str], tuple[Forbids, ...]]:
    """What forbids to take the items among these layers, by lot and drawing number."""
    labels = {layer.lot for layer in layers if layer.part <= 0}
    if not labels:
        return {}
    lots = session.execute(
        select(Lot.id, Lot.label, PartType.drawing_number)
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(Lot.label.in_(labels))
    ).all()
    forbids = forbids_of_lots(session, [lot.id for lot in lots])
    return {(lot.label, lot.drawing_number): forbids[lot.id] for lot in lots}


def _drawing(layer: Layer) -> str:
    return layer.part_type.rpartition(" rev. ")[0] or layer.part_type


def progress(session: Session, record_id: int) -> Progress | None:
    """Return how a record stands against its plan; None without one. One statement, else six."""
    plan = plan_of_record(session, record_id)
    if plan is None:
        return None
    pile = working_pile(session, record_id)
    state = session.scalars(select(RebuildRecord.state).where(RebuildRecord.id == record_id)).one()
    return against(plan, pile, is_being_written=state in BEING_WRITTEN)


def against(plan: KeptPlan, pile: WorkingPile, *, is_being_written: bool) -> Progress:
    """Compare a pile with a plan. What is not done yet departs once it is handed in."""
    document = plan.document
    departures: list[str] = []
    lifts, lays = _lifts(document, pile, departures), _lays(document, pile, departures)
    if not is_being_written:
        before = {layer.position: layer for layer in document.before}
        after = {layer.position: layer for layer in document.after}
        departures += [f"Not lifted off: {told(before[line.position])}." for line in lifts]
        departures += [f"Not put on: {told(after[line.position])}." for line in lays]
    return Progress(plan, tuple(departures), lifts, lays)


def told(layer: Layer) -> str:
    """Return a layer of a plan in words.

    What it is, its serial or lot where it has one, its position.
    """
    words = name(layer)
    label = "" if layer.label == words else f" {layer.label}"
    return f"{words}{label} at {layer.position}"


def _lifts(
    document: PlanDocument, pile: WorkingPile, departures: list[str]
) -> tuple[LiftLine, ...]:
    """What is left to lift off; what was lifted off though it was to stay goes to departures."""
    standing = {layer.part for layer in pile.pile.kept}
    planned = {line.position for line in document.lift_off}
    gone = {layer.position: layer for layer in pile.base if layer.part not in standing}
    departures += [
        lifted_though_staying(layer)
        for position, layer in sorted(gone.items())
        if position not in planned
    ]
    return tuple(line for line in document.lift_off if line.position not in gone)


def lifted_though_staying(layer: Layer) -> str:
    """Return the sentence for a layer of the build before that the plan leaves where it is."""
    return f"Lifted off though it was to stay: {told(layer)}."


def staying_by_plan(
    plan: KeptPlan, pile: WorkingPile, layers: Sequence[Layer]
) -> tuple[Layer, ...]:
    """Return which of these layers, never lifted off so far, the plan leaves where they are."""
    untouched = {layer.part for layer in pile.pile.kept} & {layer.part for layer in layers}
    planned = {line.position for line in plan.document.lift_off}
    return tuple(
        layer for layer in pile.base if layer.part in untouched and layer.position not in planned
    )


def _lays(document: PlanDocument, pile: WorkingPile, departures: list[str]) -> tuple[LayLine, ...]:
    """What is left to put on; what was put on otherwise goes to departures."""
    after = {layer.position: layer for layer in document.after}
    part_ids = {layer.part for layer in document.after if layer.part > 0}
    lays: list[LayLine] = []
    for end in document.ends:
        planned = [line for line in document.put_on if line.end is end]
        layers_on = _put_on(pile, end, document)
        keys_planned = [_key(after[line.position], part_ids) for line in planned]
        keys_done = [_key(layer, part_ids) for layer in layers_on]
        matcher = SequenceMatcher(None, keys_planned, keys_done, autojunk=False)
        rest = 0
        for tag, low, high, first, last in matcher.get_opcodes():
            is_last = last == len(layers_on)
            rest = min(high, low + last - first) if is_last else high
            some = [(line, after[line.position]) for line in planned[low:rest]]
            if tag == "equal":
                departures += _turned(some, layers_on[first:last], end)
            else:
                departures += _otherwise(some, layers_on[first:last], end)
            if is_last:
                break
        lays += planned[rest:]
    for end in set(End) - set(document.ends):
        departures += _otherwise([], _put_on(pile, end, document), end)
    return tuple(lays)


Planned = Sequence[tuple[LayLine, Layer]]


def _turned(planned: Planned, layers_on: Sequence[Layer], end: End) -> list[str]:
    return [
        f"Put on the other way round at the {end}: {told(planned_layer)}."
        for (_, planned_layer), layer in zip(planned, layers_on, strict=True)
        if {str(planned_layer.facing), str(layer.facing)} == set(map(str, End))
    ]


def _otherwise(planned: Planned, layers_on: Sequence[Layer], end: End) -> list[str]:
    """What differs in a run; a part of the right kind where the store gave none is no departure."""
    if len(planned) == len(layers_on):
        pairs = list(zip(planned, layers_on, strict=True))
        pairs = [
            (pair, layer)
            for pair, layer in pairs
            if not (pair[0].wanting and pair[1].kind is layer.kind)
        ]
        planned, layers_on = [pair for pair, _ in pairs], [layer for _, layer in pairs]
    words = ", ".join(f"{name(layer)} {layer.label}" for layer in layers_on)
    asked_for = ", ".join(told(layer) for _, layer in planned)
    if not layers_on:
        return [f"Left out at the {end}: {asked_for}."] if planned else []
    if not planned:
        return [f"Put on at the {end} beside the plan: {words}."]
    return [f"Put on at the {end}: {words}; planned: {asked_for}."]


def _put_on(pile: WorkingPile, end: End, document: PlanDocument) -> list[Layer]:
    """What was put on at an end since, from what was never lifted outward."""
    layers, part_ids = list(pile.layers), {layer.part for layer in pile.pile.kept}
    inside = [index for index, layer in enumerate(layers) if layer.part in part_ids]
    if inside:
        return layers[inside[-1] + 1 :] if end is End.FREE else layers[: inside[0]][::-1]
    if end is not document.ends[0]:
        return []
    return layers if end is End.FREE else layers[::-1]


def _key(layer: Layer, part_ids: set[int]) -> Hashable:
    if layer.part in part_ids:
        return layer.part
    return layer.lot, layer.kind, layer.joint
