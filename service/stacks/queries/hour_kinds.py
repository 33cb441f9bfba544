"""Hours kept apart: at load, gas-exposed and calendar, of builds, stacks and parts.

Where no log was read, the hours of the meter count as run at load and with gas. Where one was,
its hours at load and with gas stand in place of what the meter counted meanwhile; gas that was
not recorded is taken for the recorded time. A blank or bridged cell has gas and no load. All
answers are as known now, or as they were known at ``known_at``; hours are in h.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Any

from sqlalchemy import literal, select, union
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import PRESENT, AsOf, hours_between
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.tables import RunReading
from service.stacks.arithmetic import part_hours as trade
from service.stacks.arithmetic.part_hours import PartHours, Stay, Stretch
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import BuildSpan
from service.stacks.queries.cell_bridges import KnownBridge, blank_cells, bridges_of_builds
from service.stacks.queries.hour_histories import (
    NEVER_READ,
    TotalOverTime,
    spans_as_of,
    stack_total_at,
)
from service.stacks.tables import Build, Fixing, Layer
from service.store.tables import Part

LEAST_SAID_H = 0.05


@dataclass(frozen=True, slots=True)
class Logged:
    """What one log told of a build: hours at load and with gas, starts and stops."""

    began_at: datetime
    ended_at: datetime
    load_hours: float
    gas_hours: float
    starts: int
    stops: int


@dataclass(frozen=True, slots=True)
class BuildKinds:
    """The hours of one build, each kind apart, and what became of them cell by cell."""

    span: BuildSpan
    at_load: Hours
    gas_exposed: Hours
    logs: tuple[Logged, ...]
    stretches: tuple[Stretch, ...]
    blank: frozenset[int]
    bridges: tuple[KnownBridge, ...]

    @property
    def set_apart(self) -> tuple[tuple[int, str], ...]:
        """Cells which carry or carried less than the stack, each with why."""
        bridged = {bridge.cell for bridge in self.bridges} - self.blank
        return tuple(
            sorted([*((cell, "blank") for cell in self.blank), *((c, "bridged") for c in bridged)])
        )

    @property
    def bridged_now(self) -> tuple[KnownBridge, ...]:
        """Bridges that stand still, where the build was not opened."""
        if self.span.opened_at is not None:
            return ()
        return tuple(bridge for bridge in self.bridges if bridge.until_at is None)

    def of(self, cell: int | None, now: datetime) -> PartHours:
        """Return the hours of what sat in a cell.

        Of the stack, and parts outside the cells, for None.
        """
        span = self.span
        stay = Stay(span.closed_at, span.opened_at, cell, cell in self.blank)
        calendar_h = hours_between(span.closed_at, max(span.opened_at or now, span.closed_at))
        if stay.blank:
            return PartHours(Hours(0.0), self.gas_exposed, calendar_h, self.at_load)
        bridges = [bridge.as_bridge for bridge in self.bridges if bridge.cell == cell]
        if not bridges:
            return PartHours(self.at_load, self.gas_exposed, calendar_h)
        hours = trade.part_hours(stay, self.stretches, bridges, max(now, span.closed_at))
        out = min(hours.out_of_load.hours, self.at_load.hours)
        at_load = Hours(self.at_load.hours - out, self.at_load.at_least)
        return PartHours(at_load, self.gas_exposed, calendar_h, Hours(out), hours.shared)


@dataclass(frozen=True, slots=True)
class PartKinds:
    """The hours of one part, each kind apart: in each build, and all together.

    What it came with counts as run at load and, as at least that, with gas.
    """

    before: Hours
    in_builds: dict[int, PartHours]

    @property
    def total(self) -> PartHours:
        """All hours of the part."""
        known = self.before.hours
        before = PartHours(self.before, Hours(known, self.before.at_least or known > 0))
        return sum(self.in_builds.values(), before)


def build_kinds(
    session: Session,
    stack_ids: Collection[int],
    build_ids: Collection[int],
    as_of: AsOf = PRESENT,
) -> dict[int, BuildKinds]:
    """Return the hours of these builds of these stacks, each kind apart.

    Six statements; eleven where logs were read or cells bridged, for only then does it matter
    when the hours ran.
    """
    known_at, on = as_of.known_at, as_of.on
    spans, totals = spans_as_of(session, stack_ids, as_of)
    logs = _logs(session, build_ids, known_at)
    blank = blank_cells(session, build_ids, known_at)
    bridges = bridges_of_builds(session, build_ids, known_at)
    if on is not None:
        logs = {build_id: _logs_by(of_build, on) for build_id, of_build in logs.items()}
        bridges = {build_id: _bridges_by(of_build, on) for build_id, of_build in bridges.items()}
    timed = {spans[at].stack_id for at in (*logs, *bridges) if at in spans}
    if timed and not totals:
        totals = stack_total_at(session, timed, known_at)
    return {
        build_id: _kinds(
            spans[build_id],
            totals.get(spans[build_id].stack_id, NEVER_READ),
            tuple(logs.get(build_id, ())),
            blank.get(build_id, frozenset()),
            bridges.get(build_id, ()),
            on=on,
        )
        for build_id in set(build_ids) & spans.keys()
    }


@dataclass(frozen=True, slots=True)
class OutsideBuilds:
    """Hours of a stack's meters that no build has, in h, and why."""

    hours: float
    why: str


