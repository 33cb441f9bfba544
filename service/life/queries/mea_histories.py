"""What was read of MEAs in all their builds, over their own hours, at one current density.

Set-based: the number of statements does not depend on how many MEAs and builds there are. Own
hours are the MEA's, at load, in h; voltages in V, densities in A/cm².
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isnan
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.reference_voltages import (
    NEAR_PERCENT,
    usual_density,
    voltage_on_curve,
)
from service.condition.queries.build_voltages import BuildVoltages, Floats, build_voltages
from service.designs.tables import Design
from service.life.arithmetic.failing_verdicts import MeaFacts
from service.life.arithmetic.voltage_trend import NEWEST_ALONE, drawn_together, voltage_trend
from service.life.queries.own_hours import OwnHours, own_hours_at
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.stacks.tables import Build, BuildPeriod, Layer, Stack


@dataclass(frozen=True, slots=True)
class MeaSat:
    """One build an MEA sat in; ``place`` counts them from 1 in the order of their closing."""

    place: int
    build_id: int
    build_number: int
    stack_id: int
    stack_serial: str
    design_id: int
    design: str
    cell: int
    position: int
    closed_at: datetime
    opened_at: datetime | None


@dataclass(frozen=True, slots=True)
class ReferenceReadings:
    """Readings at one density in the order of time. Long rows are drawn together: ``counts``.

    ``places`` names the build of each by `MeaSat.place`; ``at_least``: hours of a stretch before
    it are not known. ``readings`` is how many there were.
    """

    density_a_cm2: float
    near_percent: float
    times: tuple[datetime, ...]
    hours_h: tuple[float, ...]
    at_least: tuple[bool, ...]
    voltages_v: tuple[float, ...]
    places: tuple[int, ...]
    counts: tuple[int, ...]
    from_curve: tuple[bool, ...]
    readings: int


@dataclass(frozen=True, slots=True)
class _Raw:
    """Readings of one build in the order of time, column by column."""

    stamps: Floats
    meters: Floats
    volts: Floats
    from_curve: Floats


@dataclass(frozen=True)
class MeaHistory:
    """One MEA: where it sat, and what was read of it there."""

    part_id: int
    sat: tuple[MeaSat, ...]
    builds: dict[int, BuildVoltages]
    hours: OwnHours | None

    @property
    def newest(self) -> MeaSat | None:
        """The build of its newest voltage, with or without load; None where none was read."""
        return next((sat for sat in reversed(self.sat) if self._is_read(sat)), None)

    def densities(self) -> list[float]:
        """Return the densities it was read at in snapshots, under load."""
        densities: list[float] = []
        for _sat, build, column in self._columns():
            is_usable = build.under_load & np.isfinite(build.volts[:, column])
            densities.extend(build.densities[is_usable].tolist())
        return densities

    def usual_density(self) -> float | None:
        """Return the density most of its snapshots share; None where it has none under load."""
        return usual_density(self.densities())

    def at_density(self, density_a_cm2: float, percent: float = NEAR_PERCENT) -> ReferenceReadings:
        """Return readings near a density, those of curves taken at it, over own hours."""
        raws = [(sat.place, self._raw_in(sat, density_a_cm2, percent)) for sat in self.sat]
        places = np.concatenate(
            [np.full(len(raw.stamps), place) for place, raw in raws] or [np.empty(0, dtype=int)]
        )
        if not len(places):
            return ReferenceReadings(density_a_cm2, percent, (), (), (), (), (), (), (), 0)
        blocks = drawn_together(places)
        starts = np.array([block[0] for block in blocks])
        counts = np.array([len(block) for block in blocks])

        def mean_of(name: str) -> list[float]:
            whole = np.concatenate([getattr(raw, name) for _place, raw in raws])
            return [float(sum_) for sum_ in np.add.reduceat(whole, starts) / counts]

        times = [datetime.fromtimestamp(stamp, UTC) for stamp in mean_of("stamps")]
        own_hours = [self._hours(*read) for read in zip(times, mean_of("meters"), strict=True)]
        return ReferenceReadings(
            density_a_cm2,
            percent,
            tuple(times),
            tuple(hours for hours, _at_least in own_hours),
            tuple(at_least for _hours, at_least in own_hours),
            tuple(mean_of("volts")),
            tuple(int(place) for place in places[starts]),
            tuple(int(count) for count in counts),
            tuple(share > 0 for share in mean_of("from_curve")),
            len(places),
        )

    def without_load(self) -> tuple[tuple[datetime, float], ...]:
        """Return voltages without load with their times, in the order of time."""
        series = []
        for _sat, build, column in self._columns():
            rows_used = build.open_circuit & np.isfinite(build.volts[:, column])
            rows = zip(build.stamps[rows_used], build.volts[rows_used, column], strict=True)
            series += [(datetime.fromtimestamp(row, UTC), float(volts)) for row, volts in rows]
        return tuple(sorted(series))

    def scores(self, readings: ReferenceReadings | None) -> tuple[float | None, ...]:
        """Return the newest scores among the cells of its newest build, the newest last.

        Of snapshots near the density of its readings: cells that differ at part load say nothing
        of it. Without readings, of all under load.
        """
        newest = self.newest
        for sat, build, column in self._columns():
            if sat == newest:
                of_them = (
                    build.near(readings.density_a_cm2, readings.near_percent)
                    if readings
                    else build.under_load
                )
                read = np.flatnonzero(of_them & np.isfinite(build.volts[:, column]))
                newest_scores = build.scores[read[-NEWEST_ALONE:], column]
                return tuple(
                    float(score) if np.isfinite(score) else None for score in newest_scores
                )
        return ()

    def facts(self, readings: ReferenceReadings | None) -> MeaFacts:
        """Return what a rule judges it by."""
        trend = None
        if readings is not None and readings.readings:
            trend = voltage_trend(
                readings.hours_h, readings.voltages_v, readings.places, readings=readings.readings
            )
        return MeaFacts(
            readings.hours_h if readings else (),
            readings.voltages_v if readings else (),
            trend,
            self.scores(readings),
            tuple(volts for _at, volts in self.without_load()),
        )

    def _columns(self) -> list[tuple[MeaSat, BuildVoltages, int]]:
        columns = []
        for sat in self.sat:
            build = self.builds.get(sat.build_id)
            if build is not None and self.part_id in build.column_of:
                columns.append((sat, build, build.column_of[self.part_id]))
        return columns

    def _is_read(self, sat: MeaSat) -> bool:
        build = self.builds.get(sat.build_id)
        if build is None:
            return False
        column = build.column_of.get(self.part_id)
        if column is not None and bool(np.isfinite(build.volts[:, column]).any()):
            return True
        return any(self.part_id in curve.by_part for curve in build.curves)

    def _raw_in(self, sat: MeaSat, density: float, percent: float) -> _Raw:
        build = self.builds.get(sat.build_id)
        if build is None:
            return _Raw(*np.empty((4, 0)))
        column = build.column_of.get(self.part_id)
        rows = np.empty((4, 0))
        if column is not None:
            rows_used = build.near(density, percent) & np.isfinite(build.volts[:, column])
            rows = np.array(
                [
                    build.stamps[rows_used],
                    build.meters[rows_used],
                    build.volts[rows_used, column],
                    np.zeros(int(rows_used.sum())),
                ]
            )
        points_in = []
        for curve in build.curves:
            points = curve.by_part.get(self.part_id, ())
            volts = voltage_on_curve(
                [point.density_a_cm2 for point in points],
                [point.voltage_v for point in points],
                density,
            )
            if volts is not None:
                meter = np.nan if curve.meter_hours is None else curve.meter_hours
                points_in.append((curve.taken_at.timestamp(), meter, volts, 1.0))
        if points_in:
            rows = np.concatenate([rows, np.array(points_in).T], axis=1)
        return _Raw(*rows[:, np.argsort(rows[0], kind="stable")])

    def _hours(self, time: datetime, meter_hours: float) -> tuple[float, bool]:
        shown_hours = None if isnan(meter_hours) else meter_hours
        hours = self.hours.at(time, shown_hours) if self.hours else None
        return (hours.hours, hours.at_least) if hours else (0.0, True)


def mea_histories(
    session: Session, part_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, MeaHistory]:
    """Return what was read of each MEA in whichever cell, the weakest at its newest first.

    A part that sat in no cell has a history without builds.
    """
    sat = mea_sittings(session, part_ids, known_at)
    builds = build_voltages(
        session,
        sorted({sitting.build_id for sittings in sat.values() for sitting in sittings}),
        known_at,
    )
    hours = own_hours_at(session, list(sat), known_at) if builds else {}
    return {
        part_id: MeaHistory(part_id, sat.get(part_id, ()), builds, hours.get(part_id))
        for part_id in part_ids
    }


@statement
def _sat(is_then: bool) -> Any:
    return (
        select(
            Layer.part_id,
            Build.number,
            Stack.serial,
            Design.name,
            Design.revision,
            *columns(
                MeaSat, Layer, BuildPeriod, stack_id=Build.stack_id, design_id=Stack.design_id
            ),
        )
        .join(Build, Build.id == Layer.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(BuildPeriod, BuildPeriod.build_id == Layer.build_id)
        .where(
            Layer.part_id.in_(param_list("part_ids")),
            known(Layer, as_of_param(is_then)),
            known(BuildPeriod, as_of_param(is_then)),
            Layer.cell.is_not(None),
        )
        .order_by(Layer.part_id, BuildPeriod.closed_at, Build.id)
    )


def mea_sittings(
    session: Session, part_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, tuple[MeaSat, ...]]:
    """Return the cells these MEAs sat in, build by build, in the order of closing.

    One statement.
    """
    rows: Any = session.execute(_sat(known_at is not None), params(known_at, part_ids=part_ids))
    sittings_of: dict[int, list[MeaSat]] = defaultdict(list)
    for row in rows:
        sittings = sittings_of[row.part_id]
        sittings.append(
            read_as(
                MeaSat,
                row,
                place=len(sittings) + 1,
                build_number=row.number,
                stack_serial=row.serial,
                design=f"{row.name} {row.revision}",
            )
        )
    return {part_id: tuple(sittings) for part_id, sittings in sittings_of.items()}
