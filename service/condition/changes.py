"""Polarisation curves typed in, and curves made void.

Curves out of a sweep's file come in with it, see `sweeps`.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select

from service.condition.arithmetic.found_sweeps import FORMULA, FoundCurve, FoundRest, FoundSweep
from service.condition.arithmetic.measured_curves import MeasuredPoint, in_order, points_as_text
from service.condition.arithmetic.polarisation import GREATEST_A_CM2, GREATEST_V
from service.condition.arithmetic.typed_voltages import MOST_CHANNELS, typed_channels
from service.platform import changes
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import within
from service.platform.audit import Event
from service.platform.changes import Stored
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.runs.queries.run_checks import why_not_released
from service.runs.tables import (
    CurveDirection,
    PolarisationCurve,
    Run,
    RunKind,
    RunReading,
    Snapshot,
    SnapshotKind,
)
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables import Stack
from service.taps.changes import VoltagePlace, voltage_place


def add_curve(
    work: Work,
    stack_id: int,
    *,
    taken_at: datetime,
    channels: Sequence[str],
    points: Sequence[MeasuredPoint],
    direction: CurveDirection = CurveDirection.TYPED,
    occasion: str = "",
    temperature_c: float | None = None,
    meter_hours: float | None = None,
) -> int:
    """Add a polarisation curve of all channels of a stack; give its id.

    Which cell each channel read, the tap map valid then says. Raises Refused where no build was
    closed then or the channels do not read its cells, NotFound for an unknown stack.
    """
    need(work.by, Act.RUN_WRITE)
    place = voltage_place(work, stack_id, taken_at, channels, field="rows")
    row = curve_row(
        work,
        place,
        taken_at=taken_at,
        channels=channels,
        points=points,
        direction=direction,
        occasion=occasion,
        temperature_c=temperature_c,
        meter_hours=meter_hours,
    )
    work.session.flush()
    work.note(
        Event.CURVE_ADDED,
        ("curve", row.id, curve_label(place.serial, taken_at)),
        [
            ("taken at", None, taken_at),
            ("build", None, place.build.number),
            ("points", None, len(points)),
            ("channels", None, len(channels)),
            ("direction", None, direction),
            ("occasion", None, row.occasion or None),
            ("temperature", None, None if temperature_c is None else f"{temperature_c:g} °C"),
            ("hour meter", None, None if meter_hours is None else f"{meter_hours:g} h"),
        ],
        stack_id=stack_id,
    )
    judge_stack(work, stack_id)
    return row.id


def curve_row(
    work: Work,
    place: VoltagePlace,
    *,
    taken_at: datetime,
    channels: Sequence[str],
    points: Sequence[MeasuredPoint],
    direction: CurveDirection,
    occasion: str,
    temperature_c: float | None,
    meter_hours: float | None,
    reading_id: int | None = None,
) -> PolarisationCurve:
    """Add a curve inside a larger change, which asks for leave and writes the trail."""
    try:
        ordered = in_order(points)
    except (Inconsistent, OutOfRange) as trouble:
        raise Refused("rows", "", str(trouble), "Points at several current densities.") from trouble
    if len(ordered[0].means_v) != len(channels):
        raise Refused(
            "rows",
            f"{len(ordered[0].means_v)} voltages a point",
            f"there are {len(channels)} channels.",
            "As many voltages as channels.",
        )
    row = PolarisationCurve(
        reading_id=reading_id,
        stack_id=place.stack_id,
        build_id=place.build.build_id,
        taken_at=taken_at,
        direction=direction,
        occasion=changes.optional_words("occasion", occasion),
        temperature_c=cell_temperature(temperature_c),
        meter_hours=changes.not_below_zero("meter_hours", meter_hours, "h"),
        channels=json.dumps(list(channels), separators=(",", ":")),
        points=points_as_text(ordered),
        by_id=work.by.id,
        known_from=work.now,
        known_until=None,
    )
    work.session.add(row)
    return row


def void_curve(work: Work, curve_id: int, *, reason: str) -> None:
    """Make a curve void: it stays as it was, and counts no more. Raises Refused, NotFound."""
    need(work.by, Act.RUN_WRITE)
    why = changes.reason(reason)
    row = work.locked(PolarisationCurve, curve_id, "polarisation curve")
    serial = work.session.get_one(Stack, row.stack_id).serial
    label = curve_label(serial, row.taken_at)
    _make_void(work, row, "curve", label)
    work.note(
        Event.CURVE_VOID,
        ("curve", row.id, label),
        [("known until", None, work.now)],
        reason=why,
        stack_id=row.stack_id,
    )
    judge_stack(work, row.stack_id)


def _make_void(work: Work, row: PolarisationCurve | Snapshot, field: str, value: object) -> None:
    if row.known_until is not None:
        raise Refused(field, value, "it is void already.")
    row.known_until = work.now
    work.session.flush()


def cell_temperature(temperature_c: float | None) -> float | None:
    """Return a stack's temperature in °C, or None. Raises Refused for one no stack has."""
    if temperature_c is None:
        return None
    try:
        return within("the temperature", temperature_c, "°C", -50.0, 200.0)
    except OutOfRange as trouble:
        raise Refused(
            "temperature_c", f"{temperature_c:g}", "no stack has it.", "-50 to 200 °C."
        ) from trouble


