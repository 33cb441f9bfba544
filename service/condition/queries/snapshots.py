"""Voltages that were typed in, as they were typed, made void or not."""

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.reference_voltages import is_near
from service.condition.queries.cell_voltages import (
    CellSnapshot,
    SnapshotHead,
    mea_of_cells,
    read_names,
)
from service.designs.tables import Design
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingMark
from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.tables import Run, RunReading, Snapshot, SnapshotKind
from service.stacks.queries.cell_bridges import bridges_of_builds
from service.stacks.tables import Build, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part
from service.taps.queries import Taps, taps_of


@dataclass(frozen=True, slots=True)
class TypedSnapshot:
    """What was typed in of one moment: A, A/cm², °C, V by channel, h on the meter."""

    id: int
    stack: str
    build_number: int
    taken_at: datetime
    current_a: float | None
    density_a_cm2: float | None
    temperature_c: float | None
    stack_voltage_v: float | None
    meter_hours: float | None
    by: str
    known_from: datetime
    known_until: datetime | None
    voltages: tuple[tuple[str, float | None], ...]
    """channel and what it read"""


def typed_snapshot(session: Session, snapshot_id: int) -> TypedSnapshot | None:
    """Return one of them; None where there is none of this number. One statement."""
    row: Any = session.execute(
        select(
            Snapshot.channels,
            Snapshot.means_v,
            *columns(
                TypedSnapshot,
                Snapshot,
                stack=Stack.serial,
                build_number=Build.number,
                taken_at=Snapshot.from_at,
                by=Person.name,
            ),
        )
        .join(Stack, Stack.id == Snapshot.stack_id)
        .join(Build, Build.id == Snapshot.build_id)
        .join(Person, Person.id == Snapshot.by_id)
        .where(Snapshot.id == snapshot_id, Snapshot.kind == SnapshotKind.TYPED)
    ).first()
    if row is None:
        return None
    voltages = zip(json.loads(row.channels), json.loads(row.means_v), strict=True)
    return read_as(TypedSnapshot, row, voltages=tuple(voltages))


# Which snapshots of a stack to read whole: a bench makes thousands, a chart shows hundreds.
#
# Heads of all are read, voltages of the chosen ones only. As known now, or at ``known_at``.


MOST_NEAR, MOST_OPEN, NEWEST_OPEN = 400, 200, 60


@statement
def _heads(is_then: bool) -> Any:
    return (
        select(*columns(SnapshotHead, Snapshot))
        .where(
            Snapshot.build_id.in_(param_list("build_ids")), known(Snapshot, as_of_param(is_then))
        )
        .order_by(Snapshot.from_at, Snapshot.id)
    )


