"""Runs of stacks: what their logs said, as known now."""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import known
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.tables import (
    ColumnMapping,
    PolarisationCurve,
    Run,
    RunKind,
    RunReading,
    Snapshot,
    SnapshotKind,
)
from service.stacks.tables import Build, HourMeter, Stack

ADDED, READ = aliased(Person), aliased(Person)
MOST_SNAPSHOTS = 2000
OF_STACK = func.coalesce(RunReading.stack_id, Run.stack_id)
"""The stack a run counts for; of a void one the stack it was sent for."""


@dataclass(frozen=True, slots=True)
class LimitPassed:
    """Hours beyond a limit in one run; ``farthest`` None where the quantity has no value."""

    quantity: str
    side: str
    limit: float
    unit: str
    hours: float
    times: int
    farthest: float | None
    farthest_at: datetime | None


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """What a reading of a run's file found; hours in h. ``known_until`` None: it holds."""

    id: int
    build_id: int
    build_number: int
    began_at: datetime
    ended_at: datetime
    row_count: int
    recorded_hours: float
    load_hours: float
    gas_hours: float | None
    starts: int
    stops: int
    meter_number: int | None
    meter_from_hours: float | None
    meter_to_hours: float | None
    not_released: str | None
    formula: str
    by: str
    reason: str
    known_from: datetime
    known_until: datetime | None


@dataclass(frozen=True, slots=True)
class RunRow:
    """A run in a list; ``reading`` None where it is void."""

    id: int
    stack_id: int
    stack: str
    kind: RunKind
    name: str
    note: str
    content_sha256: str
    size_bytes: int
    added_by: str
    added_at: datetime
    reading: ReadingRow | None


@dataclass(frozen=True, slots=True)
class SnapshotRow:
    """Voltages of one steady time in a run, with the lowest and highest channel, V."""

    id: int
    kind: SnapshotKind
    from_at: datetime
    until_at: datetime
    row_count: int
    current_a: float | None
    density_a_cm2: float | None
    temperature_c: float | None
    meter_hours: float | None
    mean_v: float | None
    lowest_v: float | None
    lowest_channel: str
    highest_v: float | None


@dataclass(frozen=True, slots=True)
class RunSheet:
    """One run whole: its reading, every reading before, limits, doubts and snapshots."""

    run: RunRow
    readings: tuple[ReadingRow, ...]
    limits: tuple[LimitPassed, ...]
    doubts: tuple[str, ...]
    mapping: str
    snapshots: tuple[SnapshotRow, ...]
    snapshot_count: int
    curve_count: int


NEWEST = Order((func.coalesce(RunReading.began_at, Run.added_at), Run.id), descending=True)


def runs_of_stack(session: Session, stack_id: int, turn: Turn = FIRST) -> Listing[RunRow]:
    """Return the runs of a stack, newest first, void ones by their adding. One statement."""
    read = select(RunReading.run_id).where(RunReading.stack_id == stack_id)
    added = select(Run.id).where(Run.stack_id == stack_id)
    statement = _rows().where(Run.id.in_(read.union(added)), stack_id == OF_STACK)
    return listing(session, statement, NEWEST, turn, partial(map, _run))


def run_sheet(session: Session, run_id: int) -> RunSheet:
    """Return one run whole. Four statements. Raises NotFound."""
    run_row = session.execute(_rows().where(Run.id == run_id)).first()
    if run_row is None:
        raise NotFound("run", run_id)
    run = _run(run_row)
    readings = session.execute(
        _readings().where(RunReading.run_id == run_id).order_by(RunReading.id.desc())
    ).all()
    standing = run.reading.id if run.reading else None
    texts = session.execute(
        select(
            RunReading.above,
            RunReading.doubts,
            RunReading.mapping,
            select(func.count(Snapshot.id))
            .where(Snapshot.reading_id == RunReading.id)
            .scalar_subquery(),
            select(func.count(PolarisationCurve.id))
            .where(PolarisationCurve.reading_id == RunReading.id)
            .scalar_subquery(),
        )
        .where(RunReading.run_id == run_id)
        .order_by(RunReading.known_until.is_(None).desc(), RunReading.id.desc())
        .limit(1)
    ).one()
    above, doubts, mapping, snapshots, curves = texts
    return RunSheet(
        run,
        read_all(ReadingRow, readings),
        tuple(_limit(limit) for limit in json.loads(above)),
        tuple(json.loads(doubts)),
        mapping,
        _snapshots(session, standing) if standing else (),
        snapshots if standing else 0,
        curves if standing else 0,
    )


def newest_mapping(session: Session, run_id: int) -> tuple[str, datetime]:
    """Return the mapping a run was read through last, and when its first row was.

    Raises NotFound.
    """
    row = session.execute(
        select(RunReading.mapping, RunReading.began_at)
        .where(RunReading.run_id == run_id)
        .order_by(RunReading.id.desc())
        .limit(1)
    ).first()
    if row is None:
        raise NotFound("run", run_id)
    return row.mapping, row.began_at


