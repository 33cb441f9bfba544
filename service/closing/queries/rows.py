"""The rows a closing is computed from: parts with what they give under load, readings, rods."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import Design, DesignRod
from service.platform.arithmetic.vocabulary import Joint, Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param, param_list
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Part, PartType

SOFT = (Kind.MEA, Kind.GASKET, Kind.BLANK_CELL)


@dataclass(frozen=True, slots=True)
class PartGives:
    """A part as the arithmetic sees it: mm; ``stiffness`` is JSON, None where nobody gave it."""

    part: int
    type_id: int
    kind: Kind
    type_name: str
    thickness_mm: float | None
    joint: Joint | None
    stiffness: str | None
    measured_mm: float | None


@dataclass(frozen=True, slots=True)
class DesignSizes:
    """What a design says of its clamp: cm², mm, N·m; rods as number, x and y in tightening order.

    Places are in mm from the plate's middle.
    """

    design_id: int
    name: str
    active_area_cm2: float
    plate_mm: tuple[float, float]
    rod_length_mm: float
    target_nm: float
    passes: int
    rods: tuple[tuple[int, float, float], ...]


RODS = (
    select(DesignRod.number, DesignRod.x_mm, DesignRod.y_mm)
    .where(DesignRod.design_id == param("design_id"))
    .order_by(DesignRod.turn, DesignRod.number)
)

DESIGN = (
    select(
        Design.id,
        Design.name,
        Design.revision,
        Design.active_area_cm2,
        Design.plate_width_mm,
        Design.plate_height_mm,
        Design.rod_length_mm,
        Design.target_torque_nm,
        Design.tightening_passes,
    )
    .join(Stack, Stack.design_id == Design.id)
    .where(Stack.id == param("stack_id"))
)


def design_sizes(session: Session, stack_id: int) -> DesignSizes:
    """How large are plate, area and rods of a stack's design? Two statements. Raises NotFound."""
    row: Any = session.execute(DESIGN, {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    rods = session.execute(RODS, {"design_id": row.id})
    return DesignSizes(
        row.id,
        f"{row.name} {row.revision}",
        row.active_area_cm2,
        (row.plate_width_mm, row.plate_height_mm),
        row.rod_length_mm,
        row.target_torque_nm,
        row.tightening_passes,
        tuple((number, x, y) for number, x, y in rods),
    )


TYPES = select(*columns(PartGives, PartType, type_id=PartType.id, type_name=PartType.name)).where(
    PartType.id.in_(param_list("types"))
)

PARTS = select(Part.id, Part.part_type_id, Part.measured_thickness_mm).where(
    Part.id.in_(param_list("parts"))
)


def parts_giving(session: Session, parts: Collection[int]) -> Mapping[int, PartGives]:
    """What does each of these parts give under load? Two statements."""
    of: Sequence[Any] = session.execute(PARTS, {"parts": sorted(parts)}).all()
    types: Any = session.execute(TYPES, {"types": sorted({type_id for _part, type_id, _mm in of})})
    of_type = {row.type_id: row for row in types}
    return {
        part: read_as(PartGives, of_type[type_id], part=part, measured_mm=measured)
        for part, type_id, measured in of
    }


CLOSED_BEFORE = (
    select(Layer.part_id)
    .join(Build, Build.id == Layer.build_id)
    .where(
        Layer.part_id.in_(param_list("parts")),
        Layer.known_until.is_(None),
        Build.record_id != param("record_id"),
    )
    .distinct()
)


def closed_before(session: Session, record_id: int, parts: Collection[int]) -> frozenset[int]:
    """Which of these parts were in a build that another record closed? One statement."""
    return frozenset(
        session.scalars(CLOSED_BEFORE, {"parts": sorted(parts), "record_id": record_id})
    )
