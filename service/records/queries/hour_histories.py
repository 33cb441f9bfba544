"""All meters and readings of one stack, as known now or at a time."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.records.queries.hours import AS_COUNTED, shifts_of
from service.records.queries.known import known
from service.records.queries.prepared import given, prepared, then, told
from service.records.tables.hours import HourMeter, HourReading, Moment
from service.records.tables.people import Person
from service.trade.running_hours import Hours

WAS = aliased(HourReading)


@dataclass(frozen=True, slots=True)
class Reading:
    """What one meter showed, and the hours of the stack that follow from it."""

    id: int
    meter_number: int
    moment: Moment
    shown: float
    taken_at: datetime
    known_from: datetime
    record_id: int | None
    by: str
    total: float
    """hours of the stack over all its meters, h"""
    at_least: bool
    correction_id: int | None
    was: float | None
    """what it read before it was corrected, h"""


@dataclass(frozen=True, slots=True)
class MeterLife:
    """One meter on one stack."""

    number: int
    label: str
    fitted_at: datetime
    removed_at: datetime | None


@dataclass(frozen=True, slots=True)
class HourHistory:
    """All meters and readings of one stack, newest reading first."""

    meters: tuple[MeterLife, ...]
    readings: tuple[Reading, ...]
    now: Hours
    read_at: datetime | None


def hour_history(
    session: Session, stack_id: int, known_at: datetime | None = None, *, newest: int = 500
) -> HourHistory:
    """Every meter of a stack and its newest readings, each with the hours of the stack it means."""
    rows = session.execute(
        prepared(
            lambda: (
                select(
                    HourReading.id,
                    HourReading.meter_id,
                    HourReading.moment,
                    HourReading.hours,
                    HourReading.taken_at,
                    HourReading.known_from,
                    HourReading.record_id,
                    HourReading.correction_id,
                    Person.name,
                    WAS.hours.label("was"),
                )
                .join(Person, Person.id == HourReading.by_id)
                .outerjoin(WAS, WAS.id == HourReading.replaces_id)
                .where(
                    HourReading.stack_id == given("stack_id"), known(HourReading, then(known_at))
                )
                .order_by(*AS_COUNTED)
            ),
            known_at is not None,
        ),
        told(known_at, stack_id=stack_id),
    ).all()
    meters = session.execute(
        prepared(
            lambda: (
                select(
                    HourMeter.id,
                    HourMeter.number,
                    HourMeter.label,
                    HourMeter.fitted_at,
                    HourMeter.removed_at,
                )
                .where(HourMeter.stack_id == given("stack_id"))
                .order_by(HourMeter.number)
            )
        ),
        {"stack_id": stack_id},
    ).all()
    number = {meter.id: meter.number for meter in meters}
    shifts = shifts_of([meter.id for meter in meters], rows)
    rows = sorted(rows, key=lambda row: number[row.meter_id])
    readings = tuple(
        Reading(
            id=row.id,
            meter_number=number[row.meter_id],
            moment=row.moment,
            shown=row.hours,
            taken_at=row.taken_at,
            known_from=row.known_from,
            record_id=row.record_id,
            by=row.name,
            total=shifts[row.meter_id].hours + row.hours,
            at_least=shifts[row.meter_id].gaps > 0,
            correction_id=row.correction_id,
            was=row.was,
        )
        for row in reversed(rows)
    )
    newest_one = readings[0] if readings else None
    return HourHistory(
        meters=tuple(
            MeterLife(row.number, row.label, row.fitted_at, row.removed_at) for row in meters
        ),
        readings=readings[:newest],
        now=Hours(newest_one.total, newest_one.at_least) if newest_one else Hours(),
        read_at=newest_one.taken_at if newest_one else None,
    )
