"""Part types: listed, chosen from, and one of them with where its parts are."""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import Select, String, func, select
from sqlalchemy.orm import Session

from service.physics.arithmetic.part_stiffness import PartStiffness, free_mm, stiffness_from
from service.platform.arithmetic.vocabulary import (
    Back,
    Joint,
    Kind,
    Material,
    Side,
    Usability,
    Whereabouts,
)
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class PartTypeFacts:
    """Everything said of a part type; thickness in mm, hours in h."""

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
    counted: bool
    renew_at_opening: bool
    openings_most: int | None
    hours_most: float | None
    shelf_life_months: int | None
    open_life_days: int | None
    stiffness: str | None
    """as JSON; `gives` reads it"""
    made_at: datetime

    @property
    def drawing(self) -> str:
        """Drawing number and revision as people write them."""
        return f"{self.drawing_number} rev. {self.revision}"

    @property
    def gives(self) -> PartStiffness | None:
        """What it gives under load; None where nobody said so."""
        return read_stiffness(self.kind, self.stiffness)

    @property
    def free_mm(self) -> float | None:
        """How thick a free part of this type should measure, in mm."""
        return free_mm(self.thickness_mm, self.gives)


@dataclass(frozen=True, slots=True)
class PlacementCount:
    """How many parts of a type are in one place with one judgement, as kept on the parts."""

    whereabouts: Whereabouts
    usability: Usability
    parts: int


@dataclass(frozen=True, slots=True)
class PartTypeOnPage:
    """A part type with how many of its parts are where, and how many lots it has."""

    facts: PartTypeFacts
    where: tuple[PlacementCount, ...]
    lots: int
    revisions: tuple[tuple[int, str], ...]
    """other revisions of the same drawing: id and revision"""

    @property
    def is_in_use(self) -> bool:
        """Say whether something of this type exists."""
        return bool(self.where or self.lots)


def read_stiffness(kind: Kind, text: str | None) -> PartStiffness | None:
    """Return what stands in a part type's row: it was written by this program."""
    return None if text is None else stiffness_from(kind, json.loads(text))


BY_KIND = Order(
    (
        PartType.kind,
        func.lower(PartType.name, type_=String()),
        PartType.drawing_number,
        PartType.revision,
    )
)


def part_type_list(
    session: Session, kind: Kind | None = None, turn: Turn = FIRST
) -> Listing[PartTypeFacts]:
    """Return the part types of a page, by kind and name. One statement."""
    return listing(session, _of_kind(kind), BY_KIND, turn, partial(read_all, PartTypeFacts))


def part_types(session: Session, kind: Kind | None = None) -> tuple[PartTypeFacts, ...]:
    """Return all part types to choose from, by kind and name. One statement."""
    return read_all(PartTypeFacts, session.execute(_of_kind(kind).order_by(*BY_KIND.keys)))


def _of_kind(kind: Kind | None) -> Select[*tuple[Any, ...]]:
    statement = select(*columns(PartTypeFacts, PartType))
    return statement if kind is None else statement.where(PartType.kind == kind)


def part_type(session: Session, part_type_id: int) -> PartTypeOnPage:
    """Return one part type, with where its parts are. Four statements. Raises NotFound."""
    row = session.execute(
        select(*columns(PartTypeFacts, PartType)).where(PartType.id == part_type_id)
    ).first()
    if row is None:
        raise NotFound("part type", part_type_id)
    facts = read_as(PartTypeFacts, row)
    placements = session.execute(
        select(*columns(PlacementCount, Part, parts=func.count()))
        .where(Part.part_type_id == part_type_id)
        .group_by(Part.whereabouts, Part.usability)
        .order_by(Part.whereabouts, Part.usability)
    )
    lots = session.scalar(
        select(func.count()).select_from(Lot).where(Lot.part_type_id == part_type_id)
    )
    revisions = session.execute(
        select(PartType.id, PartType.revision)
        .where(PartType.drawing_number == facts.drawing_number, PartType.id != part_type_id)
        .order_by(PartType.revision)
    )
    return PartTypeOnPage(
        facts,
        read_all(PlacementCount, placements),
        lots or 0,
        tuple((row.id, row.revision) for row in revisions),
    )
