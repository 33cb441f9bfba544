"""What one reading of a run's file becomes: hours, limits, snapshots, each checked by the stack."""

import json
import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import insert, select

from service.platform.arithmetic.errors import Inconsistent
from service.platform.changes import not_ahead
from service.platform.database import Work
from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import CellColumn, Mapping, TimeKind, mapping_from_json
from service.runs.arithmetic.log_times import RunTimes, run_times
from service.runs.arithmetic.run_counting import FORMULA, RunFound, SteadyVoltages
from service.runs.queries.run_checks import overlapping_run, shown_around, why_not_released
from service.runs.tables import RunReading, Snapshot, SnapshotKind
from service.stacks.changes.build_features import keep_makeups_of_stack
from service.stacks.changes.hours import (
    hours_beyond_time,
    meter_fitted_at,
    refuse_unless_between,
)
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.queries.build_spans import open_spans
from service.taps.arithmetic import channel_numbers
from service.taps.changes import VoltagePlace, voltage_place

FIRST_MOMENT = timedelta(seconds=1)
RIGHT_BUILD = "A log of one build, from after its closing to before its opening."


@dataclass(frozen=True, slots=True)
class LogRead:
    """What a log says: the mapping it was read through, and what was found.

    ``began_at`` is the moment of the first row where the log counts from its own beginning;
    ``notes`` are sentences on what was left out of it.
    """

    mapping: Mapping
    totals: RunFound
    began_at: datetime | None = None
    notes: tuple[str, ...] = ()


def channel_names(cells: tuple[CellColumn, ...]) -> tuple[str, ...]:
    """Return names under which voltages are kept.

    The columns', where they tell the channel's number.
    """
    columns = [cell.column for cell in cells]
    numbers = channel_numbers(columns) if columns else ()
    if list(numbers) == [cell.channel for cell in cells]:
        return tuple(columns)
    return tuple(f"U{cell.channel}" for cell in cells)


NOT_MOVED, MINUTE = timedelta(), timedelta(minutes=1)
LEFT_OUT = "The meter is left out; the file keeps what it says."


def refuse_early(work: Work, stack_id: int, mapping: Mapping, began_at: datetime) -> None:
    """Refuse what its first row and columns tell already, before a long log is read whole.

    Raises Refused as `add_reading` does: no build closed then, other cells, in another log's time.
    """
    names = channel_names(mapping.cells)
    if names:
        voltage_place(work, stack_id, began_at, names, when="began_at", field="mapping")
    _refuse_overlap(work, stack_id, began_at, began_at + FIRST_MOMENT)


def add_reading(
    work: Work,
    run_id: int,
    stack_id: int,
    log: LogRead,
    *,
    reason: str = "",
    clock: timedelta = NOT_MOVED,
) -> RunReading:
    """Add a reading with its snapshots inside a larger change, which asks for leave and notes it.

    ``clock``: by how much the log's own clock was corrected before; where it has none, it counts
    from the beginning that was given.

    Raises Refused beside ``began_at``, ``log`` or ``mapping``: no build closed at that time, a log
    that reaches over a closing or opening, another number of cells, overlapping another log, an
    hour meter that runs backwards.
    """
    times = log.totals.times
    try:
        moments = run_times(times, log.mapping.time.kind, log.began_at)
    except Inconsistent as trouble:
        raise Refused("began_at", "", str(trouble), "Such as 2026-03-07 14:20.") from None
    if log.mapping.time.kind is not TimeKind.CLOCK:
        clock = NOT_MOVED
    moments = replace(moments, began_at=moments.began_at + clock)
    moved = [clock_corrected(clock)] if clock else []
    began_at, ended_at = moments.began_at, moments.at(times.last_s)
    names = channel_names(log.mapping.cells)
    if not names:
        raise Refused("mapping", "", "no column is a cell voltage.", "One column for each cell.")
    place = voltage_place(work, stack_id, began_at, names, when="began_at", field="mapping")
    not_ahead("began_at", ended_at, work.now)
    _refuse_beyond_build(place, began_at, ended_at)
    _refuse_overlap(work, stack_id, began_at, ended_at)
    shows = (log.totals.meter_from_hours, log.totals.meter_to_hours)
    meter_id, doubts = _meter(work, stack_id, shows, began_at, ended_at)
    load = log.totals.load
    row = RunReading(
        run_id=run_id,
        stack_id=stack_id,
        build_id=place.build.build_id,
        mapping=log.mapping.to_json(),
        formula=FORMULA,
        began_at=began_at,
        ended_at=ended_at,
        clock_min=clock / MINUTE,
        row_count=times.rows,
        recorded_hours=times.running_h,
        load_hours=load.load_h if load else 0.0,
        gas_hours=load.gas_h if load and load.gas_seen_by != "load" else None,
        starts=load.starts if load else 0,
        stops=load.stops if load else 0,
        meter_id=meter_id,
        meter_from_hours=None if meter_id is None else log.totals.meter_from_hours,
        meter_to_hours=None if meter_id is None else log.totals.meter_to_hours,
        above=_limits_text(log.totals, moments),
        doubts=json.dumps([*log.notes, *log.totals.doubts, *moved, *doubts], ensure_ascii=False),
        not_released=why_not_released(work.session, place.build.build_id, began_at, ended_at),
        by_id=work.by.id,
        reason=reason,
        known_from=work.now,
        known_until=None,
    )
    work.session.add(row)
    work.session.flush()
    rows = [_snapshot(work, row, names, window, moments) for window in log.totals.windows]
    if rows:
        work.session.execute(insert(Snapshot), rows)
    tell_others(work, stack_id)
    return row


