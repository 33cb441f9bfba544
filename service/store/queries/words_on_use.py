"""What was said of the use of parts: which wait to be looked at, and when some were rejected."""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.audit import Event
from service.platform.tables import AuditEntry
from service.records.tables import Step
from service.store.tables import Inspection

MANY = 500
"""More parts than these are not named one by one in a question."""


def asked_about(session: Session, part_ids: Collection[int]) -> dict[int, Any]:
    """Return what waits to be looked at, by part: what was asked last."""
    if not part_ids:
        return {}
    if len(part_ids) > MANY:
        of_parts: ColumnElement[bool] = Inspection.part_id.is_not(None)
    else:
        of_parts = Inspection.part_id.in_(part_ids)
    rows = session.execute(
        select(
            Inspection.part_id,
            Inspection.seen,
            Inspection.asked_at,
            Step.record_id,
            Person.name.label("by"),
        )
        .join(Step, Step.id == Inspection.step_id)
        .join(Person, Person.id == Step.by_id)
        .where(Inspection.decided_at.is_(None), of_parts)
        .order_by(Inspection.id)
    )
    return {row.part_id: row for row in rows}


def rejected_at(session: Session, part_ids: Collection[int]) -> dict[int, datetime]:
    """Return when each of these parts was rejected: judged so, or as its last hold was lifted."""
    if not part_ids:
        return {}
    judged = AuditEntry.act.in_((Event.PART_JUDGED.value, Event.HOLD_LIFTED.value))
    of_parts = AuditEntry.subject_id.is_not(None)
    if len(part_ids) <= MANY:
        of_parts = AuditEntry.subject_id.in_(part_ids)
    rows = session.execute(
        select(AuditEntry.subject_id, func.max(AuditEntry.at))
        .where(AuditEntry.subject_kind == "part", judged, of_parts)
        .group_by(AuditEntry.subject_id)
    )
    return {part_id: at for part_id, at in rows if part_id is not None}
