"""What reading the rests of a run needs: its file, mapping, and whose channels they were."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.designs.tables import Design
from service.platform.errors import NotFound
from service.platform.queries.as_of import known
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.tables import Run, RunReading
from service.stacks.tables.stacks import Build, Stack
from service.store.arithmetic.labels import part_label
from service.store.tables.parts import Lot, Part
from service.taps.queries import Taps, taps_of


@dataclass(frozen=True, slots=True)
class RunOfRests:
    """One run as it is read now; ``meas`` are the MEAs by cell, ``labels`` by part."""

    id: int
    name: str
    content_sha256: str
    stack_id: int
    stack: str
    active_area_cm2: float
    build_number: int
    began_at: datetime
    mapping: Mapping
    meas: dict[int, int]
    labels: dict[int, str]
    failing: frozenset[int] = frozenset()
    taps: Taps = field(default_factory=Taps)

    @property
    def channels(self) -> tuple[str, ...]:
        """The columns of the cells, in the order of the mapping."""
        return tuple(cell.column for cell in self.mapping.cells)

    def cells_at(self, at: datetime) -> tuple[int | None, ...]:
        """Which cell each channel read at a time, by the tap map valid then."""
        valid = self.taps.map_at(self.stack_id, at)
        numbers = (cell.channel for cell in self.mapping.cells)
        return tuple(number if valid is None else valid.cell_of(number) for number in numbers)


def run_of_rests(session: Session, run_id: int) -> RunOfRests:
    """One run that was not made void. Four statements. Raises NotFound."""
    row: Any = session.execute(
        select(
            Run.id,
            Run.name,
            Run.content_sha256,
            Run.stack_id,
            Stack.serial,
            Design.active_area_cm2,
            Build.id.label("build_id"),
            Build.number,
            RunReading.began_at,
            RunReading.mapping,
        )
        .join(RunReading, RunReading.run_id == Run.id)
        .join(Stack, Stack.id == Run.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(Build, Build.id == RunReading.build_id)
        .where(Run.id == run_id, known(RunReading))
    ).first()
    if row is None:
        raise NotFound("run that counts", run_id)
    meas = mea_of_cells(session, [row.build_id]).get(row.build_id, {})
    labels: Any = session.execute(
        select(Part.id, Part.serial, Lot.label, Part.item_number)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(meas.values()))
    )
    return RunOfRests(
        row.id,
        row.name,
        row.content_sha256,
        row.stack_id,
        row.serial,
        row.active_area_cm2,
        row.number,
        row.began_at,
        mapping_from_json(row.mapping),
        meas,
        {key: part_label(serial, lot, item) for key, serial, lot, item in labels},
        taps=taps_of(session, [row.stack_id]),
    )
