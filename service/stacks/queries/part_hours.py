"""Operating hours of parts: those of their builds, less what their cell was blank or bridged.

All answers are as known now, or as they were known at ``known_at``; hours are in h, by the meter.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import literal, select, union
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.queries.statements import known
from service.stacks.arithmetic import part_hours as trade
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.build_spans import BuildSpan
from service.stacks.queries.cell_bridges import KnownBridge, blank_cells, bridges_of_builds
from service.stacks.queries.hour_histories import TotalOverTime, spans_as_of, stack_total_at
from service.stacks.tables import Build, Fixing, Layer
from service.store.tables import Part


@dataclass(frozen=True, slots=True)
class PartHours:
    """Hours of a part: those it came with, as far as they are known, and those in each build."""

    before: Hours
    in_builds: dict[int, Hours]

    @property
    def total(self) -> Hours:
        """All hours of the part."""
        return sum(self.in_builds.values(), self.before)


@dataclass(frozen=True, slots=True)
class CellHours:
    """The hours of builds, cell by cell: a blank or bridged cell has fewer than its stack."""

    spans: dict[int, BuildSpan]
    blank: dict[int, frozenset[int]]
    bridges: dict[int, tuple[KnownBridge, ...]]
    totals: dict[int, TotalOverTime]
    """of the stacks with bridges"""
    on: datetime | None = None
    """the date they are asked for"""

    def of(self, build_id: int, cell: int | None) -> Hours:
        """Return the hours of what sat in a cell of a build.

        Of a part outside the cells for None.
        """
        ran = self.spans[build_id].ran
        if cell is None:
            return ran
        if cell in self.blank.get(build_id, ()):
            return Hours(0.0)
        bridged = self.bridged(build_id, cell, self.on)
        return Hours(max(0.0, ran.hours - bridged), ran.at_least)

    def bridged(self, build_id: int, cell: int, until: datetime | None = None) -> float:
        """Return the hours a build ran while one of its cells was bridged, up to a time, in h."""
        bridges = [
            bridge.as_bridge for bridge in self.bridges.get(build_id, ()) if bridge.cell == cell
        ]
        span = self.spans[build_id]
        total = self.totals.get(span.stack_id)
        if not bridges or total is None or not total.times:
            return 0.0
        end = min(filter(None, (span.opened_at, until)), default=None)
        last = max(span.closed_at, end or total.times[-1])
        stay = trade.Stay(span.closed_at, end, cell)
        stretches = total.stretches(span.closed_at, last)
        return trade.part_hours(stay, stretches, bridges, last).out_of_load.hours


def cell_hours(
    session: Session,
    stack_ids: Collection[int],
    build_ids: Collection[int],
    as_of: AsOf = PRESENT,
) -> CellHours:
    """Return the hours of these builds of these stacks.

    Five statements, ten where a cell was bridged.
    """
    known_at = as_of.known_at
    spans, totals = spans_as_of(session, stack_ids, as_of)
    bridges = bridges_of_builds(session, build_ids, known_at)
    of_bridged = {spans[build_id].stack_id for build_id in bridges if build_id in spans}
    if of_bridged and not totals:
        totals = stack_total_at(session, of_bridged, known_at)
    blank = blank_cells(session, build_ids, known_at)
    return CellHours(spans, blank, bridges, totals, as_of.on)


def part_hours(
    session: Session, part_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, PartHours]:
    """Return the hours each of these parts has run, over stacks, builds and meters.

    Seven statements, twelve where a cell was bridged, however many parts and builds; a part in
    no build has the hours it came with.
    """
    columns = (Part.id, Part.hours_before, Part.hours_before_unknown)
    before = {
        row.id: Hours(row.hours_before, bool(row.hours_before_unknown))
        for row in session.execute(select(*columns).where(Part.id.in_(part_ids)))
    }
    sat = union(
        select(Layer.part_id, Layer.build_id, Layer.cell).where(
            Layer.part_id.in_(part_ids), known(Layer, known_at)
        ),
        select(Fixing.part_id, Fixing.build_id, literal(None, Layer.cell.type)).where(
            Fixing.part_id.in_(part_ids), known(Fixing, known_at)
        ),
    ).subquery()
    rows = session.execute(
        select(sat.c.part_id, sat.c.build_id, sat.c.cell, Build.stack_id).join(
            Build, Build.id == sat.c.build_id
        )
    ).all()
    hours = cell_hours(
        session,
        {row.stack_id for row in rows},
        {row.build_id for row in rows},
        AsOf(known_at=known_at),
    )
    builds: dict[int, dict[int, Hours]] = {part_id: {} for part_id in before}
    for row in rows:
        if row.build_id in hours.spans:
            builds[row.part_id][row.build_id] = hours.of(row.build_id, row.cell)
    return {part_id: PartHours(hours_, builds[part_id]) for part_id, hours_ in before.items()}