_OF_READING = columns(
    ReadingRow, RunReading, build_number=Build.number, meter_number=HourMeter.number, by=READ.name
)


def _readings() -> Any:
    return (
        select(*_OF_READING)
        .join(Build, Build.id == RunReading.build_id)
        .join(READ, READ.id == RunReading.by_id)
        .outerjoin(HourMeter, HourMeter.id == RunReading.meter_id)
    )


def _rows() -> Any:
    return (
        select(
            *columns(RunRow, Run, stack_id=OF_STACK, stack=Stack.serial, added_by=ADDED.name),
            RunReading.id.label("reading_id"),
            *_OF_READING[1:],
        )
        .select_from(Run)
        .join(ADDED, ADDED.id == Run.added_by_id)
        .outerjoin(RunReading, (RunReading.run_id == Run.id) & known(RunReading))
        .join(Stack, Stack.id == OF_STACK)
        .outerjoin(Build, Build.id == RunReading.build_id)
        .outerjoin(READ, READ.id == RunReading.by_id)
        .outerjoin(HourMeter, HourMeter.id == RunReading.meter_id)
    )


def _run(row: Any) -> RunRow:
    key = row.reading_id
    return read_as(RunRow, row, reading=None if key is None else read_as(ReadingRow, row, id=key))


def _limit(entry: dict[str, Any]) -> LimitPassed:
    at = entry.get("farthest_at")
    return LimitPassed(
        entry["quantity"],
        entry.get("side", "above"),
        entry["limit"],
        entry["unit"],
        entry["hours"],
        entry.get("times", 0),
        entry.get("farthest"),
        datetime.fromisoformat(at) if at else None,
    )


def _snapshots(session: Session, reading_id: int) -> tuple[SnapshotRow, ...]:
    rows: Any = session.execute(
        select(Snapshot.channels, Snapshot.means_v, *columns(SnapshotRow, Snapshot))
        .where(Snapshot.reading_id == reading_id)
        .order_by(Snapshot.from_at)
        .limit(MOST_SNAPSHOTS)
    )
    snapshots = []
    for row in rows:
        volts = [
            (value, name)
            for value, name in zip(json.loads(row.means_v), json.loads(row.channels), strict=True)
            if value is not None
        ]
        lowest_v, lowest_channel = min(volts, default=(None, ""))
        snapshots.append(
            read_as(
                SnapshotRow,
                row,
                mean_v=sum(value for value, _ in volts) / len(volts) if volts else None,
                lowest_v=lowest_v,
                lowest_channel=lowest_channel,
                highest_v=max(volts)[0] if volts else None,
            )
        )
    return tuple(snapshots)


# Saved mappings of benches' logs: the newest version of each, and one by its name.


@dataclass(frozen=True, slots=True)
class KeptMapping:
    """One version of a mapping."""

    id: int
    name: str
    version: int
    content: str
    by: str
    made_at: datetime

    @property
    def mapping(self) -> Mapping:
        """What it says."""
        return mapping_from_json(self.content)


def kept_mappings(session: Session) -> tuple[KeptMapping, ...]:
    """Return the newest version of every mapping, by name. One statement."""
    newest = (
        select(ColumnMapping.name, func.max(ColumnMapping.version).label("version"))
        .group_by(ColumnMapping.name)
        .subquery()
    )
    rows = session.execute(
        _versions()
        .join(
            newest,
            (newest.c.name == ColumnMapping.name) & (newest.c.version == ColumnMapping.version),
        )
        .order_by(ColumnMapping.name)
    )
    return read_all(KeptMapping, rows)


def kept_mapping(session: Session, name: str, version: int | None = None) -> KeptMapping:
    """Return a mapping by its name, the newest version unless one is said. Raises NotFound."""
    statement = _versions().where(ColumnMapping.name == name)
    if version is not None:
        statement = statement.where(ColumnMapping.version == version)
    row = session.execute(statement.order_by(ColumnMapping.version.desc()).limit(1)).first()
    if row is None:
        raise NotFound("column mapping", name)
    return read_as(KeptMapping, row)


def versions_of(session: Session, name: str) -> tuple[KeptMapping, ...]:
    """Return every version of a mapping, the newest first. Raises NotFound."""
    rows = session.execute(
        _versions().where(ColumnMapping.name == name).order_by(ColumnMapping.version.desc())
    ).all()
    if not rows:
        raise NotFound("column mapping", name)
    return read_all(KeptMapping, rows)


def _versions() -> Any:
    return select(*columns(KeptMapping, ColumnMapping, by=Person.name)).join(
        Person, Person.id == ColumnMapping.by_id
    )
