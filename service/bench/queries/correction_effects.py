"""What a correction of a part reaches: it is followed through each build that carried it on.

If a part was misread when it was put on, it was misread for as long as it stayed: the correction
follows it from its build through each later build which holds it, up to the first that does not.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import dropwhile, takewhile
from typing import Any

from sqlalchemy import null, select, union_all
from sqlalchemy.orm import Session, aliased

from service.bench.queries.corrections import LayerFacts, PartFacts, place_of
from service.bench.tables import CorrectionOf
from service.designs.arithmetic.pile import Layer as PileLayer
from service.designs.arithmetic.pile import OpenPile
from service.platform.arithmetic.vocabulary import End, Facing, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import known
from service.records.queries.working_piles import PART_COLUMNS, as_layer, layers_of_build
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType

BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)
MOVING = (StepKind.LIFTED_OFF, StepKind.PUT_ON, StepKind.FIXING_REMOVED, StepKind.FIXING_FITTED)
NEVER_USED = (Whereabouts.EXPECTED, Whereabouts.IN_STORE)


@dataclass(frozen=True, slots=True)
class Sitting:
    """A part in one build, as known now; ``position`` None where it is a fixing."""

    part_id: int
    row_id: int
    build_id: int
    build_number: int
    stack_id: int
    stack: str
    record_id: int
    position: int | None
    cell: int | None
    facing: Facing | None
    rod_number: int | None
    end: End | None
    present: bool
    closed_at: datetime
    opened_at: datetime | None

    def overlaps(self, closed_at: datetime, opened_at: datetime | None) -> bool:
        """Say whether it was there at any time of this period."""
        return (self.opened_at is None or closed_at < self.opened_at) and (
            opened_at is None or self.closed_at < opened_at
        )

    @property
    def where(self) -> str:
        """Stack, build, and layer, rod or end in words."""
        place = f"layer {self.position}" if self.position else place_of(self.rod_number, self.end)
        return f"build {self.build_number} of {self.stack}, {place}"


@dataclass(frozen=True, slots=True)
class PartState:
    """Where a part is, as its row says."""

    part_id: int
    label: str
    whereabouts: Whereabouts
    stack_id: int | None
    stack: str | None
    place: str

    @property
    def where(self) -> str:
        """Where it is in words."""
        return f"{self.whereabouts} in {self.stack}" if self.stack else str(self.whereabouts)


@dataclass(frozen=True, slots=True)
class Replaced:
    """One layer or fixing of one build which names another part, or facing, from now on."""

    sitting: Sitting
    part_id: int | None
    """the right part; None where an item is taken from the lot when it is approved"""
    facing: Facing
    """either way for a fixing"""


@dataclass(frozen=True, slots=True)
class PartEffects:
    """Everything a correction of a layer or a fixing changes, or the reasons why it cannot be.

    ``ends``: where each part is once it is approved, as (part_id, whereabouts, stack_id, place);
    part_id None is the item still to be taken from the lot.
    """

    replaced: tuple[Replaced, ...]
    ends: tuple[tuple[int | None, Whereabouts, int | None, str], ...]
    conflicts: tuple[str, ...]
    exchanged_with: Sitting | None = None


def sittings(session: Session, part_ids: Iterable[int]) -> tuple[Sitting, ...]:
    """Return every build in which these parts are known to sit now, in order of time."""
    ids = sorted(part_ids)
    both = union_all(
        select(
            Layer.part_id,
            Layer.id.label("row_id"),
            Layer.build_id,
            Layer.position,
            Layer.cell,
            Layer.facing.label("facing"),
            null().label("rod_number"),
            null().label("end"),
            Layer.present,
        ).where(Layer.part_id.in_(ids), known(Layer)),
        select(
            Fixing.part_id,
            Fixing.id,
            Fixing.build_id,
            null(),
            null(),
            null(),
            Fixing.rod_number,
            Fixing.end,
            Fixing.present,
        ).where(Fixing.part_id.in_(ids), known(Fixing)),
    ).subquery()
    rows: Any = session.execute(
        select(
            *columns(
                Sitting,
                Build,
                BuildPeriod,
                part_id=both.c.part_id,
                row_id=both.c.row_id,
                build_id=both.c.build_id,
                build_number=Build.number,
                stack=Stack.serial,
                position=both.c.position,
                cell=both.c.cell,
                facing=both.c.facing,
                rod_number=both.c.rod_number,
                end=both.c.end,
                present=both.c.present,
            )
        )
        .join(Build, Build.id == both.c.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .join(BuildPeriod, BuildPeriod.build_id == Build.id)
        .where(known(BuildPeriod))
        .order_by(BuildPeriod.closed_at, both.c.row_id)
    )
    return read_all(Sitting, rows)


def part_states(session: Session, part_ids: Iterable[int]) -> dict[int, PartState]:
    """Say where these parts are now."""
    rows = session.execute(
        select(
            Part.id,
            Part.serial,
            Lot.label,
            Part.item_number,
            Part.whereabouts,
            Part.stack_id,
            Stack.serial.label("stack"),
            Part.place,
        )
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .where(Part.id.in_(sorted(part_ids)))
    )
    return {
        row.id: read_as(
            PartState, row, part_id=row.id, label=part_label(row.serial, row.label, row.item_number)
        )
        for row in rows
    }


def facing_with(
    session: Session, layer: LayerFacts, part_id: int | None, lot_id: int | None
) -> Facing | None:
    """Say how another part would lie in this layer; None where that matters and is not recorded."""
    if not has_marked_face(session, part_id, lot_id):
        return Facing.EITHER
    return None if layer.facing is Facing.EITHER else layer.facing


def has_marked_face(session: Session, part_id: int | None, lot_id: int | None) -> bool:
    """Say whether it matters which way a part, or an item of a lot, lies. One statement."""
    statement = select(PartType.marked_face)
    if part_id is not None:
        statement = statement.join(Part, Part.part_type_id == PartType.id).where(Part.id == part_id)
    else:
        statement = statement.join(Lot, Lot.part_type_id == PartType.id).where(Lot.id == lot_id)
    return session.scalar(statement) is not None


def facing_added(facts: str | None) -> Facing:
    """Return how a layer found besides lies."""
    return Facing(json.loads(facts)["facing"]) if facts else Facing.EITHER


def part_effects(
    session: Session,
    sat: PartFacts,
    stack_id: int,
    new_part_id: int | None,
    *,
    new_facing: Facing = Facing.EITHER,
) -> PartEffects:
    """Return what follows if another part lay in this layer, or was fitted at this rod or end.

    ``new_part_id`` None: a new lot item.

    Where the right part is recorded elsewhere in the same build, the two are exchanged.
    """
    old_id = sat.part_id
    marked_face = sat.marked_face if isinstance(sat, LayerFacts) else None
    ids = [old_id] if new_part_id is None else [old_id, new_part_id]
    all_sittings = sittings(session, ids)
    states = part_states(session, ids)
    order = _builds_from(session, stack_id, sat.build_number)
    of_old = [s for s in all_sittings if s.part_id == old_id]
    of_new = [s for s in all_sittings if s.part_id == new_part_id]
    old_run = _run(of_old, order)
    stay = next((s for s in of_new if s.build_id == sat.build_id), None)
    new_run = _run(of_new, order) if stay is not None else ()
    conflicts = [
        *_overlaps(of_new, new_run, old_run, states),
        *_overlaps(of_old, old_run, new_run, states),
        *_being_moved(session, [old_id, *([new_part_id] if new_part_id else [])], states),
    ]
    lies_either_way = new_facing is Facing.EITHER
    replaced = [
        Replaced(s, new_part_id, Facing.EITHER if lies_either_way else s.facing or new_facing)
        for s in old_run
    ]
    for sitting in new_run:
        facing = sitting.facing or Facing.EITHER
        if marked_face is not None and facing is Facing.EITHER:
            conflicts.append(f"The facing in {sitting.where} is not known.")
        lies = Facing.EITHER if marked_face is None else facing
        replaced.append(Replaced(sitting, old_id, lies))
    old, new = states[old_id], states.get(new_part_id or 0)
    ends = (
        _after_exchange(old, new, old_run, new_run, (of_old, of_new))
        if stay is not None and new is not None
        else _after_replacement(old, new, old_run, of_old, of_new)
    )
    if _reaches_present(old_run) and stay is None and new is not None and new.stack_id is not None:
        conflicts.append(f"{new.label} is {new.where}; it can be in one place only.")
    return PartEffects(tuple(replaced), ends, tuple(dict.fromkeys(conflicts)), stay)


NOT_THERE = "not there"
TOO_MANY = (CorrectionOf.LAYER_TOO_MANY, CorrectionOf.FIXING_TOO_MANY)
TOO_FEW = (CorrectionOf.LAYER_TOO_FEW, CorrectionOf.FIXING_TOO_FEW)


def effects_of_too_many(session: Session, sat: PartFacts, stack_id: int) -> PartEffects:
    """Return what follows if a part was never there, in any build that carried it on."""
    of_part = sittings(session, [sat.part_id])
    states = part_states(session, [sat.part_id])
    run = _run(of_part, _builds_from(session, stack_id, sat.build_number))
    conflicts = _being_moved(session, [sat.part_id], states)
    back = ((sat.part_id, Whereabouts.IN_STORE, None, ""),)
    ends = () if _goes_on(of_part, run) else back
    return PartEffects(tuple(Replaced(s, None, Facing.EITHER) for s in run), ends, tuple(conflicts))


def effects_of_too_few(
    session: Session, beside: PartFacts, stack_id: int, new_part_id: int | None, facing: Facing
) -> PartEffects:
    """Return what follows if another part lay on a layer, or was fitted beside a fixing.

    It is followed through each later build in which what it lay beside stays, and of a layer what
    lay on top of it: until that joint was parted. ``new_part_id`` None: a new lot item.
    """
    order = _builds_from(session, stack_id, beside.build_number)
    run = _run(sittings(session, [beside.part_id]), order)
    if isinstance(beside, LayerFacts):
        run = _unparted(session, run)
    ids = [beside.part_id] if new_part_id is None else [beside.part_id, new_part_id]
    states = part_states(session, ids)
    new = states.get(new_part_id or 0)
    of_new = sittings(session, [new_part_id]) if new_part_id is not None else ()
    conflicts = [*_overlaps(of_new, (), run, states), *_being_moved(session, ids, states)]
    stays = _reaches_present(run)
    if stays and new is not None and new.stack_id is not None:
        conflicts.append(f"{new.label} is {new.where}; it can be in one place only.")
    ends: tuple[tuple[int | None, Whereabouts, int | None, str], ...] = ()
    if stays:
        ends = ((new_part_id, Whereabouts.FITTED, stack_id, ""),)
    elif new is None or (new.whereabouts in NEVER_USED and not _goes_on(of_new, run)):
        ends = ((new_part_id, Whereabouts.LIFTED_OFF, None, ""),)
    replaced = tuple(Replaced(s, new_part_id, facing) for s in run)
    return PartEffects(replaced, ends, tuple(dict.fromkeys(conflicts)))


def _unparted(session: Session, run: Sequence[Sitting]) -> tuple[Sitting, ...]:
    """The builds in which the same layer lies on top as in the first. One statement."""
    above = aliased(Layer)
    rows = session.execute(
        select(Layer.build_id, above.part_id)
        .join(above, (above.build_id == Layer.build_id) & known(above))
        .where(Layer.id.in_([s.row_id for s in run]), above.position == Layer.position + 1)
    )
    on_top = {row.build_id: row.part_id for row in rows}
    first = on_top.get(run[0].build_id) if run else None
    return tuple(takewhile(lambda s: on_top.get(s.build_id) == first, run))


def edited_pile(
    session: Session, change: Replaced, of: CorrectionOf, part: PileLayer | None
) -> tuple[PileLayer, ...]:
    """Return the layers of a build with one too few put in, or one too many left out.

    Counted and numbered anew. One statement.
    """
    layers = list(layers_of_build(session, change.sitting.build_id))
    at = next(n for n, each in enumerate(layers) if each.part == change.sitting.part_id)
    if of is CorrectionOf.LAYER_TOO_MANY:
        del layers[at]
    elif part is not None:
        layers.insert(at + 1, part)
    return OpenPile.begun(layers).layers


def layer_of(
    session: Session, part_id: int | None, lot_id: int | None, facing: Facing
) -> PileLayer:
    """Return a part as a layer of a pile; part 0 for an item still to be taken from its lot."""
    item = select(*PART_COLUMNS).join(PartType, PartType.id == Part.part_type_id)
    item = item.outerjoin(Lot, Lot.id == Part.lot_id)
    if part_id is not None:
        return as_layer(session.execute(item.where(Part.id == part_id)).one(), 0, facing)
    like = session.execute(item.where(Part.lot_id == lot_id).limit(1)).first()
    if like is None:
        raise NotFound("item of the lot", lot_id)
    return replace(as_layer(like, 0, facing), part=0)


def layer_facing_effects(
    session: Session, layer: LayerFacts, stack_id: int, new_facing: Facing
) -> PartEffects:
    """Return what follows if the part lay the other way round, until it was put on again."""
    order = _builds_from(session, stack_id, layer.build_number)
    stays = [s for s in sittings(session, [layer.part_id]) if s.stack_id == stack_id]
    put_on_again = set(
        session.scalars(
            select(Step.record_id)
            .join(RebuildRecord, RebuildRecord.id == Step.record_id)
            .where(
                Step.part_id == layer.part_id,
                Step.kind == StepKind.PUT_ON,
                Step.undone_at.is_(None),
                RebuildRecord.stack_id == stack_id,
            )
        )
    )
    run: list[Sitting] = []
    for sitting in _run(stays, order):
        if run and sitting.record_id in put_on_again:
            break
        run.append(sitting)
    replaced = tuple(Replaced(s, layer.part_id, new_facing) for s in run)
    states = part_states(session, [layer.part_id])
    conflicts = _being_moved(session, [layer.part_id], states)
    return PartEffects(replaced, (), tuple(conflicts))


def others_at_that_time(
    session: Session, build_id: int, stack_id: int, closed_at: datetime, opened_at: datetime | None
) -> tuple[str, ...]:
    """Return parts of a build that another stack would have held too, had it lasted that long."""
    held = select(Layer.part_id).where(Layer.build_id == build_id, known(Layer))
    fixed = select(Fixing.part_id).where(Fixing.build_id == build_id, known(Fixing))
    ids = set(session.scalars(held)) | set(session.scalars(fixed))
    clashing = [
        s
        for s in sittings(session, ids)
        if s.build_id != build_id and s.overlaps(closed_at, opened_at)
    ]
    states = part_states(session, {s.part_id for s in clashing})
    return tuple(
        f"{states[s.part_id].label} was in {s.where} at that time."
        for s in clashing
        if s.stack_id != stack_id
    )


def _builds_from(session: Session, stack_id: int, number: int) -> list[int]:
    """The builds of a stack from one on, in their order, which are known now."""
    rows = session.execute(
        select(Build.id, Build.number)
        .join(BuildPeriod, BuildPeriod.build_id == Build.id)
        .where(Build.stack_id == stack_id, known(BuildPeriod))
        .order_by(BuildPeriod.closed_at)
    )
    return [row.id for row in dropwhile(lambda row: row.number != number, rows)]


def _run(of_part: Sequence[Sitting], order: Sequence[int]) -> tuple[Sitting, ...]:
    """Where it sits from the first of these builds on, up to the first that does not hold it."""
    in_build = {s.build_id: s for s in of_part}
    run: list[Sitting] = []
    for build_id in order:
        if build_id not in in_build:
            break
        run.append(in_build[build_id])
    return tuple(run)


def _overlaps(
    of_part: Sequence[Sitting],
    leaving: Sequence[Sitting],
    taking: Sequence[Sitting],
    states: dict[int, PartState],
) -> list[str]:
    """Where a part is known to have been elsewhere while it would have been in these layers."""
    row_ids = {s.row_id for s in leaving}
    return [
        f"{states[s.part_id].label} was in {s.where} at that time; a part is in one place only."
        for s in of_part
        if s.row_id not in row_ids and any(s.overlaps(t.closed_at, t.opened_at) for t in taking)
    ]


def _being_moved(
    session: Session, part_ids: Sequence[int], states: dict[int, PartState]
) -> list[str]:
    """Entries of a record being written which name one of the parts stand in the way."""
    rows = session.execute(
        select(Step.part_id, Step.record_id, Step.kind)
        .join(RebuildRecord, RebuildRecord.id == Step.record_id)
        .where(
            Step.part_id.in_(part_ids),
            Step.undone_at.is_(None),
            RebuildRecord.state.in_(BEING_WRITTEN),
        )
        .order_by(Step.id)
    )
    return [
        f"{states[row.part_id].label} was {row.kind} in record {row.record_id}, which is still"
        " being written: undo that entry, or hand the record in first."
        for row in rows
        if row.kind in MOVING
    ]


def _reaches_present(run: Sequence[Sitting]) -> bool:
    return bool(run) and run[-1].present


def _goes_on(of_part: Sequence[Sitting], run: Sequence[Sitting]) -> bool:
    """Whether the part is known in any build after this run."""
    last = run[-1].closed_at if run else None
    rows = {s.row_id for s in run}
    return any(s.row_id not in rows and (last is None or s.closed_at > last) for s in of_part)


def _after_replacement(
    old: PartState,
    new: PartState | None,
    run: Sequence[Sitting],
    of_old: Sequence[Sitting],
    of_new: Sequence[Sitting],
) -> tuple[tuple[int | None, Whereabouts, int | None, str], ...]:
    new_id = new.part_id if new else None
    back = (old.part_id, Whereabouts.IN_STORE, None, "")
    if _reaches_present(run):
        stack_id = run[-1].stack_id
        return (back, (new_id, Whereabouts.FITTED, stack_id, ""))
    if _goes_on(of_old, run) or old.stack_id is not None:
        return ()
    unused = new is None or (new.whereabouts in NEVER_USED and not _goes_on(of_new, run))
    if unused:
        return (back, (new_id, old.whereabouts, None, old.place))
    return (back,) if old.whereabouts is Whereabouts.LIFTED_OFF else ()


def _after_exchange(
    old: PartState,
    new: PartState,
    old_run: Sequence[Sitting],
    new_run: Sequence[Sitting],
    every: tuple[Sequence[Sitting], Sequence[Sitting]],
) -> tuple[tuple[int | None, Whereabouts, int | None, str], ...]:
    """Each part is where the other one was thought to be, unless both went on elsewhere."""
    same = (old.whereabouts, old.stack_id, old.place) == (new.whereabouts, new.stack_id, new.place)
    of_old, of_new = every
    if same or _goes_on(of_old, old_run) or _goes_on(of_new, new_run):
        return ()
    return (
        (old.part_id, new.whereabouts, new.stack_id, new.place),
        (new.part_id, old.whereabouts, old.stack_id, old.place),
    )