def curve_label(serial: str, taken_at: datetime) -> str:
    """Return what the trail calls a curve."""
    return f"polarisation curve of {serial}, {taken_at:%Y-%m-%d %H:%M} UTC"


# A sweep's file brought in: kept as a run, with a curve a leg and its open-circuit voltages.
#
# A sweep counts no hours: its reading has no length, so that meters and logs count alone.


@dataclass(frozen=True, slots=True)
class SweepTaken:
    """When and how a sweep was taken, as a person says; ``taken_at`` is its first row."""

    taken_at: datetime
    occasion: str = ""
    temperature_c: float | None = None
    meter_hours: float | None = None
    note: str = ""


def import_sweep(
    work: Work,
    stack_id: int,
    *,
    stored: Stored,
    mapping: str,
    sweep: FoundSweep,
    conditions: SweepTaken,
    legs: Sequence[int] = (),
) -> int:
    """Keep a sweep's file and what it gave; give the id of its first curve.

    ``mapping`` is the JSON the file was read through; ``legs`` (from 1) says which ways of the
    current become curves, empty: all. Raises Refused where the same content is known, no build was
    closed then, or its channels do not read the build's cells.
    """
    need(work.by, Act.RUN_WRITE)
    before = _refuse_known(work, stack_id, stored)
    place = voltage_place(work, stack_id, conditions.taken_at, sweep.channels, field="cells")
    curves = [curve for curve in sweep.curves if not legs or curve.leg in legs]
    if not curves:
        raise Refused("legs", "", "no way of the current was chosen.", "One at least.")
    run = before or _run(work, stack_id, stored, conditions.note)
    reading = _reading(work, run, place, mapping=mapping, sweep=sweep, conditions=conditions)
    work.session.add(reading)
    work.session.flush()
    rows = [
        curve_row(
            work,
            place,
            taken_at=_at(conditions.taken_at, sweep.begins_s, curve.begins_s),
            channels=sweep.channels,
            points=curve.points,
            direction=CurveDirection(curve.way.value),
            occasion=conditions.occasion,
            temperature_c=_warmth(sweep, conditions),
            meter_hours=conditions.meter_hours,
            reading_id=reading.id,
        )
        for curve in curves
    ]
    if sweep.rest is not None:
        work.session.add(_rest(work, reading, sweep.rest, sweep, conditions))
    work.session.flush()
    work.note(
        Event.RUN_READ_AGAIN if before else Event.RUN_IMPORTED,
        ("run", run.id, f"sweep {stored.name} of {place.serial}"),
        [
            ("content", None, stored.content_sha256),
            ("taken at", None, conditions.taken_at),
            ("build", None, place.build.number),
            ("curves", None, ", ".join(_curve_in_words(curve) for curve in curves)),
            ("occasion", None, conditions.occasion or None),
        ],
        stack_id=stack_id,
    )
    judge_stack(work, stack_id)
    return rows[0].id


