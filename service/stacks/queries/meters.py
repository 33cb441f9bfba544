"""The hour meters of stacks: what each showed first and last, however that came to be known.

A showing is a person's reading, the first or the newest report of a bench on a day, or the
beginning or end of a run's log. All as known now, or as they were known at ``known_at``.
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.tables import RunReading
from service.stacks.arithmetic.running_hours import Meter, Offset, TotalAt, offsets
from service.stacks.tables import HourMeter, HourReading, HourReport, Moment

AS_COUNTED = (HourReading.hours, HourReading.taken_at, HourReading.id)
"""A meter never counts backwards: in this order its readings stand in time as well."""
REPORTED, RAN = aliased(HourReport), aliased(RunReading)


@dataclass(frozen=True, slots=True)
class Showing:
    """What a meter showed at a time, in h."""

    hours: float
    at: datetime


@dataclass(frozen=True, slots=True)
class MeterNow:
    """One meter of a stack; ``newest`` None where nobody ever read it."""

    id: int
    number: int
    label: str
    fitted_at: datetime
    removed_at: datetime | None
    counted: Meter
    newest: Showing | None


@dataclass(frozen=True, slots=True)
class Meters:
    """The meters of one stack in their order, with what must be added to each one's showing."""

    meters: tuple[MeterNow, ...]
    shifts: tuple[Offset, ...]

    def total(self, meter_id: int, showing: Showing) -> TotalAt:
        """Return the hours of the stack that follow from what a meter showed."""
        shift = self.shift_of(meter_id)
        return TotalAt(showing.at, shift.hours + showing.hours, shift.gaps)

    def shift_of(self, meter_id: int) -> Offset:
        """Return what must be added to this meter's showing."""
        place = next(at for at, meter in enumerate(self.meters) if meter.id == meter_id)
        return self.shifts[place]

    def fitted_at(self, at: datetime) -> MeterNow | None:
        """Return the meter that was fitted at a time; the first one for the time before it."""
        fitted = [meter for meter in self.meters if meter.fitted_at <= at]
        return fitted[-1] if fitted else self.meters[0] if self.meters else None


NO_METERS = Meters((), ())


def meters_of(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, Meters]:
    """Return the meters of these stacks, and what they showed last. One statement.

    Each meter is asked for its first and newest showing only, by index: how often it was read or
    reported makes no difference. Stacks without a meter are not in it.
    """
    rows = session.execute(_meters(known_at is not None), params(known_at, stack_ids=stack_ids))
    meters: dict[int, list[MeterNow]] = defaultdict(list)
    for row in rows:
        newest = _newest(row, known_at)
        last = newest.hours if newest else None
        ended = row.removed is not None
        counted = Meter(row.first, row.removed if ended else last, ended)
        meters[row.stack_id].append(read_as(MeterNow, row, counted=counted, newest=newest))
    return {
        stack_id: Meters(tuple(meter_rows), offsets([meter.counted for meter in meter_rows]))
        for stack_id, meter_rows in meters.items()
    }


def showing_of_report(row: Any, known_at: datetime | None) -> tuple[Showing, ...]:
    """Return the first and the newest report of a day, as far as come in by ``known_at``."""
    first, last = Showing(row.first_hours, row.first_at), Showing(row.last_hours, row.last_at)
    ends = (first,) if first == last else (first, last)
    return (
        ends if known_at is None else tuple(showing for showing in ends if showing.at <= known_at)
    )


def _newest(row: Any, known_at: datetime | None) -> Showing | None:
    """The newest of what people read, a bench reported and a log told."""
    showings = [Showing(row.last, row.last_read_at)] if row.last_read_at is not None else []
    if row.first_at is not None:
        showings += showing_of_report(row, known_at)
    if row.ended_at is not None:
        showings.append(Showing(row.meter_to_hours, row.ended_at))
    return max(showings, key=lambda showing: (showing.hours, showing.at), default=None)


@statement
def _meters(is_then: bool) -> Any:
    at = as_of_param(is_then)

    def showing(column: Any, *conditions: Any, newest: bool) -> Any:
        order = [by.desc() for by in AS_COUNTED] if newest else list(AS_COUNTED)
        return (
            select(column)
            .where(HourReading.meter_id == HourMeter.id, known(HourReading, at), *conditions)
            .order_by(*order)
            .limit(1)
            .correlate(HourMeter)
            .scalar_subquery()
        )

    report, run = aliased(HourReport), aliased(RunReading)
    newest_report = (
        select(report.id)
        .where(report.meter_id == HourMeter.id, known(report, at))
        .order_by(report.day.desc())
        .limit(1)
    )
    newest_run = (
        select(run.id)
        .where(run.meter_id == HourMeter.id, run.meter_to_hours.is_not(None), known(run, at))
        .order_by(run.ended_at.desc(), run.id.desc())
        .limit(1)
    )
    fitted = HourReading.moment == Moment.FITTED
    removed = HourReading.moment == Moment.REMOVED
    return (
        select(
            HourMeter.stack_id,
            showing(HourReading.hours, fitted, newest=False).label("first"),
            showing(HourReading.hours, newest=True).label("last"),
            showing(HourReading.taken_at, newest=True).label("last_read_at"),
            showing(HourReading.hours, removed, newest=True).label("removed"),
            REPORTED.first_hours,
            REPORTED.first_at,
            REPORTED.last_hours,
            REPORTED.last_at,
            RAN.meter_to_hours,
            RAN.ended_at,
            *columns(MeterNow, HourMeter),
        )
        .select_from(HourMeter)
        .outerjoin(REPORTED, REPORTED.id == newest_report.correlate(HourMeter).scalar_subquery())
        .outerjoin(RAN, RAN.id == newest_run.correlate(HourMeter).scalar_subquery())
        .where(HourMeter.stack_id.in_(param_list("stack_ids")))
        .order_by(HourMeter.stack_id, HourMeter.number)
    )
