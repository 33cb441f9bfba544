"""Operating hours of stacks, builds and parts: derived from readings, never stored.

All answers are as known now, or as they were known at ``known_at``; hours are in h.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import select, union
from sqlalchemy.orm import Session

from service.records.queries.known import known
from service.records.queries.prepared import KNOWN_AT, given_all, prepared, then, told
from service.records.tables.hours import HourMeter, HourReading, Moment
from service.records.tables.parts import Part
from service.records.tables.rebuild_records import RebuildRecord, RecordKind
from service.records.tables.stacks import Build, BuildPeriod, Fixing, Layer
from service.trade.running_hours import Hours, Meter, TotalAt, hours_between, offsets

AS_COUNTED = (HourReading.hours, HourReading.taken_at, HourReading.id)
"""A meter never counts backwards: in this order its readings stand in time as well."""


@dataclass(frozen=True, slots=True)
class StackHours:
    """Hours of a stack at its newest reading; None where it was never read."""

    hours: Hours
    read_at: datetime | None
    has_meter: bool


@dataclass(frozen=True, slots=True)
class PartHours:
    """Hours of a part: those it came with and those in each build."""

    before: float
    in_builds: dict[int, Hours]

    @property
    def total(self) -> Hours:
        """All hours of the part."""
        return sum(self.in_builds.values(), Hours(self.before))


def stack_hours(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, StackHours]:
    """Which hours has each of these stacks run, at its newest reading? Two statements."""
    meters, last = _newest(session, stack_ids, known_at)
    answer = {}
    for stack_id in stack_ids:
        own = meters.get(stack_id, [])
        shifts = offsets([meter for _, meter, _ in own])
        read = [
            (shift, meter, last[meter_id])
            for shift, (meter_id, meter, _) in zip(shifts, own, strict=True)
            if meter_id in last
        ]
        if not read:
            answer[stack_id] = StackHours(Hours(), None, bool(own))
            continue
        shift, meter, at = read[-1]
        hours = Hours(shift.hours + (meter.last or 0.0), shift.gaps > 0)
        answer[stack_id] = StackHours(hours, at, own[-1][2] is None)
    return answer


@cache
def _newest_statement(is_then: bool) -> Any:
    at = KNOWN_AT if is_then else None

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

    fitted = HourReading.moment == Moment.FITTED
    removed = HourReading.moment == Moment.REMOVED
    return (
        select(
            HourMeter.id,
            HourMeter.stack_id,
            HourMeter.removed_at,
            showing(HourReading.hours, fitted, newest=False).label("first"),
            showing(HourReading.hours, newest=True).label("last"),
            showing(HourReading.taken_at, newest=True).label("last_at"),
            showing(HourReading.hours, removed, newest=True).label("removed"),
        )
        .where(HourMeter.stack_id.in_(given_all("stack_ids")))
        .order_by(HourMeter.stack_id, HourMeter.number)
    )


def _newest(
    session: Session, stack_ids: Collection[int], known_at: datetime | None
) -> tuple[dict[int, list[tuple[int, Meter, datetime | None]]], dict[int, datetime]]:
    """For each stack its meters with first and newest showing; for each meter when last read."""

    rows = session.execute(
        _newest_statement(known_at is not None), told(known_at, stack_ids=stack_ids)
    )
    meters: dict[int, list[tuple[int, Meter, datetime | None]]] = defaultdict(list)
    last = {}
    for row in rows:
        ended = row.removed is not None
        meter = Meter(row.first, row.removed if ended else row.last, ended)
        meters[row.stack_id].append((row.id, meter, row.removed_at))
        if row.last_at is not None:
            last[row.id] = row.last_at
    return meters, last


def shifts_of(meter_ids: Sequence[int], rows: Iterable[Any]) -> dict[int, Any]:
    """For each meter of one stack, in their order, what must be added to its showing."""
    by_meter: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        by_meter[row.meter_id].append(row)
    meters = []
    for meter_id in meter_ids:
        own = by_meter[meter_id]
        first = next((row.hours for row in own if row.moment is Moment.FITTED), None)
        removed = next((row.hours for row in own if row.moment is Moment.REMOVED), None)
        last = removed if removed is not None else own[-1].hours if own else None
        meters.append(Meter(first, last, removed is not None))
    return dict(zip(meter_ids, offsets(meters), strict=True))


def build_hours(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, Hours]:
    """How many hours did each build of these stacks run? By build id; three statements.

    From the reading at the closing (else at the opening of the same event, else none run yet on
    a first build) to the reading at the next opening (else at the closing of that event), or to
    the newest reading of a build not opened yet.
    """
    periods = session.execute(
        prepared(
            lambda: (
                select(
                    BuildPeriod.build_id,
                    BuildPeriod.stack_id,
                    BuildPeriod.closed_at,
                    BuildPeriod.opened_at,
                    BuildPeriod.opened_by_record_id,
                    Build.record_id,
                    Build.number,
                    RebuildRecord.kind,
                )
                .join(Build, Build.id == BuildPeriod.build_id)
                .join(RebuildRecord, RebuildRecord.id == Build.record_id)
                .where(
                    BuildPeriod.stack_id.in_(given_all("stack_ids")),
                    known(BuildPeriod, then(known_at)),
                )
            ),
            known_at is not None,
        ),
        told(known_at, stack_ids=stack_ids),
    ).all()
    totals = _totals(session, stack_ids, known_at)
    answer = {}
    for period in periods:
        of_stack = totals.get(period.stack_id, _Totals([], {}))
        opened_by = period.opened_by_record_id
        start = of_stack.at_record(period.record_id, Moment.CLOSING, Moment.OPENING)
        if start is None and period.kind is RecordKind.FIRST_BUILD and period.number == 1:
            start = TotalAt(period.closed_at, 0.0)
        end = opened_by and of_stack.at_record(opened_by, Moment.OPENING, Moment.CLOSING)
        answer[period.build_id] = hours_between(
            of_stack.in_order, period.closed_at, period.opened_at, start=start, end=end or None
        )
    return answer


@dataclass(frozen=True, slots=True)
class _Totals:
    in_order: list[TotalAt]
    by_record: dict[tuple[int, Moment], TotalAt]

    def at_record(self, record_id: int, *moments: Moment) -> TotalAt | None:
        """What was read in an event at the first of these moments that anybody read."""
        return next(
            (
                self.by_record[record_id, moment]
                for moment in moments
                if (record_id, moment) in self.by_record
            ),
            None,
        )


def _totals(
    session: Session, stack_ids: Collection[int], known_at: datetime | None
) -> dict[int, _Totals]:
    meters: dict[int, list[int]] = defaultdict(list)
    for meter in session.execute(
        prepared(
            lambda: (
                select(HourMeter.id, HourMeter.stack_id)
                .where(HourMeter.stack_id.in_(given_all("stack_ids")))
                .order_by(HourMeter.stack_id, HourMeter.number)
            )
        ),
        told(None, stack_ids=stack_ids),
    ):
        meters[meter.stack_id].append(meter.id)
    rows: dict[int, list[Any]] = defaultdict(list)
    for row in session.execute(
        prepared(
            lambda: (
                select(
                    HourReading.stack_id,
                    HourReading.meter_id,
                    HourReading.moment,
                    HourReading.hours,
                    HourReading.taken_at,
                    HourReading.record_id,
                )
                .where(
                    HourReading.stack_id.in_(given_all("stack_ids")),
                    known(HourReading, then(known_at)),
                )
                .order_by(*AS_COUNTED)
            ),
            known_at is not None,
        ),
        told(known_at, stack_ids=stack_ids),
    ):
        rows[row.stack_id].append(row)
    answer = {}
    for stack_id, own in rows.items():
        shifts = shifts_of(meters[stack_id], own)
        place = {meter_id: at for at, meter_id in enumerate(meters[stack_id])}
        own.sort(key=lambda row: place[row.meter_id])
        at = [
            TotalAt(row.taken_at, shifts[row.meter_id].hours + row.hours, shifts[row.meter_id].gaps)
            for row in own
        ]
        by_record = {
            (row.record_id, row.moment): total
            for row, total in zip(own, at, strict=True)
            if row.record_id is not None
        }
        answer[stack_id] = _Totals(at, by_record)
    return answer


def part_hours(
    session: Session, part_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, PartHours]:
    """How many hours has each of these parts run, over stacks, builds and meters?

    Six statements, however many parts and builds; a part in no build has the hours it came with.
    """
    before = dict(
        session.execute(select(Part.id, Part.hours_before).where(Part.id.in_(part_ids))).all()
    )
    sat = union(
        select(Layer.part_id, Layer.build_id).where(
            Layer.part_id.in_(part_ids), known(Layer, known_at)
        ),
        select(Fixing.part_id, Fixing.build_id).where(
            Fixing.part_id.in_(part_ids), known(Fixing, known_at)
        ),
    ).subquery()
    rows = session.execute(
        select(sat.c.part_id, sat.c.build_id, Build.stack_id).join(
            Build, Build.id == sat.c.build_id
        )
    ).all()
    in_build = build_hours(session, {row.stack_id for row in rows}, known_at)
    builds: dict[int, dict[int, Hours]] = {part_id: {} for part_id in before}
    for row in rows:
        if row.build_id in in_build:
            builds[row.part_id][row.build_id] = in_build[row.build_id]
    return {part_id: PartHours(hours, builds[part_id]) for part_id, hours in before.items()}
