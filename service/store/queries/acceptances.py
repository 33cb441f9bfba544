"""What used parts were accepted on, and how far."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, exists, func, or_, select, true
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingMark
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Facing, Usability
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param_list
from service.records.tables import Finding
from service.store.arithmetic.acceptance import Acceptance
from service.store.tables import AcceptedUsed, Part


@dataclass(frozen=True, slots=True)
class AcceptanceKept(Acceptance):
    """An acceptance as it stands; ``by`` None where it was not recorded."""

    part_id: int = 0
    facing_before: Facing | None = None
    design: str | None = None
    found: str | None = None
    found_in: int | None = None
    """the record of the finding it rests on"""
    by: str | None = None
    at: datetime | None = None


WORD_FORBIDS = and_(
    FailingMark.part_id == Part.id,
    FailingMark.withdrawn_at.is_(None),
    or_(
        FailingMark.says != MeaWord.END_OF_LIFE,
        Part.usability != Usability.ACCEPTED_USED,
        ~exists().where(
            AcceptedUsed.part_id == Part.id, AcceptedUsed.at >= FailingMark.confirmed_at
        ),
    ),
)
"""A person's word on a part forbids its use; the end of life until it is accepted used since."""

ACCEPTANCES = (
    select(
        *columns(
            AcceptanceKept,
            AcceptedUsed,
            design=Design.name + " " + Design.revision,
            by=Person.name,
            found=Finding.condition,
            found_in=Finding.record_id,
        )
    )
    .join(Part, Part.id == AcceptedUsed.part_id)
    .outerjoin(Design, Design.id == AcceptedUsed.design_id)
    .outerjoin(Person, Person.id == AcceptedUsed.by_id)
    .outerjoin(Finding, Finding.id == AcceptedUsed.finding_id)
    .where(
        AcceptedUsed.part_id.in_(param_list("part_ids")), Part.usability == Usability.ACCEPTED_USED
    )
    .order_by(AcceptedUsed.id)
)


def acceptances_of(session: Session, part_ids: Collection[int]) -> dict[int, AcceptanceKept]:
    """Return the newest acceptance of each of these parts that is accepted used. One statement.

    A part accepted before such things were kept, or brought by a list, may have none.
    """
    rows = session.execute(ACCEPTANCES, {"part_ids": list(part_ids)})
    return {row.part_id: read_as(AcceptanceKept, row) for row in rows}


def limits_of(
    rows: Sequence[Any], accepted: Mapping[int, AcceptanceKept], of_type: str, of_part: str
) -> dict[int, Any]:
    """Return the limit of each part that has one: its type's, or what it was accepted for."""
    limits = {}
    for row in rows:
        both = (getattr(row, of_type), getattr(accepted.get(row.id), of_part, None))
        if said := [limit for limit in both if limit is not None]:
            limits[row.id] = min(said)
    return limits


def accepted_elsewhere(
    session: Session, part_ids: Collection[int] | None, design_id: Any
) -> list[tuple[int, str, datetime]]:
    """Return which used parts were accepted for another design, for which, and when.

    ``part_ids`` None: of all parts.
    """
    newest = select(func.max(AcceptedUsed.id)).group_by(AcceptedUsed.part_id)
    rows = session.execute(
        select(AcceptedUsed.part_id, Design.name, Design.revision, AcceptedUsed.at)
        .join(Design, Design.id == AcceptedUsed.design_id)
        .where(
            AcceptedUsed.id.in_(newest),
            true() if part_ids is None else AcceptedUsed.part_id.in_(part_ids),
            AcceptedUsed.design_id != design_id,
        )
    )
    return [(row.part_id, f"{row.name} {row.revision}", row.at) for row in rows]