def hours_outside(builds: Sequence[BuildKinds], total: Hours) -> tuple[OutsideBuilds, ...]:
    """Say by how much the hours of a stack's meters differ from those of its builds, and why.

    Empty where they agree to `LEAST_SAID_H`.
    """
    spans = [build.span for build in builds]
    differ = [
        OutsideBuilds(
            after.start.total - before.end.total,
            f"while the stack lay open between builds {before.number} and {after.number}",
        )
        for before, after in pairwise(spans)
        if before.end is not None and after.start is not None
    ]
    if spans and spans[0].start is not None:
        why = f"before build {spans[0].number} was closed"
        differ.insert(0, OutsideBuilds(spans[0].start.total, why))
    rest = total.hours - sum(span.ran.hours for span in spans) - sum(part.hours for part in differ)
    differ.append(OutsideBuilds(rest, "not read at a closing or an opening, so in no build"))
    return tuple(part for part in differ if abs(part.hours) >= LEAST_SAID_H)


def _logs_by(logs: list[Logged], on: datetime) -> list[Logged]:
    """What logs had told by a date; one that was running then as if it had run evenly."""
    begun = [log for log in logs if log.began_at < on]
    shares = [min(1.0, (on - log.began_at) / (log.ended_at - log.began_at)) for log in begun]
    return [
        replace(
            log,
            ended_at=min(log.ended_at, on),
            load_hours=share * log.load_hours,
            gas_hours=share * log.gas_hours,
        )
        for log, share in zip(begun, shares, strict=True)
    ]


def _bridges_by(bridges: Sequence[KnownBridge], on: datetime) -> tuple[KnownBridge, ...]:
    return tuple(
        replace(bridge, until_at=None) if bridge.until_at and bridge.until_at > on else bridge
        for bridge in bridges
        if bridge.from_at <= on
    )


def stack_kinds(session: Session, stack_id: int, as_of: AsOf = PRESENT) -> tuple[BuildKinds, ...]:
    """Return the hours of every build of a stack, in their order.

    Seven statements, twelve where logs were read or cells bridged.
    """
    build_ids = session.scalars(select(Build.id).where(Build.stack_id == stack_id)).all()
    kinds_by_build = build_kinds(session, [stack_id], build_ids, as_of)
    return tuple(sorted(kinds_by_build.values(), key=lambda kinds: kinds.span.closed_at))


