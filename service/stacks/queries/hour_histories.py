"""All meters and readings of one stack, as known now or at a time.

What a bench reports is told by the day: a row has its first and newest showing and their count.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import accumulate
from operator import itemgetter
from typing import Any

from sqlalchemy import literal, or_, select, tuple_
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.queries.answers import columns, fields_of, read_all
from service.platform.queries.lists import FIRST, Listing, Turn, cut, values_in
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.runs.tables import RunReading
from service.stacks.arithmetic.part_hours import Stretch
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import BuildSpan, Spans, build_spans
from service.stacks.queries.hours import hours_now
from service.stacks.queries.meters import NO_METERS, Meters, Showing, meters_of, showing_of_report
from service.stacks.tables import HourReading, HourReport

WAS = aliased(HourReading)
BY_A_BENCH = "reported by a bench"
BY_A_LOG = "at the end of a log"
READ, REPORTED, LOGGED = range(3)
"""Where a reading comes from, in the order of those of one meter at one time."""
Key = tuple[datetime, int, int, int]
"""Time, meter, where it comes from and row: the place of one reading in the history."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one meter showed, and the hours of the stack that follow from it.

    ``moment`` is the moment of a person's reading, `BY_A_BENCH` or `BY_A_LOG`; of the last two,
    ``first_shown`` and ``first_at`` tell what stood at the day's first report, or the log's
    beginning.
    """

    id: int
    meter_number: int
    moment: str
    shown: float
    taken_at: datetime
    known_from: datetime
    by: str
    total: float
    """hours of the stack over all its meters, h"""
    at_least: bool
    record_id: int | None = None
    correction_id: int | None = None
    was: float | None = None
    """what it read before it was corrected, h"""
    first_shown: float | None = None
    first_at: datetime | None = None
    report_count: int = 0
    run_id: int | None = None


@dataclass(frozen=True, slots=True)
class MeterLife:
    """One meter on one stack."""

    number: int
    label: str
    fitted_at: datetime
    removed_at: datetime | None


@dataclass(frozen=True, slots=True)
class HourHistory:
    """All meters of one stack, and a page of its readings, newest first."""

    meters: tuple[MeterLife, ...]
    readings: Listing[Reading]
    now: Hours
    read_at: datetime | None


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A day's reports which were taken back, in h as the meter was said to show."""

    day: date
    first_hours: float
    last_hours: float
    taken_back_at: datetime
    reason: str


TAKEN_BACK = (
    select(
        *columns(
            TakenBack,
            HourReport,
            taken_back_at=HourReport.known_until,
            reason=HourReport.taken_back_because,
        )
    )
    .where(HourReport.stack_id == param("stack_id"), HourReport.known_until.is_not(None))
    .order_by(HourReport.day.desc(), HourReport.id.desc())
)


def reports_taken_back(session: Session, stack_id: int) -> tuple[TakenBack, ...]:
    """Return days whose reports of a stack were taken back, the newest first. One statement."""
    rows: Any = session.execute(TAKEN_BACK, {"stack_id": stack_id})
    return read_all(TakenBack, rows)