def _refuse_known(work: Work, stack_id: int, stored: Stored) -> Run | None:
    """The run that had this content and was made void, to be taken in anew; Refused otherwise."""
    run = work.session.scalar(select(Run).where(Run.content_sha256 == stored.content_sha256))
    if run is None:
        return None
    standing = work.session.scalar(
        select(RunReading.id).where(RunReading.run_id == run.id, RunReading.known_until.is_(None))
    )
    if standing is None and run.stack_id == stack_id and run.kind is RunKind.SWEEP:
        return run
    serial = work.session.get_one(Stack, run.stack_id).serial
    void = " and made void" if standing is None else ""
    raise Refused(
        "file",
        stored.name,
        f"the same content was brought in on {run.added_at:%Y-%m-%d}{void} as run {run.id},"
        f" “{run.name}”, of stack {serial}.",
        "Another file; a run that was read wrongly is made void and taken in again.",
    )


def _run(work: Work, stack_id: int, stored: Stored, note: str) -> Run:
    run = Run(
        stack_id=stack_id,
        kind=RunKind.SWEEP,
        content_sha256=stored.content_sha256,
        size_bytes=stored.size_bytes,
        name=stored.name[-200:],
        note=changes.optional_words("note", note, most=changes.LONG_MOST),
        added_by_id=work.by.id,
        added_at=work.now,
    )
    work.session.add(run)
    work.session.flush()
    return run


def _reading(
    work: Work,
    run: Run,
    place: VoltagePlace,
    *,
    mapping: str,
    sweep: FoundSweep,
    conditions: SweepTaken,
) -> RunReading:
    return RunReading(
        run_id=run.id,
        stack_id=place.stack_id,
        build_id=place.build.build_id,
        mapping=mapping,
        formula=FORMULA,
        began_at=conditions.taken_at,
        ended_at=conditions.taken_at,
        row_count=sweep.rows,
        recorded_hours=0.0,
        load_hours=0.0,
        gas_hours=None,
        starts=0,
        stops=0,
        meter_id=None,
        meter_from_hours=None,
        meter_to_hours=None,
        above="[]",
        doubts=json.dumps(list(sweep.doubts), ensure_ascii=False),
        not_released=why_not_released(
            work.session, place.build.build_id, conditions.taken_at, conditions.taken_at
        ),
        by_id=work.by.id,
        reason="",
        known_from=work.now,
        known_until=None,
    )


def _rest(
    work: Work, reading: RunReading, rest: FoundRest, sweep: FoundSweep, conditions: SweepTaken
) -> Snapshot:
    return Snapshot(
        reading_id=reading.id,
        stack_id=reading.stack_id,
        build_id=reading.build_id,
        kind=SnapshotKind.OPEN_CIRCUIT,
        from_at=_at(conditions.taken_at, sweep.begins_s, rest.begins_s),
        until_at=_at(conditions.taken_at, sweep.begins_s, rest.ends_s),
        row_count=rest.rows,
        current_a=0.0,
        density_a_cm2=0.0,
        temperature_c=_warmth(sweep, conditions),
        stack_voltage_v=rest.stack_voltage_v,
        meter_hours=conditions.meter_hours,
        channels=json.dumps(list(sweep.channels), ensure_ascii=False, separators=(",", ":")),
        means_v=json.dumps([_rounded(volts) for volts in rest.means_v]),
        spreads_v=json.dumps([_rounded(volts) for volts in rest.spreads_v]),
        by_id=work.by.id,
        known_from=work.now,
        known_until=None,
    )


def _at(taken_at: datetime, begins_s: float | None, at_s: float | None) -> datetime:
    if begins_s is None or at_s is None:
        return taken_at
    return taken_at + timedelta(seconds=at_s - begins_s)


def _warmth(sweep: FoundSweep, conditions: SweepTaken) -> float | None:
    typed_c = conditions.temperature_c
    return cell_temperature(sweep.temperature_c if typed_c is None else typed_c)


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 6)


def _curve_in_words(curve: FoundCurve) -> str:
    least, most = curve.reach_a_cm2
    return f"{curve.way} {least:.3g} to {most:.3g} A/cm², {len(curve.points)} points"


# Cell voltages of one moment, read off a monitor and typed in.


