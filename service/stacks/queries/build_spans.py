"""The running of each build: its hours from its closing to its opening, by the meter, in h."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, literal, null, select
from sqlalchemy.orm import Session, aliased

from service.platform.arithmetic.dates import span_of
from service.platform.queries.answers import columns, grouped, read_all, read_as
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.runs.tables import RunReading
from service.stacks.arithmetic.running_hours import Hours, TotalAt, hours_between
from service.stacks.queries.meters import AS_COUNTED, Meters, Showing, meters_of, showing_of_report
from service.stacks.queries.release_standing import release_stands
from service.stacks.tables import Build, BuildPeriod, HourReading, HourReport, Moment

NEVER = datetime(9999, 1, 1, tzinfo=UTC)
FIRST_REPORT, LAST_REPORT = aliased(HourReport), aliased(HourReport)
FIRST_RUN, LAST_RUN = aliased(RunReading), aliased(RunReading)


@dataclass(frozen=True, slots=True)
class BuildSpan:
    """One build from its closing to its opening, and the hours it ran.

    ``start`` and ``end`` are the stack's hours as read at the two events; None: nobody read them.
    """

    build_id: int
    stack_id: int
    number: int
    closed_at: datetime
    opened_at: datetime | None
    start: TotalAt | None
    end: TotalAt | None
    ran: Hours


@dataclass(frozen=True, slots=True)
class Spans:
    """The builds of some stacks, and what they were computed from, by stack."""

    builds: dict[int, BuildSpan]
    """by build id"""
    meters: dict[int, Meters]
    read: dict[int, list[TotalAt]]
    """what people read, as hours of the stack, in the order of counting"""


def build_spans(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> Spans:
    """Return hours, begin and end of each build of these stacks. Three statements.

    From the reading at the closing (else at the opening of the same event, else none run yet on
    a first build) to the reading at the next opening (else at the closing of that event), or to
    the newest reading of a build not opened yet. Of what a bench reported and logs told, the
    first and the last in each build are asked for, by index: how many there are in between makes
    no difference.
    """
    periods: Any = session.execute(
        _periods(known_at is not None), params(known_at, stack_ids=stack_ids)
    ).all()
    meters = meters_of(session, stack_ids, known_at)
    totals = _totals(session, stack_ids, meters, known_at)
    builds = {
        period.build_id: _span(
            period,
            totals.get(period.stack_id, _Totals([], {})),
            [
                meters[period.stack_id].total(meter_id, showing)
                for meter_id, showing in _showings(period, known_at)
            ],
        )
        for period in periods
    }
    return Spans(builds, meters, {at: builds_total.in_order for at, builds_total in totals.items()})


def _span(period: Any, read: "_Totals", beside: list[TotalAt]) -> BuildSpan:
    opened_by = period.opened_by_record_id
    start = read.at_record(period.record_id, Moment.CLOSING, Moment.OPENING)
    if start is None and period.kind is RecordKind.FIRST_BUILD and period.number == 1:
        start = TotalAt(period.closed_at, 0.0)
    end = read.at_record(opened_by, Moment.OPENING, Moment.CLOSING) if opened_by else None
    in_order = read.in_order
    if beside:
        in_order = sorted((*in_order, *beside), key=lambda at: (at.total, at.taken_at))
    ran = hours_between(in_order, period.closed_at, period.opened_at, start=start, end=end)
    return read_as(BuildSpan, period, start=start, end=end, ran=ran)


@statement
def _periods(is_then: bool) -> Any:
    """Builds with their periods, and the first and last report and run in each."""
    at = as_of_param(is_then)
    report, run = aliased(HourReport), aliased(RunReading)
    opened_at = func.coalesce(BuildPeriod.opened_at, literal(NEVER, BuildPeriod.closed_at.type))
    reports = select(report.id).where(report.stack_id == BuildPeriod.stack_id, known(report, at))
    first_report = reports.where(
        report.day >= func.date(BuildPeriod.closed_at), report.last_at >= BuildPeriod.closed_at
    ).order_by(report.day, report.first_at)
    last_report = reports.where(
        report.day <= func.date(opened_at), report.first_at <= opened_at
    ).order_by(report.day.desc(), report.first_at.desc())
    runs = select(run.id).where(
        run.build_id == BuildPeriod.build_id, run.meter_to_hours.is_not(None), known(run, at)
    )
    columns = [
        column
        for report_ in (FIRST_REPORT, LAST_REPORT)
        for column in (
            *(report_.meter_id, report_.first_hours, report_.first_at),
            *(report_.last_hours, report_.last_at),
        )
    ] + [
        column
        for run_ in (FIRST_RUN, LAST_RUN)
        for column in (
            *(run_.meter_id, run_.meter_from_hours, run_.began_at),
            *(run_.meter_to_hours, run_.ended_at),
        )
    ]

    def one(statement: Any) -> Any:
        return statement.limit(1).correlate(BuildPeriod).scalar_subquery()

    return (
        select(
            BuildPeriod.build_id,
            BuildPeriod.stack_id,
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
            BuildPeriod.opened_by_record_id,
            Build.record_id,
            Build.number,
            RebuildRecord.kind,
            *columns,
        )
        .select_from(BuildPeriod)
        .join(Build, Build.id == BuildPeriod.build_id)
        .join(RebuildRecord, RebuildRecord.id == Build.record_id)
        .outerjoin(FIRST_REPORT, FIRST_REPORT.id == one(first_report))
        .outerjoin(LAST_REPORT, LAST_REPORT.id == one(last_report))
        .outerjoin(FIRST_RUN, FIRST_RUN.id == one(runs.order_by(run.began_at, run.id)))
        .outerjoin(LAST_RUN, LAST_RUN.id == one(runs.order_by(run.began_at.desc(), run.id)))
        .where(BuildPeriod.stack_id.in_(param_list("stack_ids")), known(BuildPeriod, at))
    )


@dataclass(frozen=True, slots=True)
class _Reported:
    """Two showings of one meter as a row of the table gives them."""

    meter_id: int
    first_hours: float
    first_at: datetime
    last_hours: float
    last_at: datetime


def _showings(row: Any, known_at: datetime | None) -> Iterator[tuple[int, Showing]]:
    """What benches and logs told of a build's period beside what people read."""
    values = row[8:]
    for start in range(0, len(values), 5):
        if values[start] is not None:
            pair = _Reported(*values[start : start + 5])
            is_report = start < 10
            for showing in showing_of_report(pair, known_at if is_report else None):
                yield pair.meter_id, showing


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


