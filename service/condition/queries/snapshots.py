"""Voltages that were typed in, as they were typed, made void or not."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.queries.answers import columns, read_as
from service.runs.tables import Snapshot, SnapshotKind
from service.stacks.tables.stacks import Build, Stack


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
    """One of them; None where there is none of this number. One statement."""
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