def type_voltages(
    work: Work,
    stack_id: int,
    *,
    taken_at: datetime,
    current_a: float,
    voltages_v: Sequence[float | None],
    temperature_c: float | None = None,
    stack_voltage_v: float | None = None,
    meter_hours: float | None = None,
    channels: Sequence[str] = (),
) -> int:
    """Write down the voltages of a stack's channels at one moment, in V; give their id.

    ``current_a`` 0: open circuit. Channels without names are numbered in their order. Raises
    Refused where no build was closed then, the channels do not read its cells, or the same moment
    was typed in already; NotFound for an unknown stack.
    """
    need(work.by, Act.RUN_WRITE)
    names = tuple(channels) or typed_channels(len(voltages_v))
    if len(names) != len(voltages_v):
        raise Refused("voltages", f"{len(voltages_v)} values", f"there are {len(names)} channels.")
    place = voltage_place(work, stack_id, taken_at, names)
    changes.not_below_zero("current_a", current_a, "A")
    density = current_a / place.active_area_cm2
    if density > GREATEST_A_CM2:
        most = GREATEST_A_CM2 * place.active_area_cm2
        raise Refused(
            "current_a",
            f"{current_a:g}",
            f"it would be {density:.3g} A/cm².",
            f"At most {most:g} A.",
        )
    for name, volts in zip(names, voltages_v, strict=True):
        if volts is not None and not -GREATEST_V <= volts <= GREATEST_V:
            raise Refused("voltages", f"{name}: {volts:g} V", "no cell has it.", "In V.")
    if all(volts is None for volts in voltages_v):
        raise Refused("voltages", "", "no channel was read.", "One value at least.")
    if stack_voltage_v is not None and not abs(stack_voltage_v) <= GREATEST_V * MOST_CHANNELS:
        right = f"At most {GREATEST_V * MOST_CHANNELS:g} V."
        raise Refused("stack_voltage_v", f"{stack_voltage_v:g}", "no stack has it.", right)
    _refuse_twice(work, stack_id, taken_at)
    row = Snapshot(
        reading_id=None,
        stack_id=stack_id,
        build_id=place.build.build_id,
        kind=SnapshotKind.TYPED,
        from_at=taken_at,
        until_at=taken_at,
        row_count=1,
        current_a=current_a,
        density_a_cm2=density,
        temperature_c=cell_temperature(temperature_c),
        stack_voltage_v=stack_voltage_v,
        meter_hours=changes.not_below_zero("meter_hours", meter_hours, "h"),
        channels=json.dumps(list(names), separators=(",", ":")),
        means_v=json.dumps(list(voltages_v)),
        spreads_v=json.dumps([None] * len(voltages_v)),
        by_id=work.by.id,
        known_from=work.now,
        known_until=None,
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.VOLTAGES_TYPED,
        ("stack", stack_id, place.serial),
        [
            ("taken at", None, taken_at),
            ("current", None, f"{current_a:g} A"),
            ("voltages", None, ", ".join("–" if v is None else f"{v:g}" for v in voltages_v)),
        ],
        stack_id=stack_id,
    )
    judge_stack(work, stack_id)
    return row.id


def void_voltages(work: Work, snapshot_id: int, *, reason: str) -> None:
    """Make voltages that were typed in void: they stay as they were, and count no more.

    Those of a run go with their run. Raises Refused, NotFound.
    """
    need(work.by, Act.RUN_WRITE)
    why = changes.reason(reason)
    row = work.locked(Snapshot, snapshot_id, "snapshot")
    if row.reading_id is not None:
        raise Refused(
            "snapshot",
            snapshot_id,
            "it was read from a run.",
            "Make the run void, or read it again.",
        )
    _make_void(work, row, "snapshot", snapshot_id)
    serial = work.session.get_one(Stack, row.stack_id).serial
    work.note(
        Event.VOLTAGES_VOID,
        ("stack", row.stack_id, serial),
        [("taken at", row.from_at, None), ("voltages", row.means_v, None)],
        reason=why,
        stack_id=row.stack_id,
    )
    judge_stack(work, row.stack_id)


def _refuse_twice(work: Work, stack_id: int, taken_at: datetime) -> None:
    snapshot_id = work.session.scalar(
        select(Snapshot.id).where(
            Snapshot.stack_id == stack_id,
            Snapshot.from_at == taken_at,
            Snapshot.kind == SnapshotKind.TYPED,
            Snapshot.known_until.is_(None),
        )
    )
    if snapshot_id is not None:
        raise Refused(
            "taken_at",
            f"{taken_at:%Y-%m-%d %H:%M} UTC",
            "voltages of this moment were typed in already.",
            "Make those void first, or give another time.",
        )
