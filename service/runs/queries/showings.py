"""What a meter showed just before, during and just after a stretch of time, as known now.

People's readings are few and all given; of a bench's reports and of logs those of the stretch,
and the nearest on both sides.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.platform.queries.as_of import known
from service.platform.queries.prepared import param, statement
from service.platform.tables.base import UtcDateTime
from service.runs.tables import RunReading
from service.stacks.tables.hours import HourReading, HourReport, Moment


@dataclass(frozen=True, slots=True)
class Shown:
    """What a meter showed at a time, in h; ``moment`` of a person's reading, else None."""

    hours: float
    taken_at: datetime
    moment: Moment | None = None


def shown_around(session: Session, meter_id: int, begin: datetime, end: datetime) -> list[Shown]:
    """What one meter showed around a stretch of time, in the order of time. Three statements."""
    values = {"meter_id": meter_id, "begin": begin, "end": end}
    days = {"first": begin.astimezone(UTC).date(), "last": end.astimezone(UTC).date()}
    read: Any = session.execute(_readings(), {"meter_id": meter_id})
    found = [Shown(row.hours, row.taken_at, row.moment) for row in read]
    found += _ends(session.execute(_reports(), {"meter_id": meter_id, **days}))
    found += _ends(session.execute(_runs(), values))
    return sorted(found, key=lambda shown: shown.taken_at)


def _ends(rows: Any) -> Iterator[Shown]:
    for row in rows:
        yield Shown(row[0], row[1])
        yield Shown(row[2], row[3])


@statement
def _readings() -> Any:
    return (
        select(HourReading.hours, HourReading.taken_at, HourReading.moment)
        .where(HourReading.meter_id == param("meter_id"), HourReading.known_until.is_(None))
        .order_by(HourReading.taken_at, HourReading.id)
    )


@statement
def _reports() -> Any:
    beside = aliased(HourReport)
    of_meter = (beside.meter_id == param("meter_id"), known(beside))
    before = select(func.max(beside.day)).where(*of_meter, beside.day < param("first"))
    after = select(func.min(beside.day)).where(*of_meter, beside.day > param("last"))
    return select(
        HourReport.first_hours, HourReport.first_at, HourReport.last_hours, HourReport.last_at
    ).where(
        HourReport.meter_id == param("meter_id"),
        known(HourReport),
        HourReport.day >= func.coalesce(before.scalar_subquery(), param("first")),
        HourReport.day <= func.coalesce(after.scalar_subquery(), param("last")),
    )


@statement
def _runs() -> Any:
    beside = aliased(RunReading)
    told = (
        beside.meter_id == param("meter_id"),
        beside.meter_to_hours.is_not(None),
        beside.known_until.is_(None),
    )
    begin, end = param("begin"), param("end")
    before = select(func.max(beside.ended_at)).where(*told, beside.ended_at < begin)
    after = select(func.min(beside.ended_at)).where(*told, beside.ended_at > end)
    at = UtcDateTime()
    return select(
        RunReading.meter_from_hours,
        RunReading.began_at,
        RunReading.meter_to_hours,
        RunReading.ended_at,
    ).where(
        RunReading.meter_id == param("meter_id"),
        RunReading.meter_to_hours.is_not(None),
        RunReading.known_until.is_(None),
        RunReading.ended_at >= func.coalesce(before.scalar_subquery(), begin, type_=at),
        RunReading.ended_at <= func.coalesce(after.scalar_subquery(), end, type_=at),
    )