def add_moved(work: Work, before: RunReading, by: timedelta, reason: str) -> RunReading:
    """Add a reading like one closed out just now, with its snapshots, all its times moved.

    Raises Refused as `add_reading` does.
    """
    began_at, ended_at = before.began_at + by, before.ended_at + by
    names = channel_names(mapping_from_json(before.mapping).cells)
    place = voltage_place(work, before.stack_id, began_at, names, when="minutes", field="minutes")
    not_ahead("minutes", ended_at, work.now)
    _refuse_beyond_build(place, began_at, ended_at)
    _refuse_overlap(work, before.stack_id, began_at, ended_at)
    shows = (before.meter_from_hours, before.meter_to_hours)
    meter_id, doubts = _meter(work, before.stack_id, shows, began_at, ended_at)
    again = {"by_id": work.by.id, "known_from": work.now, "known_until": None}
    build_id = place.build.build_id
    moved = (
        _copied(before)
        | again
        | {
            "build_id": build_id,
            "began_at": began_at,
            "ended_at": ended_at,
            "clock_min": before.clock_min + by / MINUTE,
            "meter_id": meter_id,
            "meter_from_hours": None if meter_id is None else before.meter_from_hours,
            "meter_to_hours": None if meter_id is None else before.meter_to_hours,
            "above": _moved_limits(before.above, by),
            "doubts": json.dumps(
                [*json.loads(before.doubts), clock_corrected(by), *doubts], ensure_ascii=False
            ),
            "not_released": why_not_released(work.session, build_id, began_at, ended_at),
            "reason": reason,
        }
    )
    row = RunReading(**moved)
    work.session.add(row)
    work.session.flush()
    snapshots = work.session.scalars(
        select(Snapshot).where(Snapshot.reading_id == before.id, Snapshot.known_until == work.now)
    )
    rows = [
        _copied(snapshot)
        | again
        | {
            "reading_id": row.id,
            "build_id": build_id,
            "from_at": snapshot.from_at + by,
            "until_at": snapshot.until_at + by,
        }
        for snapshot in snapshots
    ]
    if rows:
        work.session.execute(insert(Snapshot), rows)
    tell_others(work, before.stack_id)
    return row


def clock_corrected(by: timedelta) -> str:
    """Say by how much a log's clock was corrected."""
    return f"The log’s clock was corrected by {by / MINUTE:+g} min."


def _copied(row: RunReading | Snapshot) -> dict[str, Any]:
    """What a row says, without its number."""
    return {c.key: getattr(row, c.key) for c in row.__table__.columns if c.key != "id"}


def _moved_limits(above: str, by: timedelta) -> str:
    limits = json.loads(above)
    for limit in limits:
        if limit["farthest_at"] is not None:
            limit["farthest_at"] = (datetime.fromisoformat(limit["farthest_at"]) + by).isoformat()
    return json.dumps(limits, ensure_ascii=False)


def tell_others(work: Work, stack_id: int) -> None:
    """Keep anew what is derived from a stack's hours and voltages."""
    work.session.flush()
    keep_makeups_of_stack(work, stack_id)
    judge_stack(work, stack_id)


def close_out(work: Work, reading: RunReading) -> None:
    """Let a reading and all that came of it count no more; it stays as it was."""
    reading.known_until = work.now
    for snapshot in work.session.scalars(
        select(Snapshot).where(Snapshot.reading_id == reading.id, Snapshot.known_until.is_(None))
    ):
        snapshot.known_until = work.now
    work.session.flush()


