"""Designs: listed, and one of them with its rods, ports and checklist."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.designs.tables import ChecklistLine, Design, DesignPort, DesignRod
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all
from service.stacks.tables.stacks import Stack


@dataclass(frozen=True, slots=True)
class DesignRow:
    """One design in the list; area in cm², torque in N·m."""

    id: int
    name: str
    revision: str
    active_area_cm2: float
    least_cells: int
    most_cells: int
    target_torque_nm: float
    rods: int
    stacks: int
    frozen_at: datetime | None
    made_at: datetime


@dataclass(frozen=True, slots=True)
class Rod:
    """Where a tie rod stands, in mm from the plate's middle, and its turn in tightening."""

    number: int
    x_mm: float
    y_mm: float
    turn: int


@dataclass(frozen=True, slots=True)
class Port:
    """An opening for a fluid at an end, as marked."""

    end: str
    fluid: str
    label: str


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One line of the make-safe checklist."""

    number: int
    wording: str
    unit: str | None
    reading_most: float | None
    needs_instrument: bool
    needs_witness: bool


@dataclass(frozen=True, slots=True)
class DesignOnPage:
    """A design, whole: cm², mm, N·m, % of the target torque."""

    id: int
    name: str
    revision: str
    active_area_cm2: float
    least_cells: int
    most_cells: int
    cooling: str
    plate_width_mm: float
    plate_height_mm: float
    rod_length_mm: float
    target_torque_nm: float
    torque_tolerance_percent: float
    tightening_passes: int
    notes: str
    made_at: datetime
    frozen_at: datetime | None
    rods: tuple[Rod, ...]
    ports: tuple[Port, ...]
    checklist: tuple[CheckLine, ...]
    stacks: tuple[str, ...]
    """serials of the stacks made to it"""
    revisions: tuple[tuple[int, str], ...]
    """other revisions of the same name: id and revision"""

    @property
    def is_frozen(self) -> bool:
        """Be true once a stack is made to it."""
        return self.frozen_at is not None or bool(self.stacks)


def designs(session: Session) -> tuple[DesignRow, ...]:
    """All designs by name and revision. One statement."""
    rods = (
        select(func.count()).where(DesignRod.design_id == Design.id).correlate(Design)
    ).scalar_subquery()
    stacks = (
        select(func.count()).where(Stack.design_id == Design.id).correlate(Design)
    ).scalar_subquery()
    rows = session.execute(
        select(*columns(DesignRow, Design, rods=rods, stacks=stacks)).order_by(
            func.lower(Design.name), Design.revision, Design.id
        )
    )
    return read_all(DesignRow, rows)


def design(session: Session, design_id: int) -> DesignOnPage:
    """One design with everything said of it. Six statements. Raises NotFound."""
    row = session.execute(
        select(
            Design.id,
            Design.name,
            Design.revision,
            Design.active_area_cm2,
            Design.least_cells,
            Design.most_cells,
            Design.cooling,
            Design.plate_width_mm,
            Design.plate_height_mm,
            Design.rod_length_mm,
            Design.target_torque_nm,
            Design.torque_tolerance_percent,
            Design.tightening_passes,
            Design.notes,
            Design.made_at,
            Design.frozen_at,
        ).where(Design.id == design_id)
    ).first()
    if row is None:
        raise NotFound("design", design_id)
    own: dict[str, Any] = dict(row._mapping)  # documented so, the underscore is for columns
    rods = session.execute(
        select(*columns(Rod, DesignRod))
        .where(DesignRod.design_id == design_id)
        .order_by(DesignRod.number)
    )
    ports = session.execute(
        select(*columns(Port, DesignPort))
        .where(DesignPort.design_id == design_id)
        .order_by(DesignPort.id)
    )
    lines = session.execute(
        select(*columns(CheckLine, ChecklistLine))
        .where(ChecklistLine.design_id == design_id)
        .order_by(ChecklistLine.number)
    )
    stacks = session.scalars(
        select(Stack.serial).where(Stack.design_id == design_id).order_by(Stack.serial).limit(500)
    )
    revisions = session.execute(
        select(Design.id, Design.revision)
        .where(func.lower(Design.name) == row.name.lower(), Design.id != design_id)
        .order_by(Design.revision)
    )
    return DesignOnPage(
        **own,
        rods=read_all(Rod, rods),
        ports=read_all(Port, ports),
        checklist=read_all(CheckLine, lines),
        stacks=tuple(stacks),
        revisions=tuple((one.id, one.revision) for one in revisions),
    )