def hour_history(
    session: Session, stack_id: int, as_of: AsOf = PRESENT, turn: Turn = FIRST
) -> HourHistory:
    """Return every meter of a stack and a page of its readings, each as hours of the stack.

    Four statements, each of at most the rows of a page found by index, however often the meter was
    read or reported; nine where a date is asked for.
    """
    known_at, on = as_of.known_at, as_of.on
    meters = meters_of(session, [stack_id], known_at).get(stack_id, NO_METERS)
    number = {meter.id: meter.number for meter in meters.meters}
    values = params(known_at, stack_id=stack_id, most=turn.limit + 1)
    if on is not None:
        values["on"] = on
    if turn.cursor:
        place = values_in(turn.cursor, [datetime, int, int, int])
        values |= zip(("at", "meter_id", "source", "id"), place, strict=True)
    reported_by = min(filter(None, (known_at, on)), default=None)
    variant = (known_at is not None, bool(turn.cursor), turn.is_back, on is not None)

    def keyed(
        source: int, statement: Any, facts: Callable[[Any], dict[str, Any]]
    ) -> Iterator[tuple[Key, Reading]]:
        for row in session.execute(statement(*variant), values):
            reading = _reading(row, meters, **facts(row))
            yield (reading.taken_at, row.meter_id, source, row.id), reading

    readings = [
        *keyed(READ, _readings, lambda _row: {}),
        *keyed(
            REPORTED,
            _reports,
            lambda row: _reported(row, reported_by),
        ),
        *keyed(LOGGED, _runs, lambda _row: {"moment": BY_A_LOG}),
    ]
    page = cut(sorted(readings, key=itemgetter(0), reverse=not turn.is_back), turn, itemgetter(0))
    now = hours_now(meters)
    hours, read_at = now.hours, now.read_at
    if on is not None:
        total = stacks_running(session, [stack_id], known_at)[stack_id].total
        hours = total.at(on)
        read_at = max((time for time in total.times if time <= on), default=None)
    return HourHistory(
        meters=tuple(
            MeterLife(number[meter.id], meter.label, meter.fitted_at, _until(meter.removed_at, on))
            for meter in meters.meters
            if on is None or meter.fitted_at <= on
        ),
        readings=page.of(reading for _key, reading in page.rows),
        now=hours,
        read_at=read_at,
    )


def _until(ended_at: datetime | None, on: datetime | None) -> datetime | None:
    """When something had ended by a date; None: it had not."""
    return None if ended_at is not None and on is not None and ended_at > on else ended_at


def _reported(row: Any, known_at: datetime | None) -> dict[str, Any]:
    showings = showing_of_report(row, known_at)
    first, last = showings[0], showings[-1]
    return {
        "moment": BY_A_BENCH,
        "shown": last.hours,
        "taken_at": last.at,
        "known_from": last.at,
        "first_shown": first.hours,
        "first_at": first.at,
    }


def _reading(row: Any, meters: Meters, **more_facts: Any) -> Reading:
    """Return the reading a row tells, with the hours of the stack it means."""
    columns_read = row._mapping
    facts = {name: columns_read[name] for name in fields_of(Reading) if name in columns_read}
    facts |= more_facts
    shift = meters.shift_of(row.meter_id)
    return Reading(
        meter_number=next(meter.number for meter in meters.meters if meter.id == row.meter_id),
        total=shift.hours + facts["shown"],
        at_least=shift.gaps > 0,
        **facts,
    )


def _page(
    rows_statement: Any,
    table: Any,
    source: int,
    at: Any,
    *,
    by: Any,
    has_place: bool,
    is_back: bool,
    is_on: bool,
) -> Any:
    """Return a statement of readings from the place of its page on.

    ``by`` is indexed and rises with ``at``, the time of the key.
    """
    if is_on:
        begun_at = HourReport.first_at if table is HourReport else at
        rows_statement = rows_statement.where(begun_at <= param("on"))
    if has_place:
        key = tuple_(table.meter_id, literal(source), table.id)
        place = tuple_(param("meter_id"), param("source"), param("id"))
        rows_statement = rows_statement.where(
            at >= param("at") if is_back else at <= param("at"),
            or_(at != param("at"), key > place if is_back else key < place),
        )
    order = [
        column.asc() if is_back else column.desc()
        for column in dict.fromkeys((by, at, table.meter_id, table.id))
    ]
    return rows_statement.order_by(*order).limit(param("most"))


@statement
def _readings(is_then: bool, has_place: bool, is_back: bool, is_on: bool) -> Any:
    readings = (
        select(
            HourReading.meter_id,
            *columns(Reading, HourReading, shown=HourReading.hours, by=Person.name, was=WAS.hours),
        )
        .join(Person, Person.id == HourReading.by_id)
        .outerjoin(WAS, WAS.id == HourReading.replaces_id)
        .where(HourReading.stack_id == param("stack_id"), known(HourReading, as_of_param(is_then)))
    )
    at, by = HourReading.taken_at, HourReading.taken_at
    return _page(
        readings, HourReading, READ, at, by=by, has_place=has_place, is_back=is_back, is_on=is_on
    )


