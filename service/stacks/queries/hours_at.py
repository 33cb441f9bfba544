"""The hours of a stack, and of a part, at any time: between what meters showed, in proportion.

All answers are as known now, or as they were known at ``known_at``; hours are in h.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from itertools import accumulate
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.queries.as_of import known
from service.platform.queries.prepared import as_of_param, param_list, params, statement
from service.runs.tables import RunReading
from service.stacks.arithmetic.part_hours import Stretch
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import BuildSpan, Spans, build_spans
from service.stacks.queries.meters import NO_METERS, Meters, Showing, showing_of_report
from service.stacks.tables.hours import HourReport


@dataclass(frozen=True, slots=True)
class TotalOverTime:
    """The hours of one stack over time, over all its meters.

    ``times`` rise, and ``totals`` never fall; between two of them hours are taken as run evenly.
    """

    times: tuple[datetime, ...]
    totals: tuple[float, ...]
    meters: Meters

    def at(self, time: datetime, meter_hours: float | None = None) -> Hours:
        """The stack's hours at a time; with ``meter_hours`` those that showing means.

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
        """The stretches between showings from one time to another, with the hours in each."""
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


def stack_total_at(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, TotalOverTime]:
    """Which hours had each of these stacks at any time? Five statements."""
    running = stacks_running(session, stack_ids, known_at)
    return {stack_id: one.total for stack_id, one in running.items()}


def stacks_running(
    session: Session, stack_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, StackRunning]:
    """The builds of these stacks and their hours over time. Five statements."""
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
    spans: Spans,
    stack_id: int,
    builds: dict[int, BuildSpan],
    beside: list[tuple[int, Showing]],
) -> TotalOverTime:
    meters = spans.meters.get(stack_id, NO_METERS)
    points = [(at.taken_at, at.total) for at in spans.read.get(stack_id, [])]
    for meter_id, shown in beside:
        at = meters.total(meter_id, shown)
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
    found: dict[int, list[tuple[int, Showing]]] = defaultdict(list)
    values = params(known_at, stack_ids=stack_ids)
    reports: Any = session.execute(_reports(known_at is not None), values)
    for row in reports:
        found[row.stack_id] += [(row.meter_id, at) for at in showing_of_report(row, known_at)]
    runs: Any = session.execute(_runs(known_at is not None), values)
    for row in runs:
        found[row.stack_id] += [
            (row.meter_id, Showing(row.meter_from_hours, row.began_at)),
            (row.meter_id, Showing(row.meter_to_hours, row.ended_at)),
        ]
    return found


@statement
def _reports(is_then: bool) -> Any:
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
def _runs(is_then: bool) -> Any:
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