@statement
def _readings_as_counted(is_then: bool) -> Any:
    return (
        select(
            HourReading.stack_id,
            HourReading.meter_id,
            HourReading.moment,
            HourReading.hours,
            HourReading.taken_at,
            HourReading.record_id,
        )
        .where(
            HourReading.stack_id.in_(param_list("stack_ids")),
            known(HourReading, as_of_param(is_then)),
        )
        .order_by(*AS_COUNTED)
    )


def _totals(
    session: Session,
    stack_ids: Collection[int],
    meters: dict[int, Meters],
    known_at: datetime | None,
) -> dict[int, _Totals]:
    """What people read of these stacks, as hours of the stack. One statement."""
    rows = session.execute(
        _readings_as_counted(known_at is not None), params(known_at, stack_ids=stack_ids)
    )
    answer = {}
    for stack_id, readings in grouped(rows, "stack_id").items():
        place = {meter.id: at for at, meter in enumerate(meters[stack_id].meters)}
        readings.sort(key=lambda row: place[row.meter_id])
        at = [
            meters[stack_id].total(row.meter_id, Showing(row.hours, row.taken_at))
            for row in readings
        ]
        by_record = {
            (row.record_id, row.moment): total
            for row, total in zip(readings, at, strict=True)
            if row.record_id is not None
        }
        answer[stack_id] = _Totals(at, by_record)
    return answer


# The builds of a stack: when each was closed and opened, and by which record.


RELEASED = "released"


NOT_RELEASED = "not released"


@dataclass(frozen=True, slots=True)
class BuildFacts:
    """One build of a stack: when it was closed and opened, and the record that made it."""

    build_id: int
    number: int
    closed_at: datetime
    opened_at: datetime | None
    opened_by_record_id: int | None
    record_id: int
    record_kind: RecordKind
    record_state: RecordState
    known_from: datetime
    correction_id: int | None
    release_stands: bool
    """released and nothing done to it since; of a build opened since: it stood so then"""

    @property
    def is_present(self) -> bool:
        """Say whether the stack has not been opened since."""
        return self.opened_at is None

    @property
    def state(self) -> str:
        """Say whether the build was released to be run, and nothing was done to it since."""
        return RELEASED if self.release_stands else NOT_RELEASED