@statement
def _reports(is_then: bool, has_place: bool, is_back: bool, is_on: bool) -> Any:
    reports = (
        select(
            HourReport.id,
            HourReport.meter_id,
            HourReport.first_hours,
            HourReport.first_at,
            HourReport.last_hours,
            HourReport.last_at,
            HourReport.report_count,
            Person.name.label("by"),
        )
        .join(Person, Person.id == HourReport.by_id)
        .where(HourReport.stack_id == param("stack_id"), known(HourReport, as_of_param(is_then)))
    )
    at, by = HourReport.last_at, HourReport.day
    return _page(
        reports, HourReport, REPORTED, at, by=by, has_place=has_place, is_back=is_back, is_on=is_on
    )


@statement
def _runs(is_then: bool, has_place: bool, is_back: bool, is_on: bool) -> Any:
    logs = (
        select(
            RunReading.meter_id,
            *columns(
                Reading,
                RunReading,
                shown=RunReading.meter_to_hours,
                taken_at=RunReading.ended_at,
                by=Person.name,
                first_shown=RunReading.meter_from_hours,
                first_at=RunReading.began_at,
            ),
        )
        .join(Person, Person.id == RunReading.by_id)
        .where(
            RunReading.stack_id == param("stack_id"),
            RunReading.meter_to_hours.is_not(None),
            known(RunReading, as_of_param(is_then)),
        )
    )
    at, by = RunReading.ended_at, RunReading.began_at
    return _page(
        logs, RunReading, LOGGED, at, by=by, has_place=has_place, is_back=is_back, is_on=is_on
    )


# The hours of a stack, and of a part, at any time: between what meters showed, in proportion.
#
# All answers are as known now, or as they were known at ``known_at``; hours are in h.


@dataclass(frozen=True, slots=True)
class TotalOverTime:
    """The hours of one stack over time, over all its meters.

    ``times`` rise, and ``totals`` never fall; between two of them hours are taken as run evenly.
    """

    times: tuple[datetime, ...]
    totals: tuple[float, ...]
    meters: Meters

    def at(self, time: datetime, meter_hours: float | None = None) -> Hours:
        """Return the stack's hours at a time; with ``meter_hours`` those that showing means.

        Before the first showing they are those of the first; after the last they are at least
        those of the last.
        """
        if meter_hours is not None and (meter := self.meters.fitted_at(time)) is not None:
            shift = self.meters.shift_of(meter.id)
            return Hours(shift.hours + meter_hours, shift.gaps > 0)
        place = bisect_right(self.times, time)
        if not self.times:
            return Hours(0.0, at_least=True)
        if place == 0:
            return Hours(self.totals[0])
        if place == len(self.times):
            return Hours(self.totals[-1], at_least=time > self.times[-1])
        begin, end = self.times[place - 1], self.times[place]
        share = (time - begin) / (end - begin)
        low, high = self.totals[place - 1], self.totals[place]
        return Hours(low + share * (high - low))

    def stretches(self, begin: datetime, end: datetime) -> tuple[Stretch, ...]:
        """Return stretches between showings from one time to another, with the hours in each."""
        inside = [time for time in self.times if begin < time < end]
        cuts = [begin, *dict.fromkeys(inside), end]
        total = [self.at(cut).hours for cut in cuts]
        return tuple(
            Stretch(cuts[at], cuts[at + 1], total[at + 1] - total[at], total[at + 1] - total[at])
            for at in range(len(cuts) - 1)
        )


NEVER_READ = TotalOverTime((), (), NO_METERS)


@dataclass(frozen=True, slots=True)
class StackRunning:
    """The builds of one stack with their hours, and its hours over time."""

    builds: dict[int, BuildSpan]
    total: TotalOverTime


def spans_as_of(
    session: Session, stack_ids: Collection[int], as_of: AsOf
) -> tuple[dict[int, BuildSpan], dict[int, TotalOverTime]]:
    """Return the builds of these stacks with their hours; with a date also hours over time.

    On a date, builds closed later are left out, and one not opened by then has run what its stack
    had run by then: between two showings in proportion. Three statements; five with a date.
    """
    if as_of.on is None:
        return build_spans(session, stack_ids, as_of.known_at).builds, {}
    running = stacks_running(session, stack_ids, as_of.known_at)
    totals = {stack_id: stack_running.total for stack_id, stack_running in running.items()}
    spans = {
        build_id: _span_on(span, totals[span.stack_id], as_of.on)
        for stack_running in running.values()
        for build_id, span in stack_running.builds.items()
        if span.closed_at <= as_of.on
    }
    return spans, totals


