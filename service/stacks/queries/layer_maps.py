"""The pile of a stack, as it is, as it was on a date, or as it was thought to be on a date.

The rows of the layers come as plain tuples: a page which has drawn them before compares their
digest and need not build `Layer` objects at all.
"""

import marshal
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from hashlib import sha256
from typing import Any

from sqlalchemy import String, func, select, type_coerce
from sqlalchemy.orm import Session

from service.designs.arithmetic import pile
from service.designs.tables import Design, DesignPort, DesignRod
from service.platform.arithmetic.vocabulary import Back, End, Facing, Joint, Kind, Material, Side
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.stacks.queries.build_spans import BuildFacts, builds_of, waiting_build
from service.stacks.tables import Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.part_lists import shown_serial
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class MapStack:
    """The stack a map is of, and what its design says of the drawing."""

    id: int
    serial: str
    place: str
    notes: str
    design_id: int
    design: str
    revision: str
    active_area_cm2: float
    plate_width_mm: float
    plate_height_mm: float
    target_torque_nm: float
    torque_tolerance_percent: float


LayerRow = tuple[
    int, int, str, int | None, str | None, int | None, int, int | None, str, int | None
]
"""One layer as it is read: position, part, facing as its word, cell, serial, number of the item,
part type, lot, whether it may be used as its word, correction."""


@dataclass(frozen=True, slots=True)
class TypeFacts:
    """What a drawing needs to know of a part type."""

    id: int
    kind: Kind
    name: str
    drawing_number: str
    revision: str
    material: Material
    thickness_mm: float | None
    side: Side | None
    back: Back
    joint: Joint | None
    marked_face: str | None


@dataclass(frozen=True, slots=True)
class MapFixing:
    """One fixing of a build, at a rod or at an end."""

    kind: Kind
    rod_number: int | None
    end: End | None
    part_id: int
    label: str
    part_type: str


@dataclass(frozen=True, slots=True)
class Rod:
    """Where a tie rod stands, mm from the middle of the plate, and its turn in the order."""

    number: int
    x_mm: float
    y_mm: float
    turn: int


@dataclass(frozen=True, slots=True)
class Port:
    """A fluid's opening on one end."""

    end: End
    fluid: str
    label: str


@dataclass(frozen=True)
class LayerMap:
    """The pile of one build of a stack; ``build`` None where there was none yet.

    ``open_since``: on the date asked for the stack stood open, the build shown is the one before.
    """

    stack: MapStack
    on: datetime | None
    known_at: datetime | None
    builds: tuple[BuildFacts, ...]
    build: BuildFacts | None
    open_since: datetime | None
    opened_by_record_id: int | None
    rows: tuple[LayerRow, ...]
    types: dict[int, TypeFacts]
    lots: dict[int, str]
    fixings: tuple[MapFixing, ...]
    rods: tuple[Rod, ...]
    ports: tuple[Port, ...]

    @cached_property
    def layers(self) -> tuple[pile.Layer, ...]:
        """The layers as the trade knows them, from the fixed end."""
        return tuple(
            _layer(row, self.types[row[6]], self.lots.get(row[7] or 0)) for row in self.rows
        )

    @cached_property
    def digest(self) -> str:
        """SHA-256 of everything a drawing or table of this map shows."""
        around = (
            sorted(self.types.items()),
            sorted(self.lots.items()),
            self.fixings,
            self.rods,
            self.ports,
            self.stack,
            self.build and self.build.number,
        )
        # on rows of nothing but words and numbers marshal is ten times as quick as repr
        content_hash = sha256(marshal.dumps(self.rows, 2))
        content_hash.update(repr(around).encode())
        return content_hash.hexdigest()

    @property
    def cells(self) -> int:
        """How many cells the pile has, blank cells counted in: they keep their numbers."""
        return max((row[3] or 0 for row in self.rows), default=0)


def layer_map(
    session: Session,
    stack_id: int,
    *,
    on: datetime | None = None,
    known_at: datetime | None = None,
    build_number: int | None = None,
) -> LayerMap:
    """Return the layers of a stack on a date, or in a build; as known now or at a time.

    Without a date or build: the present build, else the last one. Raises NotFound for an unknown
    stack or a build which was not known. Eight statements, however high the pile.
    """
    stack = stack_facts(session, stack_id)
    builds = builds_of(session, stack_id, known_at)
    build, open_since = _chosen(builds, on, build_number)
    if build_number is not None and build is None and known_at is None:
        build = waiting_build(session, stack_id, build_number)
    if build_number is not None and build is None:
        raise NotFound("build", f"{build_number} of stack {stack.serial}")
    rods, ports = _rods_and_ports(session, stack.design_id)
    rows: tuple[LayerRow, ...] = ()
    fixing_rows: Sequence[Any] = ()
    if build is not None:
        rows = _rows(session, build.build_id, known_at)
        fixing_rows = _fixing_rows(session, build.build_id, known_at)
    types = types_by_id(
        session, {row[6] for row in rows} | {row.part_type_id for row in fixing_rows}
    )
    lots = lots_by_id(
        session,
        {row[7] for row in rows if row[7]} | {row.lot_id for row in fixing_rows if row.lot_id},
    )
    return LayerMap(
        stack=stack,
        on=on,
        known_at=known_at,
        builds=builds,
        build=build,
        open_since=open_since,
        opened_by_record_id=build.opened_by_record_id if build and open_since else None,
        rows=rows,
        types=types,
        lots=lots,
        fixings=tuple(
            read_as(
                MapFixing,
                row,
                label=part_label(row.serial, lots.get(row.lot_id or 0), row.item_number),
                part_type=types[row.part_type_id].name,
            )
            for row in fixing_rows
        ),
        rods=rods,
        ports=ports,
    )


