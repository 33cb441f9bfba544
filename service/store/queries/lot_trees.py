"""Lots are made of lots: what went into a lot, level by level, what came of it, and held inputs."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import CTE, case, func, literal, select
from sqlalchemy.orm import Session, aliased

from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import param_list
from service.store.arithmetic.lot_roles import MOST_LEVELS, LotRole
from service.store.tables import Hold, Lot, LotInput, Part, PartType


@dataclass(frozen=True, slots=True)
class InputLot:
    """A lot that went into another, with what went into it; ``since`` None: from its making."""

    input_id: int
    lot_id: int
    role: LotRole
    since: datetime | None
    label: str
    type_name: str
    supplier: str
    held_because: str | None
    made_of: tuple["InputLot", ...] = ()

    @property
    def all_levels(self) -> tuple["InputLot", ...]:
        """This lot and all that went into it, the nearest first."""
        return (self, *(below for part in self.made_of for below in part.all_levels))


def _levels(seeds: Any, of: Any, onward: Any) -> Any:
    """Lots reached from some, with how many levels away; circles the database refuses."""
    begun = seeds.add_columns(literal(0).label("level")).cte("reached", recursive=True)
    return begun.union(
        select(begun.c.seed, onward, begun.c.level + 1)
        .join(LotInput, of == begun.c.lot_id)
        .where(begun.c.level < MOST_LEVELS)
    )


SEEDS = select(Lot.id.label("seed"), Lot.id.label("lot_id")).where(
    Lot.id.in_(param_list("lot_ids"))
)
UP = _levels(SEEDS, LotInput.lot_id, LotInput.input_lot_id)
DOWN = _levels(SEEDS, LotInput.input_lot_id, LotInput.lot_id)
INPUTS = (
    select(
        LotInput.lot_id.label("made"),
        *columns(
            InputLot,
            LotInput,
            Lot,
            input_id=LotInput.id,
            lot_id=LotInput.input_lot_id,
            label=Lot.label,
            type_name=PartType.name,
            held_because=select(func.min(Hold.reason))
            .where(Hold.lot_id == Lot.id, Hold.lifted_at.is_(None))
            .correlate(Lot)
            .scalar_subquery(),
        ),
    )
    .join(Lot, Lot.id == LotInput.input_lot_id)
    .join(PartType, PartType.id == Lot.part_type_id)
    .where(LotInput.lot_id.in_(select(UP.c.lot_id)))
    .order_by(LotInput.lot_id, LotInput.role, LotInput.id)
)


def made_of(session: Session, lot_ids: Collection[int]) -> dict[int, tuple[InputLot, ...]]:
    """Return what each of these lots is made of, as trees. One statement, whatever their depth."""
    if not lot_ids:
        return {}
    inputs: dict[int, list[Any]] = defaultdict(list)
    for row in session.execute(INPUTS, {"lot_ids": list(lot_ids)}):
        inputs[row.made].append(row)

    def tree(lot_id: int, levels: int) -> tuple[InputLot, ...]:
        return tuple(
            read_as(InputLot, row, made_of=tree(row.lot_id, levels - 1) if levels else ())
            for row in inputs[lot_id]
        )

    return {lot_id: tree(lot_id, MOST_LEVELS) for lot_id in lot_ids}


@dataclass(frozen=True, slots=True)
class LotMade:
    """A lot that something of a lot went into; ``level`` 1: at once."""

    lot_id: int
    label: str
    type_name: str
    level: int
    parts: int
    fitted: int
    stacks: int


NEAREST = (
    select(DOWN.c.lot_id, func.min(DOWN.c.level).label("level"))
    .where(DOWN.c.level > 0)
    .group_by(DOWN.c.lot_id)
    .subquery()
)
FITTED = case((Part.whereabouts == Whereabouts.FITTED, 1))
MADE = (
    select(
        *columns(
            LotMade,
            lot_id=Lot.id,
            label=Lot.label,
            type_name=PartType.name,
            level=NEAREST.c.level,
            parts=func.count(Part.id),
            fitted=func.count(FITTED),
            stacks=func.count(Part.stack_id.distinct()),
        )
    )
    .select_from(NEAREST)
    .join(Lot, Lot.id == NEAREST.c.lot_id)
    .join(PartType, PartType.id == Lot.part_type_id)
    .outerjoin(Part, Part.lot_id == Lot.id)
    .group_by(Lot.id, Lot.label, PartType.name, NEAREST.c.level)
    .order_by(NEAREST.c.level, Lot.label)
)


def made_from(session: Session, lot_id: int) -> tuple[LotMade, ...]:
    """Return the lots that something of a lot went into, and their parts. One statement."""
    return read_all(LotMade, session.execute(MADE, {"lot_ids": [lot_id]}))


def lots_to_make_of(session: Session) -> tuple[tuple[int, str], ...]:
    """Return id and name of the lots of materials, the latest first, to choose from."""
    rows = session.execute(
        select(Lot.id, Lot.label, PartType.name)
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(PartType.kind == Kind.MATERIAL)
        .order_by(Lot.id.desc())
        .limit(500)
    )
    return tuple((row.id, f"{row.label}, {row.name}") for row in rows)


# Holds on a lot reach every lot that something of it went into.


def _reached_by_holds() -> CTE:
    held = aliased(Hold)
    begun = (
        select(held.id.label("hold_id"), held.lot_id.label("lot_id"))
        .where(held.lot_id.is_not(None))
        .cte("reached_by_hold", recursive=True)
    )
    return begun.union(
        select(begun.c.hold_id, LotInput.lot_id).join(
            LotInput, LotInput.input_lot_id == begun.c.lot_id
        )
    )


REACHED = _reached_by_holds()
"""Lots each hold on a lot reaches: itself, and all that something of it went into."""


def reaches(lot: Any) -> Any:
    """Say which holds reach a lot, or one of some: a column, a value or a collection."""
    many = isinstance(lot, (set, frozenset, list, tuple)) or hasattr(lot, "subquery")
    wanted = REACHED.c.lot_id.in_(lot) if many else REACHED.c.lot_id == lot
    # the lot may be a column of any statement around this one, not only of the nearest
    holds = select(REACHED.c.hold_id).where(wanted).correlate_except(REACHED)
    return Hold.id.in_(holds)


ROLES_OF = (
    select(UP.c.seed, LotInput.role, LotInput.input_lot_id, LotInput.since, Lot.label)
    .join(LotInput, LotInput.lot_id == UP.c.lot_id)
    .join(Lot, Lot.id == LotInput.input_lot_id)
    .order_by(UP.c.seed, LotInput.id)
)


def inputs_of(
    session: Session, lot_ids: Collection[int]
) -> Mapping[LotRole, dict[int, list[tuple[int, datetime | None]]]]:
    """Return by role the lots that went into each of these, at any level, and since when."""
    by_role: dict[LotRole, dict[int, list[tuple[int, datetime | None]]]] = defaultdict(dict)
    for row in session.execute(ROLES_OF, {"lot_ids": list(lot_ids)}):
        by_role[row.role].setdefault(row.seed, []).append((row.input_lot_id, row.since))
    return by_role
