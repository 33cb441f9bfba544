"""Everything that was read of a stack's cells: snapshots and curves, resolved, over its hours.

As known now or as it was known at ``known_at``. A constant number of statements; the selection
and the arithmetic on it are pure, see `trade.cell_histories`.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.cell_histories import NO_LOAD_A_CM2, MeaVoltage, StackMoment
from service.condition.arithmetic.polarisation import voltage_at
from service.condition.arithmetic.reference_voltages import usual_density
from service.condition.queries.cell_voltages import CellSnapshot, SnapshotHead
from service.condition.queries.polarisation_curves import CellCurve, curves_of_builds
from service.condition.queries.snapshots import (
    chosen_heads,
    snapshot_heads,
    snapshots_read,
    words_on_meas,
)
from service.life.arithmetic.failing_rules import rule_from_data
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingRule
from service.platform.arithmetic.errors import OutOfRange
from service.platform.queries.statements import param, param_list
from service.stacks.queries.build_spans import BuildFacts, builds_of
from service.stacks.queries.hour_histories import TotalOverTime, stack_total_at
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part

SNAPSHOT, CURVE = "s", "c"
"""Beginnings of the keys of moments."""


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening of the stack: the build that ended, when, and the stack's hours then."""

    build: int
    at: datetime
    hours_h: float | None


@dataclass(frozen=True)
class StackVoltages:
    """A stack with its builds, snapshots and curves, each in the order of time.

    ``reference_a_cm2`` is the density readings are set beside each other at, if any.
    """

    stack: MapStack
    known_at: datetime | None
    builds: tuple[BuildFacts, ...]
    heads: tuple[SnapshotHead, ...]
    """all snapshots, without their voltages"""
    snapshots: tuple[CellSnapshot, ...]
    """those that were read whole"""
    curves: tuple[CellCurve, ...]
    total: TotalOverTime
    labels: dict[int, str]
    """part id → what the MEA is called"""
    marked: dict[int, MeaWord]
    """MEAs somebody gave a word on: failed, suspected or end of life"""
    reference_a_cm2: float | None

    def hours_at(self, time: datetime, meter_hours: float | None = None) -> float | None:
        """Return hours of the stack at a time, h; None where its meter was never read."""
        if not self.total.times and meter_hours is None:
            return None
        return self.total.at(time, meter_hours).hours

    @cached_property
    def build_numbers(self) -> dict[int, int]:
        """Build id → number."""
        return {build.build_id: build.number for build in self.builds}

    @cached_property
    def openings(self) -> tuple[Opening, ...]:
        """Every opening of the stack."""
        return tuple(
            Opening(build.number, build.opened_at, self.hours_at(build.opened_at))
            for build in self.builds
            if build.opened_at is not None
        )

    @cached_property
    def moments(self) -> tuple[StackMoment, ...]:
        """Every snapshot read whole, and of typed-in curves their points without load."""
        moments = [self.moment_of(snapshot) for snapshot in self.snapshots]
        of_curves = (self._without_load(curve) for curve in self.curves if curve.reading_id is None)
        moments += [moment for moment in of_curves if moment is not None]
        return tuple(sorted(moments, key=lambda moment: moment.at))

    def moment_of(self, snapshot: CellSnapshot) -> StackMoment:
        """Return the cells of one snapshot; bridged ones are left out."""
        return StackMoment(
            f"{SNAPSHOT}{snapshot.id}",
            snapshot.from_at,
            snapshot.until_at,
            self.hours_at(snapshot.at, snapshot.meter_hours),
            self.build_numbers[snapshot.build_id],
            snapshot.density_a_cm2,
            {
                cell: MeaVoltage(voltage.part_id, voltage.mean_v)
                for cell, voltage in snapshot.by_cell.items()
                if voltage.mean_v is not None and not voltage.is_bridged
            },
        )

    def moment_on(self, curve: CellCurve, density_a_cm2: float) -> StackMoment | None:
        """Return the cells of a curve at one density; None where none of them reaches it."""
        cells = {}
        for cell, points in curve.by_cell.items():
            try:
                volts = voltage_at(points, density_a_cm2).voltage_v
            except OutOfRange:
                continue
            cells[cell] = MeaVoltage(curve.part_of_cell.get(cell), volts)
        return self._moment(curve, density_a_cm2, cells) if cells else None

    def moments_at(self, density_a_cm2: float) -> tuple[StackMoment, ...]:
        """Return every curve at one density, where it reaches it."""
        moments = (self.moment_on(curve, density_a_cm2) for curve in self.curves)
        return tuple(moment for moment in moments if moment is not None)

    def _without_load(self, curve: CellCurve) -> StackMoment | None:
        cells = {
            cell: MeaVoltage(curve.part_of_cell.get(cell), points[0].voltage_v)
            for cell, points in curve.by_cell.items()
            if points[0].density_a_cm2 <= NO_LOAD_A_CM2
        }
        return self._moment(curve, 0.0, cells) if cells else None

    def _moment(
        self, curve: CellCurve, density_a_cm2: float, cells: dict[int, MeaVoltage]
    ) -> StackMoment:
        return StackMoment(
            f"{CURVE}{curve.id}",
            curve.taken_at,
            curve.taken_at,
            self.hours_at(curve.taken_at, curve.meter_hours),
            curve.build_number,
            density_a_cm2,
            cells,
        )


