"""The pile of a record being written: what it began from, folded with the entries that stand.

An entry that was undone does not count. Nothing here is kept: the layers of a build are written
when the record is handed in.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.arithmetic.pile import Layer, OpenPile
from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import read_as
from service.platform.queries.statements import known, param
from service.records.tables import RebuildRecord, RecordKind, RecordState, Step, StepKind
from service.stacks.tables import Build, Fixing
from service.stacks.tables import Layer as LayerRow
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType

TO_BE_RENEWED = "to be renewed"
"""The place of a lifted layer that is renewed at every opening."""
WITHOUT_THICKNESS_MM = 1.0
"""Drawn thickness of a part type whose thickness nobody has given."""

PART_COLUMNS = (
    Part.id.label("part"),
    PartType.kind,
    Part.serial,
    Part.item_number,
    Lot.label.label("lot"),
    PartType.name.label("part_type"),
    PartType.material,
    PartType.thickness_mm,
    PartType.side,
    PartType.back,
    PartType.joint,
    PartType.drawing_number,
    PartType.revision,
)


@dataclass(frozen=True, slots=True)
class FixingNow:
    """A fixing as it stands while a record is written. ``step_id`` None: carried over."""

    kind: Kind
    part: int
    label: str
    part_type: str
    rod_number: int | None
    end: End | None
    step_id: int | None = None
    thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class LiftedOff:
    """A layer lifted off in this record and not put back: as it lay when it was lifted."""

    layer: Layer
    end: End
    step_id: int
    done_at: datetime
    to_be_renewed: bool
    donor: str = ""
    """the other stack it was lifted off in, and the record; empty: this one"""


@dataclass(frozen=True)
class WorkingPile:
    """What a record began from and what stands now. ``lifted`` is in the order of lifting.

    ``drawings`` is drawing number and revision of each layer's type, by part;
    ``no_thickness`` are the parts whose type has no thickness kept.
    """

    record_id: int
    stack_id: int
    kind: RecordKind
    base_build_id: int | None
    base: tuple[Layer, ...]
    pile: OpenPile
    lifted: tuple[LiftedOff, ...]
    fixings: tuple[FixingNow, ...]
    fixings_removed: tuple[FixingNow, ...]
    drawings: Mapping[int, tuple[str, str]]
    no_thickness: frozenset[int]

    @cached_property
    def layers(self) -> tuple[Layer, ...]:
        """All layers as they stand, counted and numbered anew."""
        return self.pile.layers


def as_layer(row: Any, position: int, facing: Facing, cell: int | None = None) -> Layer:
    """Make the trade's layer of a row with `PART_COLUMNS`."""
    return read_as(
        Layer,
        row,
        position=position,
        label=part_label(row.serial, row.lot, row.item_number),
        facing=facing,
        thickness_mm=row.thickness_mm or WITHOUT_THICKNESS_MM,
        cell=cell,
    )


def working_pile(session: Session, record_id: int) -> WorkingPile:
    """Return the pile of this record as it stands. Four statements, whatever its size.

    Raises NotFound.
    """
    head = session.execute(
        select(RebuildRecord.stack_id, RebuildRecord.base_build_id, RebuildRecord.kind).where(
            RebuildRecord.id == record_id
        )
    ).first()
    if head is None:
        raise NotFound("record", record_id)
    base = _Base((), {}, frozenset())
    carried: tuple[FixingNow, ...] = ()
    if head.base_build_id is not None:
        base = _base_of(session, head.base_build_id)
        carried = fixings_of_build(session, head.base_build_id)
    steps: Sequence[Any] = session.execute(_STEPS, {"record_id": record_id}).all()
    pile, lifted = _fold_layers(base.layers, steps)
    fixings, removed = _fold_fixings(carried, steps)
    return WorkingPile(
        record_id,
        head.stack_id,
        head.kind,
        head.base_build_id,
        base.layers,
        pile,
        lifted,
        fixings,
        removed,
        base.drawings | {row.part: (row.drawing_number, row.revision) for row in steps},
        base.no_thickness | {row.part for row in steps if row.thickness_mm is None},
    )


BUILT = (
    select(Build.id)
    .join(RebuildRecord, RebuildRecord.id == Build.record_id)
    .where(
        Build.record_id == param("record_id"),
        RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
    )
)


def built_by(session: Session, record_id: int) -> int | None:
    """Return the build a record handed in made; None where it made none. One statement."""
    return session.scalar(BUILT, {"record_id": record_id})


def pile_known_now(session: Session, record_id: int) -> WorkingPile:
    """Return the pile of this record; of one handed in its parts as they are known now.

    The entries name the parts as they were read, layers and fixings of a build follow corrections.
    Seven statements at most. Raises NotFound.
    """
    pile = working_pile(session, record_id)
    build_id = built_by(session, record_id)
    if build_id is None:
        return pile
    of_build = fixings_of_build(session, build_id)
    fixings = sorted(of_build, key=lambda fixing: fixing.rod_number or 0)
    layers = OpenPile.begun(_base_of(session, build_id).layers)
    return replace(pile, pile=layers, fixings=tuple(fixings))