def _chosen(
    builds: Sequence[BuildFacts], on: datetime | None, number: int | None
) -> tuple[BuildFacts | None, datetime | None]:
    """Which build is meant, and since when the stack stood open on the date asked for."""
    if number is not None:
        return next((build for build in builds if build.number == number), None), None
    begun = [build for build in builds if on is None or build.closed_at <= on]
    if not begun:
        return None, None
    build = begun[-1]
    opened = build.opened_at
    return build, opened if opened is not None and (on is None or opened <= on) else None


STACK_FACTS = (
    select(*columns(MapStack, Stack, Design, design_id=Design.id, design=Design.name))
    .join(Design, Design.id == Stack.design_id)
    .where(Stack.id == param("stack_id"))
)


def stack_facts(session: Session, stack_id: int) -> MapStack:
    """Return what a stack is and what its design says of it. Raises NotFound."""
    row: Any = session.execute(STACK_FACTS, {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    return read_as(MapStack, row)


@statement
def _layers(is_then: bool) -> Any:
    return (
        select(
            Layer.position,
            Layer.part_id,
            type_coerce(Layer.facing, String),
            Layer.cell,
            shown_serial(),
            Part.item_number,
            Part.part_type_id,
            Part.lot_id,
            type_coerce(Part.usability, String),
            Layer.correction_id,
        )
        .join(Part, Part.id == Layer.part_id)
        .where(Layer.build_id == param("build_id"), known(Layer, as_of_param(is_then)))
        .order_by(Layer.position)
    )


def _rows(session: Session, build_id: int, known_at: datetime | None) -> tuple[LayerRow, ...]:
    rows: Any = session.connection().execute(
        _layers(known_at is not None), params(known_at, build_id=build_id)
    )
    return tuple(map(tuple, rows.all()))


@statement
def _fixings(is_then: bool) -> Any:
    return (
        select(
            shown_serial(),
            Part.item_number,
            Part.part_type_id,
            Part.lot_id,
            *columns(MapFixing, Fixing),
        )
        .join(Part, Part.id == Fixing.part_id)
        .where(Fixing.build_id == param("build_id"), known(Fixing, as_of_param(is_then)))
        .order_by(func.coalesce(Fixing.rod_number, 0), Fixing.kind, Fixing.id)
    )


def _fixing_rows(session: Session, build_id: int, known_at: datetime | None) -> Sequence[Any]:
    return session.execute(
        _fixings(known_at is not None), params(known_at, build_id=build_id)
    ).all()


TYPES = select(*columns(TypeFacts, PartType)).where(PartType.id.in_(param_list("ids")))


def types_by_id(session: Session, ids: set[int]) -> dict[int, TypeFacts]:
    """Return what drawings and tables tell of these part types."""
    rows = session.execute(TYPES, {"ids": list(ids)})
    return {row.id: read_as(TypeFacts, row) for row in rows}


LOTS = select(Lot.id, Lot.label).where(Lot.id.in_(param_list("ids")))


def lots_by_id(session: Session, ids: set[int]) -> dict[int, str]:
    """Return labels of these lots."""
    return dict(session.execute(LOTS, {"ids": list(ids)}).all())


PORTS = (
    select(DesignPort.end, DesignPort.fluid, DesignPort.label)
    .where(DesignPort.design_id == param("design_id"))
    .order_by(DesignPort.id)
)

RODS = (
    select(*columns(Rod, DesignRod))
    .where(DesignRod.design_id == param("design_id"))
    .order_by(DesignRod.number)
)


def _rods_and_ports(session: Session, design_id: int) -> tuple[tuple[Rod, ...], tuple[Port, ...]]:
    rods = session.execute(RODS, {"design_id": design_id})
    ports = session.execute(PORTS, {"design_id": design_id})
    return (read_all(Rod, rods), tuple(Port(End(row.end), row.fluid, row.label) for row in ports))


FACINGS = {facing.value: facing for facing in Facing}


def _layer(row: LayerRow, of_type: TypeFacts, lot: str | None) -> pile.Layer:
    position, part, facing, cell, serial, item_number, _type, _lot, _usability, _correction = row
    return pile.Layer(
        position=position,
        part=part,
        kind=of_type.kind,
        label=part_label(serial, lot, item_number),
        part_type=of_type.name,
        facing=FACINGS[facing],
        material=of_type.material,
        thickness_mm=of_type.thickness_mm or 1.0,
        side=of_type.side,
        back=of_type.back,
        joint=of_type.joint,
        lot=lot,
        cell=cell,
    )
