"""The own hours of a part at any time of its life: before, in earlier builds, in this one so far.

All answers are as known now, or as they were known at ``known_at``; hours are in h, by the meter.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import BuildSpan
from service.stacks.queries.cell_bridges import blank_cells, bridges_of_builds
from service.stacks.queries.hour_histories import TotalOverTime, stacks_running
from service.stacks.queries.part_hours import CellHours
from service.stacks.tables import Build, Layer
from service.store.tables import Part


@dataclass(frozen=True, slots=True)
class Seat:
    """One build a part sat in, with the hours it had when that build was closed."""

    span: BuildSpan
    cell: int | None
    hours_before: Hours
    ran: Hours
    """in this build so far, less what its cell was blank or bridged"""

    def covers(self, time: datetime) -> bool:
        """Say whether the part sat there at a time."""
        opened_at = self.span.opened_at
        return self.span.closed_at <= time and (opened_at is None or time <= opened_at)


@dataclass(frozen=True, slots=True)
class OwnHours:
    """The hours of one part over time; ``seats`` in the order of their closings."""

    before: Hours
    seats: tuple[Seat, ...]
    cells: CellHours
    totals: dict[int, TotalOverTime]

    @property
    def now(self) -> Hours:
        """All hours of the part."""
        return sum((seat.ran for seat in self.seats), self.before)

    def at(self, time: datetime, meter_hours: float | None = None) -> Hours | None:
        """Return the hours of the part at a time; None where it sat in no build then.

        ``meter_hours`` is what the hour meter showed then, where that was recorded; else the
        hours are taken between the showings before and after, in proportion.
        """
        seat = next((seat for seat in reversed(self.seats) if seat.covers(time)), None)
        if seat is None:
            return None
        span = seat.span
        if seat.cell in self.cells.blank.get(span.build_id, ()):
            return seat.hours_before
        total = self.totals[span.stack_id]
        start = total.at(span.closed_at).hours if span.start is None else span.start.total
        then_ = total.at(time, meter_hours)
        bridged = 0.0 if seat.cell is None else self.cells.bridged(span.build_id, seat.cell, time)
        since = max(0.0, then_.hours - start - bridged)
        return seat.hours_before + Hours(since, span.start is None or then_.at_least)


def own_hours_at(
    session: Session, part_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, OwnHours]:
    """Return the hours each of these parts had at any time. Nine statements.

    For layers of piles; a part that never sat in a build has the hours it came with.
    """
    values = params(known_at, part_ids=part_ids)
    before: Any = session.execute(_before(), {"part_ids": list(part_ids)}).all()
    seats: Sequence[Any] = session.execute(_seats(known_at is not None), values).all()
    running = stacks_running(session, {row.stack_id for row in seats}, known_at)
    builds = {row.build_id for row in seats}
    totals = {stack_id: running_part.total for stack_id, running_part in running.items()}
    spans = {
        time: span
        for running_part in running.values()
        for time, span in running_part.builds.items()
    }
    cells = CellHours(
        spans,
        blank_cells(session, builds, known_at),
        bridges_of_builds(session, builds, known_at),
        totals,
    )
    sat: dict[int, list[tuple[BuildSpan, int | None]]] = {row.id: [] for row in before}
    for row in seats:
        if row.build_id in spans:
            sat[row.part_id].append((spans[row.build_id], row.cell))
    came = {row.id: Hours(row.hours_before, bool(row.hours_before_unknown)) for row in before}
    return {
        part_id: OwnHours(hours, _in_order(hours, sat[part_id], cells), cells, totals)
        for part_id, hours in came.items()
    }


def _in_order(
    hours: Hours, sat: list[tuple[BuildSpan, int | None]], cells: CellHours
) -> tuple[Seat, ...]:
    seats = []
    for span, cell in sorted(sat, key=lambda sitting: (sitting[0].closed_at, sitting[0].build_id)):
        ran = cells.of(span.build_id, cell)
        seats.append(Seat(span, cell, hours, ran))
        hours += ran
    return tuple(seats)


@statement
def _before() -> Any:
    columns = (Part.id, Part.hours_before, Part.hours_before_unknown)
    return select(*columns).where(Part.id.in_(param_list("part_ids")))


@statement
def _seats(is_then: bool) -> Any:
    return (
        select(Layer.part_id, Layer.build_id, Layer.cell, Build.stack_id)
        .join(Build, Build.id == Layer.build_id)
        .where(Layer.part_id.in_(param_list("part_ids")), known(Layer, as_of_param(is_then)))
    )


# The current density the stacks of a design are run at, by its figures in force: A/cm².


LATER = aliased(LimitSet)


FIGURES_IN_FORCE = (
    select(LimitSet.design_id, LimitSet.content, Design.active_area_cm2)
    .join(Design, Design.id == LimitSet.design_id)
    .where(
        LimitSet.design_id.in_(param_list("design_ids")),
        LimitSet.version
        == select(func.max(LATER.version))
        .where(LATER.design_id == LimitSet.design_id, LATER.approved_at.is_not(None))
        .correlate(LimitSet)
        .scalar_subquery(),
    )
)


def operating_densities(session: Session, design_ids: Collection[int]) -> dict[int, float]:
    """Return operating current by active area, A/cm², of each design with figures in force.

    One statement, none where no design is named.
    """
    if not design_ids:
        return {}
    rows: Any = session.execute(FIGURES_IN_FORCE, {"design_ids": list(design_ids)})
    densities = {}
    for row in rows:
        operation = read_figures(row.content).operation
        if operation is not None and row.active_area_cm2:
            densities[row.design_id] = operation.current_a / row.active_area_cm2
    return densities