def _refuse_beyond_build(place: VoltagePlace, began_at: datetime, ended_at: datetime) -> None:
    opened_at = place.build.opened_at
    if opened_at is not None and ended_at > opened_at:
        raise Refused(
            "log",
            f"{began_at:%Y-%m-%d %H:%M} to {ended_at:%Y-%m-%d %H:%M} UTC",
            f"its last row is at {ended_at:%Y-%m-%d %H:%M} UTC, after build {place.build.number}"
            f" was opened at {opened_at:%Y-%m-%d %H:%M} UTC.",
            RIGHT_BUILD,
        )


def _refuse_overlap(work: Work, stack_id: int, began_at: datetime, ended_at: datetime) -> None:
    earlier_run = overlapping_run(work.session, stack_id, began_at, ended_at)
    if earlier_run is not None:
        raise Refused(
            "log",
            f"{began_at:%Y-%m-%d %H:%M} to {ended_at:%Y-%m-%d %H:%M} UTC",
            f"it overlaps run {earlier_run.run_id}, “{earlier_run.name}”, which lasts from"
            f" {earlier_run.began_at:%Y-%m-%d %H:%M} to {earlier_run.ended_at:%Y-%m-%d %H:%M} UTC:"
            " its hours would count twice.",
            "Make the other run void, or say the right beginning of this one.",
        )


def _meter(
    work: Work,
    stack_id: int,
    shows: tuple[float | None, float | None],
    began_at: datetime,
    ended_at: datetime,
) -> tuple[int | None, list[str]]:
    """The meter a log tells of, after its showings were held against what is known of it.

    Showings for which time does not suffice are left out, none is then given, and said as a doubt.
    """
    from_hours, to_hours = shows
    if from_hours is None or to_hours is None:
        return None, []
    meter = meter_fitted_at(work, stack_id, began_at)
    showings = shown_around(work.session, meter.id, began_at, ended_at)
    if meter.removed_at is not None and ended_at > meter.removed_at:
        raise Refused(
            "log",
            f"{to_hours:g} h",
            f"hour meter {meter.number} was removed at {meter.removed_at:%Y-%m-%d %H:%M} UTC,"
            " before the log ends.",
            "A log of one meter.",
        )
    spans = open_spans(work.session, stack_id)
    doubts: list[str] = []
    for hours, at in ((from_hours, began_at), (to_hours, ended_at)):
        refuse_unless_between(showings, hours, at, "log")
        earlier = [showing for showing in showings if showing.taken_at < at]
        if beyond := hours_beyond_time(earlier, hours, at, spans):
            doubts.append(f"{beyond} {LEFT_OUT}")
    return (None if doubts else meter.id), doubts[:1]


def _limits_text(totals: RunFound, moments: RunTimes) -> str:
    return json.dumps(
        [
            {
                "quantity": limit_hours.limit.channel,
                "side": limit_hours.limit.side.value,
                "limit": limit_hours.limit.value,
                "unit": limit_hours.limit.unit,
                "hours": round(limit_hours.beyond_h, 6),
                "times": limit_hours.times,
                "farthest": limit_hours.farthest,
                "farthest_at": None
                if limit_hours.farthest_s is None
                else moments.at(limit_hours.farthest_s).isoformat(),
            }
            for limit_hours in totals.limits
        ],
        ensure_ascii=False,
    )


def _snapshot(
    work: Work,
    reading: RunReading,
    names: tuple[str, ...],
    window: SteadyVoltages,
    moments: RunTimes,
) -> dict[str, Any]:
    kind = SnapshotKind.OPEN_CIRCUIT if window.is_open_circuit else SnapshotKind.STEADY
    return {
        "reading_id": reading.id,
        "stack_id": reading.stack_id,
        "build_id": reading.build_id,
        "kind": kind,
        "from_at": moments.at(window.begins_s),
        "until_at": moments.at(window.ends_s),
        "row_count": window.rows,
        "current_a": window.current_a,
        "density_a_cm2": window.density_a_cm2,
        "temperature_c": window.temperature_c,
        "stack_voltage_v": window.stack_voltage_v,
        "meter_hours": window.meter_hours,
        "channels": json.dumps(list(names), separators=(",", ":"), ensure_ascii=False),
        "means_v": _packed(window.means_v),
        "spreads_v": _packed(window.spreads_v),
        "by_id": work.by.id,
        "known_from": work.now,
        "known_until": None,
    }


def _packed(volts: tuple[float, ...]) -> str:
    rounded = [None if math.isnan(value) else round(value, 6) for value in volts]
    return json.dumps(rounded, separators=(",", ":"))
