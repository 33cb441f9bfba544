"""Every build a part sat in: where, with which neighbours, for how many hours."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, exists, func, literal, null, select, type_coerce, union_all
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic import pile
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.vocabulary import End, Facing, Joint, Kind
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import as_of_param, known, param, params, statement
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.part_hours import cell_hours
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType

REACH = 8
"""Layers looked at on each side: enough to meet the next MEA in any pile of the trade."""


OWN = aliased(Layer)


@dataclass(frozen=True, slots=True)
class Sitting:
    """One build a part sat in, in a layer of the pile or as a fixing."""

    stack_id: int
    stack_serial: str
    design: str
    build_id: int
    build_number: int
    record_id: int
    record_kind: RecordKind
    record_state: RecordState
    closed_at: datetime
    opened_at: datetime | None
    opened_by_record_id: int | None
    position: int | None
    cell: int | None
    facing: Facing | None
    fixing: Kind | None
    rod_number: int | None
    end: End | None
    correction_id: int | None
    lay_reversed: bool
    """it lay the other way round than was recorded, by a correction"""
    hours: Hours
    near: tuple[pile.Layer, ...]
    """the layers on both sides and the part's own, from the fixed end; empty for a fixing"""
    lot_ids: dict[int, int]
    """lot of each part in ``near``, by part id"""

    @property
    def own(self) -> pile.Layer | None:
        """The part's own layer."""
        return next((layer for layer in self.near if layer.position == self.position), None)

    @property
    def neighbours(self) -> pile.Neighbours | None:
        """What lies nearest on both sides; None for a fixing."""
        for at, layer in enumerate(self.near, 1):
            if layer.position == self.position:
                return pile.neighbours(self.near, at)
        return None

    @property
    def around(self) -> tuple[pile.Layer, ...]:
        """What touched the part: the other layers of its cell and the coolant gaskets beside it.

        A part outside the cells is told with the two layers on each side of it.
        """
        if self.position is None:
            return ()
        place = self.position
        if self.cell is None:
            return tuple(n for n in self.near if 0 < abs(n.position - place) <= 2)
        of_cell = [layer for layer in self.near if layer.cell == self.cell]
        first, last = of_cell[0].position, of_cell[-1].position
        return tuple(
            layer
            for layer in self.near
            if layer.position != place
            and (
                first <= layer.position <= last
                or (layer.joint is Joint.COOLANT and layer.position in (first - 1, last + 1))
            )
        )


def sittings(session: Session, part_id: int, as_of: AsOf = PRESENT) -> tuple[Sitting, ...]:
    """Return the builds a part sat in, in the order of their closing. Seven statements."""
    known_at, on = as_of.known_at, as_of.on
    rows: Sequence[Any] = session.execute(
        _sat(known_at is not None), params(known_at, part_id=part_id)
    ).all()
    hours = cell_hours(
        session, {row.stack_id for row in rows}, {row.build_id for row in rows}, as_of
    )
    near, lot_ids = _near(session, part_id, known_at)
    sat = tuple(
        read_as(
            Sitting,
            row,
            stack_serial=row.serial,
            build_number=row.number,
            fixing=row.kind,
            end=row.end_,
            hours=hours.of(row.build_id, row.cell) if row.build_id in hours.spans else Hours(),
            near=tuple(near.get(row.build_id, ())),
            lot_ids=lot_ids,
        )
        for row in rows
    )
    if on is None:
        return sat
    return tuple(
        replace(sitting, opened_at=None, opened_by_record_id=None)
        if sitting.opened_at is not None and sitting.opened_at > on
        else sitting
        for sitting in sat
        if sitting.closed_at <= on
    )


@statement
def _sat(is_then: bool) -> Any:
    """The builds a part sat in, as a layer or a fixing, with their stacks and periods."""
    at = as_of_param(is_then)
    layer = select(
        Layer.build_id,
        Layer.position.label("position"),
        Layer.cell.label("cell"),
        Layer.facing.label("facing"),
        type_coerce(null(), Fixing.kind.type).label("kind"),
        literal(None, Fixing.rod_number.type).label("rod_number"),
        type_coerce(null(), Fixing.end.type).label("end_"),
        Layer.correction_id.label("correction_id"),
    ).where(Layer.part_id == param("part_id"), known(Layer, at))
    fixing = select(
        Fixing.build_id,
        literal(None, Layer.position.type),
        literal(None, Layer.cell.type),
        type_coerce(null(), Layer.facing.type),
        Fixing.kind,
        Fixing.rod_number,
        Fixing.end,
        Fixing.correction_id,
    ).where(Fixing.part_id == param("part_id"), known(Fixing, at))
    sat = union_all(layer, fixing).subquery()
    recorded = aliased(Layer)
    otherwise = exists().where(
        recorded.build_id == sat.c.build_id,
        recorded.part_id == param("part_id"),
        recorded.facing != sat.c.facing,
        recorded.facing != Facing.EITHER,
        *([recorded.known_from <= at] if at is not None else ()),
    )
    return (
        select(
            sat,
            otherwise.label("lay_reversed"),
            Build.number,
            Build.record_id,
            Build.stack_id,
            Stack.serial,
            func.coalesce(_design_of(), "").label("design"),
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
            BuildPeriod.opened_by_record_id,
            RebuildRecord.kind.label("record_kind"),
            RebuildRecord.state.label("record_state"),
        )
        .join(Build, Build.id == sat.c.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .join(RebuildRecord, RebuildRecord.id == Build.record_id)
        .join(BuildPeriod, and_(BuildPeriod.build_id == Build.id, known(BuildPeriod, at)))
        .order_by(BuildPeriod.closed_at, Build.number)
    )


def _design_of() -> Any:
    from service.designs.tables import Design

    return (
        select(Design.name.concat(" ").concat(Design.revision))
        .where(Design.id == Stack.design_id)
        .correlate(Stack)
        .scalar_subquery()
    )


@statement
def _within_reach(is_then: bool) -> Any:
    return (
        select(
            Layer.build_id,
            Part.serial,
            Part.item_number,
            Part.lot_id,
            *columns(
                pile.Layer,
                Layer,
                PartType,
                part=Layer.part_id,
                part_type=PartType.name,
                lot=Lot.label,
            ),
        )
        .select_from(OWN)
        .join(
            Layer,
            and_(
                Layer.build_id == OWN.build_id,
                Layer.position.between(OWN.position - REACH, OWN.position + REACH),
                known(Layer, as_of_param(is_then)),
            ),
        )
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(OWN.part_id == param("part_id"), known(OWN, as_of_param(is_then)))
        .order_by(Layer.build_id, Layer.position)
    )


def _near(
    session: Session, part_id: int, known_at: datetime | None
) -> tuple[dict[int, list[pile.Layer]], dict[int, int]]:
    """The layers within reach of a part in every build it sat in: one statement."""
    rows: Sequence[Any] = session.execute(
        _within_reach(known_at is not None), params(known_at, part_id=part_id)
    ).all()
    near: dict[int, list[pile.Layer]] = defaultdict(list)
    lot_ids = {}
    for row in rows:
        if row.lot_id is not None:
            lot_ids[row.part] = row.lot_id
        near[row.build_id].append(
            read_as(
                pile.Layer,
                row,
                label=part_label(row.serial, row.lot, row.item_number),
                thickness_mm=row.thickness_mm or 1.0,
            )
        )
    return near, lot_ids