@dataclass(frozen=True, slots=True)
class OpenSpan:
    """A time in which a stack lay open; ``until_at`` None: it lies open still."""

    from_at: datetime
    until_at: datetime | None

    def hours_within(self, begin: datetime, end: datetime) -> float:
        """Return how much of a stretch of time the stack lay open for certain, in h."""
        until = span_of(self.until_at).begins if self.until_at else end
        least, most = max(begin, span_of(self.from_at).until), min(end, until)
        return max(0.0, (most - least).total_seconds() / 3600)


PERIODS = (
    select(BuildPeriod.closed_at, BuildPeriod.opened_at)
    .where(BuildPeriod.stack_id == param("stack_id"), known(BuildPeriod))
    .order_by(BuildPeriod.closed_at)
)
BEING_WRITTEN = select(RebuildRecord.opened_at, RebuildRecord.closed_at).where(
    RebuildRecord.stack_id == param("stack_id"),
    RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
    RebuildRecord.opened_at.is_not(None),
)


def open_spans(session: Session, stack_id: int) -> tuple[OpenSpan, ...]:
    """Return when a stack lay open, as known now and as being written. Two statements."""
    periods = session.execute(PERIODS, {"stack_id": stack_id}).all()
    closings = [*(period.closed_at for period in periods), None][1:]
    spans = [
        OpenSpan(period.opened_at, closed_again)
        for period, closed_again in zip(periods, closings, strict=True)
        if period.opened_at is not None
    ]
    written = session.execute(BEING_WRITTEN, {"stack_id": stack_id}).first()
    if written is not None:
        spans = [span for span in spans if span.from_at != written.opened_at]
        spans.append(OpenSpan(written.opened_at, written.closed_at))
    return tuple(spans)


@statement
def _builds(is_then: bool) -> Any:
    return (
        select(
            *columns(
                BuildFacts,
                Build,
                BuildPeriod,
                build_id=Build.id,
                record_kind=RebuildRecord.kind,
                record_state=RebuildRecord.state,
                release_stands=release_stands(until=as_of_param(is_then)),
            )
        )
        .join(Build, Build.id == BuildPeriod.build_id)
        .join(RebuildRecord, RebuildRecord.id == Build.record_id)
        .where(BuildPeriod.stack_id == param("stack_id"), known(BuildPeriod, as_of_param(is_then)))
        .order_by(BuildPeriod.closed_at, Build.number)
    )


def builds_of(
    session: Session, stack_id: int, known_at: datetime | None = None
) -> tuple[BuildFacts, ...]:
    """Return every build of a stack in their order, as known now or at a time."""
    rows: Any = session.execute(_builds(known_at is not None), params(known_at, stack_id=stack_id))
    return read_all(BuildFacts, rows)


@statement
def _waiting_build() -> Any:
    return (
        select(
            *columns(
                BuildFacts,
                Build,
                BuildPeriod,
                build_id=Build.id,
                closed_at=RebuildRecord.closed_at,
                record_id=RebuildRecord.id,
                record_kind=RebuildRecord.kind,
                record_state=RebuildRecord.state,
                known_from=RebuildRecord.handed_in_at,
                correction_id=null(),
                release_stands=literal(value=False),
            )
        )
        .join(RebuildRecord, RebuildRecord.id == Build.record_id)
        .join(
            BuildPeriod, (BuildPeriod.build_id == RebuildRecord.base_build_id) & known(BuildPeriod)
        )
        .where(
            Build.stack_id == param("stack_id"),
            Build.number == param("number"),
            RebuildRecord.state == RecordState.HANDED_IN,
        )
    )


def waiting_build(session: Session, stack_id: int, number: int) -> BuildFacts | None:
    """Return a build before a later opening, whose record waits to be approved. One statement."""
    row = session.execute(_waiting_build(), {"stack_id": stack_id, "number": number}).first()
    return read_as(BuildFacts, row) if row else None