def layers_of_build(session: Session, build_id: int) -> tuple[Layer, ...]:
    """Return the layers of a build as known now. One statement."""
    return _base_of(session, build_id).layers


def fixings_of_build(session: Session, build_id: int) -> tuple[FixingNow, ...]:
    """Return the fixings of a build as known now. One statement."""
    return tuple(map(_fixing, session.execute(_FIXINGS, {"build_id": build_id})))


class _Base(NamedTuple):
    layers: tuple[Layer, ...]
    drawings: dict[int, tuple[str, str]]
    no_thickness: frozenset[int]


LAYERS = (
    select(LayerRow.position, LayerRow.facing, LayerRow.cell, *PART_COLUMNS)
    .join(Part, Part.id == LayerRow.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(LayerRow.build_id == param("build_id"), known(LayerRow))
    .order_by(LayerRow.position)
)


def _base_of(session: Session, build_id: int) -> _Base:
    """The layers of a build. Rows are taken apart in one go: a scan reads all of them twice."""
    rows = session.connection().execute(LAYERS, {"build_id": build_id})
    layers, drawings, bare = [], {}, set()
    for at, lies, cell, *values in rows:
        part, kind, serial, item, lot, name, of, mm, side, back, joint, drawing, revision = values
        label = part_label(serial, lot, item)
        thick = mm or WITHOUT_THICKNESS_MM
        layers.append(
            Layer(at, part, kind, label, name, lies, of, thick, side, back, joint, lot, cell)
        )
        drawings[part] = (drawing, revision)
        if mm is None:
            bare.add(part)
    return _Base(tuple(layers), drawings, frozenset(bare))


_FIXINGS = (
    select(Fixing.rod_number, Fixing.end, *PART_COLUMNS)
    .join(Part, Part.id == Fixing.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(Fixing.build_id == param("build_id"), known(Fixing))
    .order_by(Fixing.id)
)
_MOVING = (StepKind.LIFTED_OFF, StepKind.PUT_ON, StepKind.FIXING_REMOVED, StepKind.FIXING_FITTED)
_STEPS = (
    select(
        Step.id.label("step_id"),
        Step.kind.label("step"),
        Step.end,
        Step.facing,
        Step.rod_number,
        Step.done_at,
        Part.place,
        *PART_COLUMNS,
    )
    .join(Part, Part.id == Step.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(Step.record_id == param("record_id"), Step.undone_at.is_(None), Step.kind.in_(_MOVING))
    .order_by(Step.sequence)
)


def _fold_layers(
    base: Sequence[Layer], steps: Sequence[Any]
) -> tuple[OpenPile, tuple[LiftedOff, ...]]:
    pile = OpenPile.begun(base)
    lifted: dict[int, LiftedOff] = {}
    named = {row.part for row in steps}
    for row in steps:
        if row.step is StepKind.LIFTED_OFF:
            layer, pile = _lifted_off(pile, row, named)
            lifted[layer.part] = LiftedOff(
                layer, row.end, row.step_id, row.done_at, row.place == TO_BE_RENEWED
            )
        elif row.step is StepKind.PUT_ON:
            pile = pile.put_on(row.end, as_layer(row, 0, row.facing or Facing.EITHER))
            lifted.pop(row.part, None)
    return pile, tuple(lifted.values())


def _lifted_off(pile: OpenPile, row: Any, named: Collection[int]) -> tuple[Layer, OpenPile]:
    """Lift off the outermost layer, and first those no entry names: a correction found them."""
    layer, beneath = pile.lift_off(row.end)
    while layer.part not in named and any(each.part == row.part for each in beneath.layers):
        layer, beneath = beneath.lift_off(row.end)
    return layer, beneath


def _fold_fixings(
    carried: Iterable[FixingNow], steps: Iterable[Any]
) -> tuple[tuple[FixingNow, ...], tuple[FixingNow, ...]]:
    standing = {fixing.part: fixing for fixing in carried}
    removed: dict[int, FixingNow] = {}
    for row in steps:
        if row.step is StepKind.FIXING_REMOVED:
            removed[row.part] = standing.pop(row.part, _fixing(row))
        elif row.step is StepKind.FIXING_FITTED:
            standing[row.part] = _fixing(row, row.step_id)
            removed.pop(row.part, None)
    return tuple(standing.values()), tuple(removed.values())


def _fixing(row: Any, step_id: int | None = None) -> FixingNow:
    label = part_label(row.serial, row.lot, row.item_number)
    return read_as(FixingNow, row, label=label, step_id=step_id)