def snapshot_heads(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> tuple[SnapshotHead, ...]:
    """Return all snapshots of these builds without voltages, in the order of time.

    One statement.
    """
    rows: Any = session.connection().execute(
        _heads(known_at is not None), params(known_at, build_ids=build_ids)
    )
    return read_all(SnapshotHead, rows.all())


def chosen_heads(
    heads: Sequence[SnapshotHead], reference_a_cm2: float | None, wanted_id: int | None = None
) -> tuple[SnapshotHead, ...]:
    """Choose heads whose voltages are needed.

    Near the reference, without load, newest, asked for.

    Of many the first and last of each build stay, the others evenly over their order.
    """
    near = [
        head
        for head in heads
        if reference_a_cm2 is not None and is_near(head.density_a_cm2, reference_a_cm2)
    ]
    idle = [head for head in heads if head.is_open]
    loaded = [head for head in heads if not head.is_open]
    ids = {
        *(head.id for head in thinned(near, MOST_NEAR)),
        *(head.id for head in thinned(idle, MOST_OPEN)),
        *(head.id for head in idle[-NEWEST_OPEN:]),
        *(head.id for head in loaded[-1:]),
        *([wanted_id] if wanted_id is not None else []),
    }
    return tuple(head for head in heads if head.id in ids)


def thinned(heads: Sequence[SnapshotHead], most: int) -> list[SnapshotHead]:
    """Return the least and the greatest of each of ``most`` / 2 equal spans of x, in order."""
    if len(heads) <= most:
        return list(heads)
    last = len(heads) - 1
    places = {round(place * last / (most - 1)) for place in range(most)}
    for place, head in enumerate(heads):
        before = heads[place - 1].build_id if place else None
        after = heads[place + 1].build_id if place < last else None
        if head.build_id != before or head.build_id != after:
            places.add(place)
    return [heads[place] for place in sorted(places)]


SNAPSHOTS = select(*columns(CellSnapshot, Snapshot)).where(Snapshot.id.in_(param_list("ids")))


def snapshots_read(
    session: Session, stack_id: int, heads: Sequence[SnapshotHead], known_at: datetime | None = None
) -> tuple[CellSnapshot, ...]:
    """Return snapshots with their voltages resolved to cells and MEAs. Four statements."""
    rows: Any = session.connection().execute(SNAPSHOTS, {"ids": [head.id for head in heads]})
    builds = {head.build_id for head in heads}
    taps = taps_of(session, [stack_id], known_at)
    meas = mea_of_cells(session, builds, known_at)
    bridges = bridges_of_builds(session, builds, known_at)
    snapshots: list[CellSnapshot] = []
    for row in rows.all():
        names = read_names(row.channels)
        middle = row.from_at + (row.until_at - row.from_at) / 2
        cells = taps.cell_of(stack_id, middle, names)
        of_cell = meas.get(row.build_id, {})
        bridged = (
            bridge.cell for bridge in bridges.get(row.build_id, ()) if bridge.holds_at(middle)
        )
        snapshots.append(
            read_as(
                CellSnapshot,
                row,
                channels=names,
                means_v=tuple(json.loads(row.means_v)),
                spreads_v=tuple(json.loads(row.spreads_v)),
                cells=cells,
                part_ids=tuple(None if cell is None else of_cell.get(cell) for cell in cells),
                bridged=frozenset(bridged),
            )
        )
    return tuple(sorted(snapshots, key=lambda row: (row.from_at, row.id)))


# What reading the rests of a run needs: its file, mapping, and whose channels they were.


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
    marked: dict[int, MeaWord]
    taps: Taps = field(default_factory=Taps)

    @property
    def channels(self) -> tuple[str, ...]:
        """The columns of the cells, in the order of the mapping."""
        return tuple(cell.column for cell in self.mapping.cells)

    def cells_at(self, time: datetime) -> tuple[int | None, ...]:
        """Say which cell each channel read at a time, by the tap map valid then."""
        valid = self.taps.map_at(self.stack_id, time)
        numbers = (cell.channel for cell in self.mapping.cells)
        return tuple(number if valid is None else valid.cell_of(number) for number in numbers)


_WORDS_ON_MEAS = select(FailingMark.part_id, FailingMark.says).where(
    FailingMark.part_id.in_(param_list("part_ids")), FailingMark.withdrawn_at.is_(None)
)


def words_on_meas(session: Session, part_ids: Collection[int]) -> dict[int, MeaWord]:
    """Return what somebody says of each of these MEAs, and still holds. One statement."""
    rows = session.execute(_WORDS_ON_MEAS, {"part_ids": list(part_ids)})
    return {row.part_id: row.says for row in rows}


def run_of_rests(session: Session, run_id: int) -> RunOfRests:
    """Return one run that was not made void. Five statements. Raises NotFound."""
    row: Any = session.execute(
        select(
            Build.id.label("build_id"),
            *columns(
                RunOfRests,
                Run,
                RunReading,
                stack=Stack.serial,
                active_area_cm2=Design.active_area_cm2,
                build_number=Build.number,
            ),
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
    return read_as(
        RunOfRests,
        row,
        mapping=mapping_from_json(row.mapping),
        meas=meas,
        labels={key: part_label(serial, lot, item) for key, serial, lot, item in labels},
        marked=words_on_meas(session, meas.values()),
        taps=taps_of(session, [row.stack_id]),
    )