def stack_voltages(
    session: Session,
    stack_id: int,
    known_at: datetime | None = None,
    *,
    density_a_cm2: float | None = None,
    snapshot_id: int | None = None,
) -> StackVoltages:
    """Return the voltages read of a stack. Raises NotFound. 19 statements.

    Readings are set beside each other at ``density_a_cm2``, else at the density of the design's
    rule, else at the one most snapshots share. Of thousands of snapshots some hundred are read
    whole, ``snapshot_id`` among them.
    """
    stack = stack_facts(session, stack_id)
    builds = builds_of(session, stack_id, known_at)
    ids = [build.build_id for build in builds]
    heads = snapshot_heads(session, ids, known_at)
    curves = sorted(
        (
            curve
            for of_build in curves_of_builds(session, ids, known_at).values()
            for curve in of_build
        ),
        key=lambda curve: (curve.taken_at, curve.id),
    )
    rule = _rule_density(session, stack.design_id)
    reference = density_a_cm2 or rule or _usual(heads, curves)
    chosen = chosen_heads(heads, reference, snapshot_id)
    snapshots = snapshots_read(session, stack_id, chosen, known_at)
    tapped = [*(snapshot.part_ids for snapshot in snapshots), *(curve.part_ids for curve in curves)]
    parts = {part_id for of_build in tapped for part_id in of_build if part_id is not None}
    return StackVoltages(
        stack=stack,
        known_at=known_at,
        builds=builds,
        heads=heads,
        snapshots=snapshots,
        curves=tuple(curves),
        total=stack_total_at(session, [stack_id], known_at)[stack_id],
        labels=_labels(session, parts),
        marked=words_on_meas(session, parts),
        reference_a_cm2=reference,
    )


def _usual(heads: Sequence[SnapshotHead], curves: Sequence[CellCurve]) -> float | None:
    """The density most snapshots share, else half the reach of the newest curve."""
    usual = usual_density(
        [head.density_a_cm2 for head in heads if head.density_a_cm2 and not head.is_open]
    )
    if usual is not None or not curves:
        return usual
    reach = max(point.density_a_cm2 for point in curves[-1].points)
    return round(reach / 2, 2) or reach


LABELS = (
    select(Part.id, Part.serial, Lot.label, Part.item_number)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(Part.id.in_(param_list("part_ids")))
)


def _labels(session: Session, part_ids: set[int]) -> dict[int, str]:
    rows: Any = session.execute(LABELS, {"part_ids": list(part_ids)})
    return {key: part_label(serial, lot, item) for key, serial, lot, item in rows}


NEWEST_RULE = (
    select(FailingRule.content)
    .where(FailingRule.design_id == param("design_id"))
    .order_by(FailingRule.version.desc())
    .limit(1)
)


def _rule_density(session: Session, design_id: int) -> float | None:
    content = session.scalar(NEWEST_RULE, {"design_id": design_id})
    return None if content is None else rule_from_data(json.loads(content)).reference_density_a_cm2