def part_kinds(
    session: Session, part_ids: Collection[int], until: datetime, as_of: AsOf = PRESENT
) -> dict[int, PartKinds]:
    """Return the hours of these parts, each kind apart, over stacks and builds.

    ``until`` ends the calendar hours of what is fitted still (`AsOf.until`). Eight statements,
    thirteen where logs were read or cells bridged.
    """
    known_at = as_of.known_at
    values = params(known_at, part_ids=part_ids)
    before: Any = session.execute(_before(), {"part_ids": list(part_ids)}).all()
    sat: Sequence[Any] = session.execute(_sat(known_at is not None), values).all()
    kinds = build_kinds(
        session, {row.stack_id for row in sat}, {row.build_id for row in sat}, as_of
    )
    in_builds: dict[int, dict[int, PartHours]] = {row.id: {} for row in before}
    for row in sat:
        if row.build_id in kinds:
            in_builds[row.part_id][row.build_id] = kinds[row.build_id].of(row.cell, until)
    return {
        row.id: PartKinds(
            Hours(row.hours_before, bool(row.hours_before_unknown)), in_builds[row.id]
        )
        for row in before
    }


def _kinds(
    span: BuildSpan,
    total: TotalOverTime,
    logs: tuple[Logged, ...],
    blank: frozenset[int],
    bridges: tuple[KnownBridge, ...],
    *,
    on: datetime | None,
) -> BuildKinds:
    metered = sum(
        total.at(log.ended_at).hours - total.at(log.began_at).hours for log in logs if total.times
    )
    unmetered = max(0.0, span.ran.hours - metered)
    at_load = unmetered + sum(log.load_hours for log in logs)
    gas = unmetered + sum(max(log.gas_hours, log.load_hours) for log in logs)
    at_least = span.ran.at_least
    stretches = _stretches(span, total, logs, on) if bridges else ()
    return BuildKinds(
        span, Hours(at_load, at_least), Hours(gas, at_least), logs, stretches, blank, bridges
    )


def _stretches(
    span: BuildSpan, total: TotalOverTime, logs: tuple[Logged, ...], on: datetime | None
) -> tuple[Stretch, ...]:
    """The build's time between logs as the meter tells it, and the logs in their own words."""
    last = (
        span.opened_at
        or on
        or max((span.closed_at, *total.times[-1:], *(run_log.ended_at for run_log in logs)))
    )
    ends = [span.closed_at, *(at for log in logs for at in (log.began_at, log.ended_at)), last]
    between = [
        stretch
        for begin, end in list(pairwise(ends))[::2]
        if begin < end and total.times
        for stretch in total.stretches(begin, end)
    ]
    return (
        *between,
        *(
            Stretch(log.began_at, log.ended_at, log.load_hours, max(log.gas_hours, log.load_hours))
            for log in logs
        ),
    )


@statement
def _run_logs(is_then: bool) -> Any:
    return (
        select(RunReading.build_id, RunReading.recorded_hours, *columns(Logged, RunReading))
        .where(
            RunReading.build_id.in_(param_list("build_ids")),
            known(RunReading, as_of_param(is_then)),
        )
        .order_by(RunReading.build_id, RunReading.began_at)
    )


def _logs(
    session: Session, build_ids: Collection[int], known_at: datetime | None
) -> dict[int, list[Logged]]:
    rows: Any = session.execute(
        _run_logs(known_at is not None), params(known_at, build_ids=build_ids)
    )
    logs_by_build: dict[int, list[Logged]] = defaultdict(list)
    for row in rows:
        gas = row.recorded_hours if row.gas_hours is None else row.gas_hours
        logs_by_build[row.build_id].append(read_as(Logged, row, gas_hours=gas))
    return logs_by_build


@statement
def _before() -> Any:
    columns = (Part.id, Part.hours_before, Part.hours_before_unknown)
    return select(*columns).where(Part.id.in_(param_list("part_ids")))


@statement
def _sat(is_then: bool) -> Any:
    at = as_of_param(is_then)
    sat = union(
        select(Layer.part_id, Layer.build_id, Layer.cell).where(
            Layer.part_id.in_(param_list("part_ids")), known(Layer, at)
        ),
        select(Fixing.part_id, Fixing.build_id, literal(None, Layer.cell.type)).where(
            Fixing.part_id.in_(param_list("part_ids")), known(Fixing, at)
        ),
    ).subquery()
    return select(sat.c.part_id, sat.c.build_id, sat.c.cell, Build.stack_id).join(
        Build, Build.id == sat.c.build_id
    )
