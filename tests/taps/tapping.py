"""Voltages, tap maps and bridges of an invented bench, straight into the tables."""

import json
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import CellSnapshot
from service.condition.queries.snapshots import snapshot_heads, snapshots_read
from service.people.tables import Role
from service.runs.tables import Run, RunKind, RunReading, Snapshot, SnapshotKind
from service.stacks.tables import Build, CellBridge, HourMeter, HourReport
from service.taps.arithmetic import checked_map
from service.taps.queries import channels_as_kept
from service.taps.tables import TapMap
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
    kind: SnapshotKind = SnapshotKind.STEADY,
    reading_id: int | None = None,
) -> Snapshot:
    """Ten steady minutes around a time."""
    names = channels or [f"U{number} (V)" for number in range(1, len(means_v) + 1)]
    by = session.scalars(select(builders.Person)).first() or builders.a_person(session)
    row = Snapshot(
        reading_id=reading_id,
        stack_id=build.stack_id,
        build_id=build.id,
        kind=kind,
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


def a_report(session: Session, stack_id: int, at: datetime, shown: Sequence[float]) -> HourReport:
    """What a bench reported of the newest meter on one day, a minute apart."""
    meter = session.scalars(
        select(HourMeter).where(HourMeter.stack_id == stack_id).order_by(HourMeter.number.desc())
    ).first()
    assert meter is not None
    by = session.scalars(select(builders.Person)).first() or builders.a_person(session)
    row = HourReport(
        stack_id=stack_id,
        meter_id=meter.id,
        day=at.astimezone(UTC).date(),
        first_hours=shown[0],
        first_at=at,
        last_hours=shown[-1],
        last_at=at + timedelta(minutes=len(shown) - 1),
        report_count=len(shown),
        by_id=by.id,
        known_from=at,
    )
    session.add(row)
    session.flush()
    return row


def a_run(
    session: Session,
    build: Build,
    began_at: datetime,
    ended_at: datetime,
    *,
    meter: tuple[float, float] | None = None,
    load_hours: float = 0.0,
    gas_hours: float | None = None,
    doubts: str = "[]",
) -> RunReading:
    """A log read for a build; ``meter`` is what the hour meter showed at both ends, in h."""
    by = session.scalars(select(builders.Person)).first() or builders.a_person(session)
    number = len(session.scalars(select(Run.id)).all())
    run = Run(
        stack_id=build.stack_id,
        kind=RunKind.LOG,
        content_sha256=f"{number:064x}",
        size_bytes=100,
        name=f"log-{number}.csv",
        added_by_id=by.id,
        added_at=ended_at,
    )
    session.add(run)
    session.flush()
    fitted = select(HourMeter.id).where(HourMeter.stack_id == build.stack_id)
    row = RunReading(
        run_id=run.id,
        stack_id=build.stack_id,
        build_id=build.id,
        mapping="{}",
        formula="log 1",
        began_at=began_at,
        ended_at=ended_at,
        row_count=100,
        recorded_hours=(ended_at - began_at).total_seconds() / 3600,
        load_hours=load_hours,
        gas_hours=gas_hours,
        starts=1,
        stops=1,
        meter_id=session.scalars(fitted.order_by(HourMeter.number.desc())).first()
        if meter
        else None,
        meter_from_hours=meter and meter[0],
        meter_to_hours=meter and meter[1],
        doubts=doubts,
        by_id=by.id,
        known_from=ended_at,
    )
    session.add(row)
    session.flush()
    return row


def voltages_of_build(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, tuple[CellSnapshot, ...]]:
    """All snapshots of these builds of one stack, resolved to cells and MEAs."""
    stack_id = session.scalars(select(Build.stack_id).where(Build.id.in_(build_ids))).first() or 0
    heads = snapshot_heads(session, build_ids, known_at)
    read = snapshots_read(session, stack_id, heads, known_at)
    return {
        build_id: tuple(one for one in read if one.build_id == build_id) for build_id in build_ids
    }