def _span_on(span: BuildSpan, total: TotalOverTime, on: datetime) -> BuildSpan:
    if span.opened_at is not None and span.opened_at <= on:
        return span
    start = total.at(span.closed_at).hours if span.start is None else span.start.total
    by_then = total.at(on)
    ran = Hours(max(0.0, by_then.hours - start), span.start is None or by_then.at_least)
    return replace(span, opened_at=None, end=None, ran=ran)


def stack_total_at(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, TotalOverTime]:
    """Return the hours each of these stacks had at any time. Five statements."""
    running = stacks_running(session, stack_ids, known_at)
    return {stack_id: totals.total for stack_id, totals in running.items()}


def stacks_running(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, StackRunning]:
    """Return the builds of these stacks and their hours over time. Five statements."""
    spans = build_spans(session, stack_ids, known_at)
    beside = _beside(session, stack_ids, known_at)
    of_stack: dict[int, dict[int, BuildSpan]] = defaultdict(dict)
    for build_id, span in spans.builds.items():
        of_stack[span.stack_id][build_id] = span
    return {
        stack_id: StackRunning(
            of_stack[stack_id],
            _over_time(spans, stack_id, of_stack[stack_id], beside.get(stack_id, [])),
        )
        for stack_id in stack_ids
    }


def _over_time(
    spans: Spans, stack_id: int, builds: dict[int, BuildSpan], beside: list[tuple[int, Showing]]
) -> TotalOverTime:
    meters = spans.meters.get(stack_id, NO_METERS)
    points = [(at.taken_at, at.total) for at in spans.read.get(stack_id, [])]
    for meter_id, showing in beside:
        at = meters.total(meter_id, showing)
        points.append((at.taken_at, at.total))
    for span in builds.values():
        # nothing runs while the stack stands open: what was read once holds at both its ends
        if span.start is not None:
            points.append((span.closed_at, span.start.total))
        if span.end is not None and span.opened_at is not None:
            points.append((span.opened_at, span.end.total))
    points.sort()
    highest = accumulate((total for _, total in points), max)
    return TotalOverTime(tuple(time for time, _ in points), tuple(highest), meters)


def _beside(
    session: Session, stack_ids: Collection[int], known_at: datetime | None
) -> dict[int, list[tuple[int, Showing]]]:
    """What benches reported, two showings a day, and what logs told, beside people's readings."""
    showings: dict[int, list[tuple[int, Showing]]] = defaultdict(list)
    values = params(known_at, stack_ids=stack_ids)
    reports: Any = session.execute(_reports_by_time(known_at is not None), values)
    for row in reports:
        showings[row.stack_id] += [(row.meter_id, at) for at in showing_of_report(row, known_at)]
    runs: Any = session.execute(_runs_by_time(known_at is not None), values)
    for row in runs:
        showings[row.stack_id] += [
            (row.meter_id, Showing(row.meter_from_hours, row.began_at)),
            (row.meter_id, Showing(row.meter_to_hours, row.ended_at)),
        ]
    return showings


@statement
def _reports_by_time(is_then: bool) -> Any:
    return select(
        HourReport.stack_id,
        HourReport.meter_id,
        HourReport.first_hours,
        HourReport.first_at,
        HourReport.last_hours,
        HourReport.last_at,
    ).where(
        HourReport.stack_id.in_(param_list("stack_ids")), known(HourReport, as_of_param(is_then))
    )


@statement
def _runs_by_time(is_then: bool) -> Any:
    return select(
        RunReading.stack_id,
        RunReading.meter_id,
        RunReading.meter_from_hours,
        RunReading.began_at,
        RunReading.meter_to_hours,
        RunReading.ended_at,
    ).where(
        RunReading.stack_id.in_(param_list("stack_ids")),
        RunReading.meter_to_hours.is_not(None),
        known(RunReading, as_of_param(is_then)),
    )
