"""Voltages, tap maps and bridges of an invented bench, straight into the tables."""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.queries.tap_maps import channels_as_kept
from service.records.tables.cell_taps import CellBridge, TapMap
from service.records.tables.people import Role
from service.records.tables.runs import Snapshot, SnapshotKind
from service.records.tables.stacks import Build
from service.trade.tap_maps import checked_map
from tests import builders


def a_tap_map(
    session: Session,
    stack_id: int,
    valid_from: datetime,
    cell_of: Mapping[int, int | None],
    *,
    known_from: datetime | None = None,
) -> TapMap:
    """A map from channel to cell."""
    row = TapMap(
        stack_id=stack_id,
        valid_from=valid_from,
        channels=channels_as_kept(checked_map(valid_from, cell_of).taps),
        reason="leads laid",
        by_id=builders.a_person(session, Role.BUILDER).id,
        known_from=known_from or valid_from,
    )
    session.add(row)
    session.flush()
    return row


def a_bridge(
    session: Session,
    build: Build,
    cell: int,
    from_at: datetime,
    until_at: datetime | None = None,
) -> CellBridge:
    """A cell bridged in service."""
    row = CellBridge(
        stack_id=build.stack_id,
        build_id=build.id,
        cell=cell,
        from_at=from_at,
        until_at=until_at,
        reason="cell reverses at load",
        allowed_by="Anton Achterberg (invented)",
        by_id=builders.a_person(session, Role.BUILDER).id,
        known_from=from_at,
    )
    session.add(row)
    session.flush()
    return row


def a_snapshot(
    session: Session,
    build: Build,
    at: datetime,
    means_v: Sequence[float | None],
    *,
    channels: Sequence[str] = (),
    density_a_cm2: float = 0.7,
    meter_hours: float | None = None,
) -> Snapshot:
    """Ten steady minutes around a time."""
    names = channels or [f"U{number} (V)" for number in range(1, len(means_v) + 1)]
    by = session.scalars(select(builders.Person)).first() or builders.a_person(session)
    row = Snapshot(
        stack_id=build.stack_id,
        build_id=build.id,
        kind=SnapshotKind.STEADY,
        from_at=at - timedelta(minutes=5),
        until_at=at + timedelta(minutes=5),
        row_count=600,
        current_a=density_a_cm2 * 100,
        density_a_cm2=density_a_cm2,
        temperature_c=65.0,
        stack_voltage_v=sum(mean or 0.0 for mean in means_v),
        meter_hours=meter_hours,
        channels=json.dumps(list(names)),
        means_v=json.dumps(list(means_v)),
        spreads_v=json.dumps([0.001] * len(means_v)),
        by_id=by.id,
        known_from=at,
    )
    session.add(row)
    session.flush()
    return row
