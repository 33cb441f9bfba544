"""Voltages of whole builds as tables: a row a snapshot, a column an MEA.

Channels are resolved by `cell_voltages`; what a bridged cell showed is left out, for it says
nothing of its MEA. Voltages in V, densities in A/cm²; not-a-number where nothing was read.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.queries.cell_voltages import CellSnapshot, voltages_of_build
from service.records.queries.polarisation_curves import CellCurve, curves_of_builds
from service.records.queries.prepared import given_all, prepared
from service.records.tables.designs import Design
from service.records.tables.runs import SnapshotKind
from service.records.tables.stacks import Stack
from service.trade.cell_outliers import scores
from service.trade.reference_voltages import NEAR_PERCENT

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BuildVoltages:
    """One build's snapshots in the order of time, and its curves.

    ``volts`` and ``scores`` (modified z-scores among the cells of a snapshot under load) have a
    row for each snapshot and a column for each MEA, named by ``column_of``.
    """

    build_id: int
    times: tuple[datetime, ...]
    meters: tuple[float | None, ...]
    """h, as the meter showed at the middle of each snapshot"""
    kinds: tuple[SnapshotKind, ...]
    densities: Floats
    volts: Floats
    scores: Floats
    column_of: Mapping[int, int]
    curves: tuple[CellCurve, ...]

    @property
    def under_load(self) -> NDArray[np.bool_]:
        """Which snapshots were taken under load?"""
        return self.densities > 0

    def near(self, density_a_cm2: float, percent: float = NEAR_PERCENT) -> NDArray[np.bool_]:
        """Which snapshots were taken near a density?"""
        wide = density_a_cm2 * percent / 100 * (1 + 1e-9)
        return np.abs(self.densities - density_a_cm2) <= wide


def build_voltages(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, BuildVoltages]:
    """The voltages of each of these builds. Nine statements, none where no build is named."""
    if not build_ids:
        return {}
    snapshots = voltages_of_build(session, build_ids, known_at)
    curves = curves_of_builds(session, build_ids, known_at)
    areas = _areas(session, {one.stack_id for own in snapshots.values() for one in own})
    return {
        build_id: _table(build_id, snapshots[build_id], curves[build_id], areas)
        for build_id in build_ids
    }


def _areas(session: Session, stack_ids: Collection[int]) -> dict[int, float]:
    """Active area of each stack's cells, cm²: for snapshots that tell the current only."""
    if not stack_ids:
        return {}
    rows = session.execute(
        prepared(
            lambda: (
                select(Stack.id, Design.active_area_cm2)
                .join(Design, Design.id == Stack.design_id)
                .where(Stack.id.in_(given_all("stack_ids")))
            )
        ),
        {"stack_ids": list(stack_ids)},
    )
    return {row.id: row.active_area_cm2 for row in rows}


def _table(
    build_id: int,
    snapshots: Sequence[CellSnapshot],
    curves: tuple[CellCurve, ...],
    areas: Mapping[int, float],
) -> BuildVoltages:
    parts = sorted({part for one in snapshots for part in one.part_ids if part is not None})
    column_of = {part: at for at, part in enumerate(parts)}
    volts = np.full((len(snapshots), len(parts)), np.nan)
    for row, one in enumerate(snapshots):
        # the first channel of a cell that has a value counts, so the last is written first
        for cell, part, mean in zip(
            reversed(one.cells), reversed(one.part_ids), reversed(one.means_v), strict=True
        ):
            if part is not None and mean is not None and cell not in one.bridged:
                volts[row, column_of[part]] = mean
    densities = np.array([_density(one, areas) for one in snapshots], dtype=float)
    loaded = np.where((densities > 0)[:, None], volts, np.nan)
    return BuildVoltages(
        build_id,
        tuple(one.at for one in snapshots),
        tuple(one.meter_hours for one in snapshots),
        tuple(one.kind for one in snapshots),
        densities,
        volts,
        scores(loaded) if parts else np.full(volts.shape, np.nan),
        column_of,
        curves,
    )


def _density(one: CellSnapshot, areas: Mapping[int, float]) -> float:
    """Density of a snapshot; 0 without load, not-a-number where nothing tells it."""
    if one.kind is SnapshotKind.OPEN_CIRCUIT:
        return 0.0
    if one.density_a_cm2 is not None:
        return one.density_a_cm2
    area = areas.get(one.stack_id)
    if one.current_a is None or not area:
        return float("nan")
    return one.current_a / area
