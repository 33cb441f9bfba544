"""Voltages of channels resolved to cells and to the MEAs that sat in them.

Channel → cell by the tap map valid at the time; cell → MEA by the layers of the build; both as
known now or as they were known at ``known_at``. Nothing of it is stored, so a corrected map or
layer reads every voltage anew. Voltages in V, densities in A/cm².
"""

import json
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, lru_cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.cell_histories import NO_LOAD_A_CM2
from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.tables import SnapshotKind
from service.stacks.tables import Layer
from service.store.tables import Part, PartType


@dataclass(frozen=True, slots=True)
class CellVoltage:
    """What was read of one cell; ``part_id`` None where no MEA is known in it."""

    cell: int
    part_id: int | None
    mean_v: float | None
    spread_v: float | None
    is_bridged: bool
    """the cell was bridged then: its voltage says nothing of its MEA"""


@dataclass(frozen=True, slots=True)
class SnapshotHead:
    """One snapshot without its voltages."""

    id: int
    build_id: int
    kind: SnapshotKind
    from_at: datetime
    until_at: datetime
    density_a_cm2: float | None
    meter_hours: float | None
    """h, as the meter showed at its middle"""

    @property
    def at(self) -> datetime:
        """Its middle."""
        return self.from_at + (self.until_at - self.from_at) / 2

    @property
    def is_open(self) -> bool:
        """Say whether the stack stood without load."""
        return self.density_a_cm2 is not None and self.density_a_cm2 <= NO_LOAD_A_CM2


@dataclass(frozen=True)
class CellSnapshot(SnapshotHead):
    """One snapshot with its channels resolved; tuples are in the order of ``channels``."""

    reading_id: int | None
    stack_id: int
    row_count: int
    current_a: float | None
    temperature_c: float | None
    stack_voltage_v: float | None
    channels: tuple[str, ...]
    means_v: tuple[float | None, ...]
    spreads_v: tuple[float | None, ...]
    cells: tuple[int | None, ...]
    """the cell each channel read then; None: none"""
    part_ids: tuple[int | None, ...]
    """the MEA in that cell; None where the channel read no cell, or a blank one"""
    bridged: frozenset[int]
    """cells bridged at its middle"""

    @cached_property
    def by_cell(self) -> dict[int, CellVoltage]:
        """What was read of each cell, in the order of the cells.

        Where several channels read a cell, the first of them that has a value.
        """
        cells: dict[int, CellVoltage] = {}
        rows = zip(self.cells, self.part_ids, self.means_v, self.spreads_v, strict=True)
        for cell, part_id, mean_v, spread_v in rows:
            if cell is not None and (cell not in cells or cells[cell].mean_v is None):
                is_bridged = cell in self.bridged
                cells[cell] = CellVoltage(cell, part_id, mean_v, spread_v, is_bridged)
        return dict(sorted(cells.items()))


@statement
def _meas(is_then: bool) -> Any:
    return (
        select(Layer.build_id, Layer.cell, Layer.part_id)
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(
            Layer.build_id.in_(param_list("build_ids")),
            known(Layer, as_of_param(is_then)),
            Layer.cell.is_not(None),
            PartType.kind == Kind.MEA,
        )
        .order_by(Layer.build_id, Layer.position)
    )


def mea_of_cells(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, dict[int, int]]:
    """Say which MEA sat in each cell of these builds: build → cell → part. One statement.

    Blank cells are not in it.
    """
    rows: Any = session.execute(_meas(known_at is not None), params(known_at, build_ids=build_ids))
    parts_of_build: dict[int, dict[int, int]] = defaultdict(dict)
    for row in rows:
        parts_of_build[row.build_id][row.cell] = row.part_id
    return dict(parts_of_build)


@lru_cache(maxsize=4096)
def read_names(channels: str) -> tuple[str, ...]:
    """Return the names of channels as they are kept."""
    return tuple(json.loads(channels))
