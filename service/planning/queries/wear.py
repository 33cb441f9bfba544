"""Which parts of a pile are used up: by their type, a hold, their openings or their hours."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import and_, func, or_, select, union
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.queries.part_hours import part_hours
from service.store.tables.holds import Hold
from service.store.tables.parts import Part, PartType


@dataclass(frozen=True, slots=True)
class UsedUp:
    """Parts renewed once they are reached: by their type, or by a limit with the reason."""

    by_type: frozenset[int]
    worn: Mapping[int, str]


def used_up_parts(session: Session, parts: Collection[int]) -> UsedUp:
    """Which of these are renewed once they are reached? One statement, six where limits count."""
    rows = session.execute(
        select(
            Part.id,
            PartType.renew_at_opening,
            PartType.openings_most,
            PartType.hours_most,
            Part.usability,
            _reason_of_hold(),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .where(Part.id.in_(parts))
    ).all()
    by_type = frozenset(row.id for row in rows if row.renew_at_opening)
    worn = {
        row.id: f"on hold: {row.held.rstrip('.')}" if row.held else str(row.usability)
        for row in rows
        if row.held or row.usability in (Usability.ON_HOLD, Usability.REJECTED)
    }
    openings_most = {row.id: row.openings_most for row in rows if row.openings_most is not None}
    hours_most = {row.id: row.hours_most for row in rows if row.hours_most is not None}
    limited = set(openings_most) - by_type - set(worn)
    openings = _openings(session, limited)
    for part in limited:
        if (count := openings.get(part, 0)) >= openings_most[part]:
            worn[part] = f"{count} of {openings_most[part]} openings used"
    left = set(hours_most) - set(worn) - by_type
    for part, ran in (part_hours(session, left) if left else {}).items():
        hours = ran.before + sum(one.hours for one in ran.in_builds.values())
        if hours >= hours_most[part]:
            worn[part] = f"{hours:.0f} of {hours_most[part]:.0f}\u2009h used"
    return UsedUp(by_type, worn)


def _reason_of_hold() -> Any:
    """Select why a part must not be put back: a hold of its own or on its lot; None: no hold.

    A concession given for the part allows it in spite of its own hold.
    """
    own = and_(Hold.part_id == Part.id, Part.usability != Usability.UNDER_CONCESSION)
    return (
        select(func.min(Hold.reason))
        .where(Hold.lifted_at.is_(None), or_(own, Hold.lot_id == Part.lot_id))
        .correlate(Part)
        .scalar_subquery()
        .label("held")
    )


def _openings(session: Session, parts: Collection[int]) -> dict[int, int]:
    """In how many events was a face of each part parted?"""
    if not parts:
        return {}
    lifted = (Step.kind == StepKind.LIFTED_OFF, Step.undone_at.is_(None))
    parted = union(
        select(Step.part_id.label("part_id"), Step.record_id).where(
            Step.part_id.in_(parts), *lifted
        ),
        select(Step.exposed_part_id, Step.record_id).where(
            Step.exposed_part_id.in_(parts), *lifted
        ),
    ).subquery()
    rows: Sequence[Any] = session.execute(
        select(parted.c.part_id, func.count(parted.c.record_id))
        .join(RebuildRecord, RebuildRecord.id == parted.c.record_id)
        .where(RebuildRecord.state != RecordState.VOID)
        .group_by(parted.c.part_id)
    ).all()
    return dict(rows)
