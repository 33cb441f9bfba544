"""What the store offers a changeover, which parts of a pile are used up, and the rods it closes on.

Also what cannot be picked comes: the plan counts it with the reason where parts are wanting.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, exists, false, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic.grammar import Pattern, Where
from service.designs.queries import KeptPattern
from service.planning.arithmetic.picks import Candidate
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.forbids import Forbids, forbids_of_lots, forbids_of_parts
from service.store.tables import Lot, Part, PartType

MANY_ITEMS = 10_000
"""Items a lot is taken to hold where nobody knows how many came."""
WITHOUT_THICKNESS_MM = 1.0
_reserved = aliased(Stack)
_fitted_in = aliased(Stack)


@dataclass(frozen=True, slots=True)
class Offered:
    """A candidate and where it is, in words; ``is_counted`` False: nobody knows how many."""

    candidate: Candidate
    where: str
    is_counted: bool = True


@dataclass(frozen=True, slots=True)
class Into:
    """Which stack parts are to come into, and on which day."""

    stack_id: int
    on: datetime


def offered(
    session: Session,
    kept_pattern: KeptPattern,
    pattern: Pattern,
    part_ids: Collection[int],
    into: Into,
) -> tuple[Offered, ...]:
    """Return what may come into a pile of this pattern: in store, or named. Seven statements."""
    numbers = {name.rpartition(" rev. ")[0] or name for name in kept_pattern.names}
    kinds = {item.kind for place in Where for item in pattern.part(place) if not item.part_type}
    of_type = or_(
        PartType.drawing_number.in_(numbers), PartType.kind.in_(kinds | {Kind.BLANK_CELL})
    )
    return (
        *_parts(session, kept_pattern, of_type, part_ids, into),
        *_lots(session, kept_pattern, of_type, into),
    )


TYPE_COLUMNS = (
    PartType.kind,
    PartType.drawing_number,
    PartType.revision,
    PartType.thickness_mm,
    PartType.material,
    PartType.side,
    PartType.back,
    PartType.joint,
    Lot.label.label("lot"),
    func.coalesce(Lot.produced_at, Lot.received_at).label("made_at"),
)


def _parts(
    session: Session,
    kept_pattern: KeptPattern,
    of_type: ColumnElement[bool],
    part_ids: Collection[int],
    into: Into,
) -> Sequence[Offered]:
    used_up = and_(PartType.renew_at_opening, exists().where(Layer.part_id == Part.id))
    in_store = and_(Part.whereabouts == Whereabouts.IN_STORE, of_type, ~used_up)
    chosen = or_(in_store, Part.id.in_(part_ids) if part_ids else false())
    forbids = forbids_of_parts(session, chosen, stack_id=into.stack_id, on=into.on)
    rows: Sequence[Any] = session.execute(
        select(
            Part.id,
            Part.serial,
            Part.item_number,
            Part.whereabouts,
            Part.place,
            _reserved.serial.label("reserved_for"),
            _fitted_in.serial.label("stack"),
            *TYPE_COLUMNS,
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(_reserved, _reserved.id == Part.reserved_for_stack_id)
        .outerjoin(_fitted_in, _fitted_in.id == Part.stack_id)
        .where(chosen)
        .order_by(Part.id)
    ).all()
    return [_part(row, kept_pattern, forbids[row.id]) for row in rows]


def _part(row: Any, kept_pattern: KeptPattern, forbids: Sequence[Forbids]) -> Offered:
    is_in_store = row.whereabouts is Whereabouts.IN_STORE
    place = (row.stack and f"fitted in {row.stack}") or str(row.whereabouts)
    candidate = Candidate(
        key=row.id,
        part=row.id,
        label=part_label(row.serial, row.lot, row.item_number),
        why_not=_in_words(forbids),
        reserved_for=row.reserved_for or "",
        taken_from="" if is_in_store else row.stack or str(row.whereabouts),
        **_of_type(row, kept_pattern),
    )
    return Offered(candidate, f"{place}, {row.place}" if row.place else place)


def _in_words(forbids: Sequence[Forbids]) -> str:
    """Why it must not be used, in a word; where it is now, and for whom, the plan sees to."""
    return next((forbid.word for forbid in forbids if forbid.concession_may), "")


def _lots(
    session: Session, kept_pattern: KeptPattern, of_type: ColumnElement[bool], into: Into
) -> Sequence[Offered]:
    items_taken = (
        select(func.count(Part.id)).where(Part.lot_id == Lot.id).correlate(Lot).scalar_subquery()
    )
    rows: Sequence[Any] = session.execute(
        select(Lot.id, (Lot.quantity - items_taken).label("left"), *TYPE_COLUMNS)
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(PartType.counted, of_type, or_(Lot.quantity.is_(None), Lot.quantity > items_taken))
        .order_by(Lot.id)
    ).all()
    forbids = forbids_of_lots(
        session, [row.id for row in rows], design_id=kept_pattern.design_id, on=into.on
    )
    return [
        Offered(
            Candidate(
                key=row.id,
                part=None,
                label=f"lot {row.lot}",
                items=MANY_ITEMS if row.left is None else row.left,
                why_not=_in_words(forbids[row.id]),
                **_of_type(row, kept_pattern),
            ),
            "from the lot",
            row.left is not None,
        )
        for row in rows
    ]


def _of_type(row: Any, kept_pattern: KeptPattern) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "part_type": kept_pattern.called(row.drawing_number, row.revision),
        "thickness_mm": row.thickness_mm or WITHOUT_THICKNESS_MM,
        "lot": row.lot,
        "side": row.side,
        "back": row.back,
        "joint": row.joint,
        "material": row.material,
        "made_on": row.made_at.date() if row.made_at else None,
    }


def parts_with_serials(session: Session, keys: Collection[str]) -> dict[str, tuple[int, ...]]:
    """Say which parts bear these serials, by key; no scrapped or lost ones. One statement."""
    rows: Sequence[Any] = session.execute(
        select(Part.serial_key, Part.id)
        .where(
            Part.serial_key.in_(keys),
            Part.whereabouts.not_in((Whereabouts.SCRAPPED, Whereabouts.MISSING)),
        )
        .order_by(Part.id)
    ).all()
    parts_of: dict[str, tuple[int, ...]] = {}
    for key, part in rows:
        parts_of[key] = (*parts_of.get(key, ()), part)
    return parts_of
