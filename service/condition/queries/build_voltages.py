"""Voltages of whole builds as tables: a row a snapshot, a column an MEA.

Channels are resolved by `cell_voltages`; what a bridged cell showed is left out, for it says
nothing of its MEA. Voltages in V, densities in A/cm²; not-a-number where nothing was read.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.cell_outliers import scores
from service.condition.arithmetic.reference_voltages import NEAR_PERCENT
from service.condition.queries.cell_voltages import mea_of_cells, read_names
from service.condition.queries.polarisation_curves import CellCurve, curves_of_builds
from service.designs.tables import Design
from service.platform.queries.answers import grouped
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.tables import Snapshot, SnapshotKind
from service.stacks.queries.cell_bridges import KnownBridge, bridges_of_builds
from service.stacks.tables import Stack
from service.taps.queries import Taps, taps_of

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BuildVoltages:
    """One build's snapshots in the order of time, and its curves.

    ``volts`` and ``scores`` (modified z-scores among the cells of a snapshot under load) have a
    row for each snapshot and a column for each MEA, named by ``column_of``.
    """

    build_id: int
    stamps: Floats
    """middle of each snapshot, s since 1970"""
    meters: Floats
    """h, as the meter showed then; not-a-number: not recorded"""
    open_circuit: NDArray[np.bool_]
    """which were taken without load"""
    densities: Floats
    volts: Floats
    scores: Floats
    column_of: Mapping[int, int]
    curves: tuple[CellCurve, ...]

    @property
    def under_load(self) -> NDArray[np.bool_]:
        """The snapshots taken under load."""
        return self.densities > 0

    def near(self, density_a_cm2: float, percent: float = NEAR_PERCENT) -> NDArray[np.bool_]:
        """Return the snapshots taken near a density."""
        wide = density_a_cm2 * percent / 100 * (1 + 1e-9)
        return np.abs(self.densities - density_a_cm2) <= wide


def build_voltages(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, BuildVoltages]:
    """Return the voltages of each of these builds. Ten statements, none where no build is named."""
    if not build_ids:
        return {}
    rows: Sequence[Any] = session.execute(
        _snapshots(known_at is not None), params(known_at, build_ids=build_ids)
    ).all()
    taps = taps_of(session, {row.stack_id for row in rows}, known_at)
    meas = mea_of_cells(session, build_ids, known_at)
    bridges = bridges_of_builds(session, build_ids, known_at)
    curves = curves_of_builds(session, build_ids, known_at)
    of_build = grouped(rows, "build_id")
    return {
        build_id: _table(
            build_id,
            of_build[build_id],
            _Seats(taps, meas.get(build_id, {}), bridges.get(build_id, ())),
            curves[build_id],
        )
        for build_id in build_ids
    }


@statement
def _snapshots(is_then: bool) -> Any:
    return (
        select(
            Snapshot.build_id,
            Snapshot.stack_id,
            Snapshot.kind,
            Snapshot.from_at,
            Snapshot.until_at,
            Snapshot.current_a,
            Snapshot.density_a_cm2,
            Snapshot.meter_hours,
            Snapshot.channels,
            Snapshot.means_v,
            Design.active_area_cm2,
        )
        .join(Stack, Stack.id == Snapshot.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .where(
            Snapshot.build_id.in_(param_list("build_ids")), known(Snapshot, as_of_param(is_then))
        )
        .order_by(Snapshot.build_id, Snapshot.from_at, Snapshot.id)
    )


@dataclass(frozen=True, slots=True)
class _Places:
    """The first channel of each column; ``beside`` are further ones, for what that left out."""

    channels: NDArray[np.intp]
    columns: NDArray[np.intp]
    beside: tuple[tuple[int, int], ...]


class _Seats:
    """Which column of a build's table each channel goes to, told once for each map."""

    def __init__(
        self, taps: Taps, mea_of_cell: Mapping[int, int], bridges: tuple[KnownBridge, ...]
    ) -> None:
        self.taps, self.mea_of_cell, self.bridges = taps, mea_of_cell, bridges
        self.column_of = {part: index for index, part in enumerate(sorted(mea_of_cell.values()))}
        self._placed: dict[tuple[int | None, ...], _Places] = {}

    def fill(self, row: Any, time: datetime, into: Floats) -> None:
        """Write what a snapshot showed of each MEA; a bridged cell's voltage is left out."""
        cells = self.taps.cell_of(row.stack_id, time, read_names(row.channels))
        places = self._places(cells)
        means = np.array(json.loads(row.means_v), dtype=float)
        into[places.columns] = means[places.channels]
        for channel, column in places.beside:
            if np.isnan(into[column]):
                into[column] = means[channel]
        for bridge in self.bridges:
            if bridge.cell in self.mea_of_cell and bridge.holds_at(time):
                into[self.column_of[self.mea_of_cell[bridge.cell]]] = np.nan

    def _places(self, cells: tuple[int | None, ...]) -> "_Places":
        if cells not in self._placed:
            first: dict[int, int] = {}
            beside = []
            for channel, cell in enumerate(cells):
                if cell is not None and cell in self.mea_of_cell:
                    column = self.column_of[self.mea_of_cell[cell]]
                    if first.setdefault(column, channel) != channel:
                        beside.append((channel, column))
            self._placed[cells] = _Places(
                np.array(list(first.values()), dtype=np.intp),
                np.array(list(first), dtype=np.intp),
                tuple(beside),
            )
        return self._placed[cells]


def _table(
    build_id: int, rows: Sequence[Any], seats: _Seats, curves: tuple[CellCurve, ...]
) -> BuildVoltages:
    volts = np.full((len(rows), len(seats.column_of)), np.nan)
    stamps = np.empty(len(rows))
    for place, row in enumerate(rows):
        middle = row.from_at + (row.until_at - row.from_at) / 2
        stamps[place] = middle.timestamp()
        seats.fill(row, middle, volts[place])
    densities = np.array([_density(row) for row in rows], dtype=float)
    loaded = np.where((densities > 0)[:, None], volts, np.nan)
    return BuildVoltages(
        build_id,
        stamps,
        np.array([row.meter_hours for row in rows], dtype=float),
        np.array([row.kind is SnapshotKind.OPEN_CIRCUIT for row in rows], dtype=bool),
        densities,
        volts,
        scores(loaded),
        seats.column_of,
        curves,
    )


def _density(row: Any) -> float:
    """Density of a snapshot; 0 without load, not-a-number where nothing tells it."""
    if row.kind is SnapshotKind.OPEN_CIRCUIT:
        return 0.0
    if row.density_a_cm2 is not None:
        return float(row.density_a_cm2)
    return float("nan") if row.current_a is None else float(row.current_a / row.active_area_cm2)
