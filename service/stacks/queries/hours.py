"""Operating hours of stacks and builds: derived from what meters showed, never stored.

All answers are as known now, or as they were known at ``known_at``; hours are in h.
"""

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.audit import Event
from service.platform.queries.statements import param
from service.platform.tables import AuditEntry
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import build_spans
from service.stacks.queries.meters import NO_METERS, Meters, meters_of


@dataclass(frozen=True, slots=True)
class StackHours:
    """Hours of a stack at its newest reading; None where it was never read."""

    hours: Hours
    read_at: datetime | None
    has_meter: bool


def stack_hours(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, StackHours]:
    """Return the hours each of these stacks has run, at its newest reading. One statement."""
    meters = meters_of(session, stack_ids, known_at)
    return {stack_id: hours_now(meters.get(stack_id, NO_METERS)) for stack_id in stack_ids}


def hours_now(meters: Meters) -> StackHours:
    """Return the hours of a stack that follow from what its meters showed last."""
    read = [
        (shift, meter, meter.newest)
        for shift, meter in zip(meters.shifts, meters.meters, strict=True)
        if meter.newest is not None
    ]
    if not read:
        return StackHours(Hours(), None, bool(meters.meters))
    shift, meter, newest = read[-1]
    hours = Hours(shift.hours + (meter.counted.last or 0.0), shift.gaps > 0)
    return StackHours(hours, newest.at, meters.meters[-1].removed_at is None)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Reports of a bench that were left out of the hours, as noted one day, each with why."""

    at: datetime
    doubts: tuple[str, ...]


LEFT_OUT_SHOWN = 20
LEFT_OUT = (
    select(AuditEntry.at, AuditEntry.changes)
    .where(AuditEntry.stack_id == param("stack_id"), AuditEntry.act == Event.HOURS_LEFT_OUT)
    .order_by(AuditEntry.id.desc())
    .limit(LEFT_OUT_SHOWN)
)


def left_out_of_hours(session: Session, stack_id: int) -> tuple[LeftOut, ...]:
    """Return the newest reports of a bench that were left out. One statement."""
    rows = session.execute(LEFT_OUT, {"stack_id": stack_id})
    return tuple(
        LeftOut(row.at, tuple(doubt for _name, _before, doubt in json.loads(row.changes)))
        for row in rows
    )


def build_hours(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, Hours]:
    """Return the hours each build of these stacks ran, by build id. Three statements.

    By the meter alone: blank and bridged cells are not asked for.
    """
    spans = build_spans(session, stack_ids, known_at).builds
    return {build_id: span.ran for build_id, span in spans.items()}
