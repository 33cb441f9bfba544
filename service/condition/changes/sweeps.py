"""A sweep's file brought in: kept as a run, with a curve a leg and its open-circuit voltages.

A sweep counts no hours: its reading has no length, so that meters and logs count alone.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select

from service.condition.arithmetic.found_sweeps import FORMULA, FoundCurve, FoundRest, FoundSweep
from service.condition.changes.polarisation_curves import cell_temperature, curve_row
from service.platform import changes
from service.platform.audit import Did
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes.attachments import Stored
from service.runs.queries.run_checks import why_not_released
from service.runs.tables import CurveDirection, Run, RunKind, RunReading, Snapshot, SnapshotKind
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables.stacks import Stack
from service.taps.changes.voltage_places import VoltagePlace, voltage_place


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
    found: FoundSweep,
    taken: SweepTaken,
    legs: Sequence[int] = (),
) -> int:
    """Keep a sweep's file and what it gave; give the id of its first curve.

    ``mapping`` is the JSON the file was read through; ``legs`` (from 1) says which ways of the
    current become curves, empty: all. Raises Refused where the same content is known, no build was
    closed then, or its channels do not read the build's cells.
    """
    need(work.by, Act.RUN_WRITE)
    before = _refuse_known(work, stack_id, stored)
    place = voltage_place(work, stack_id, taken.taken_at, found.channels, field="cells")
    wanted = [curve for curve in found.curves if not legs or curve.leg in legs]
    if not wanted:
        raise Refused("legs", "", "no way of the current was chosen.", "One at least.")
    run = before or _run(work, stack_id, stored, taken.note)
    reading = _reading(work, run, place, mapping=mapping, found=found, taken=taken)
    work.session.add(reading)
    work.session.flush()
    rows = [
        curve_row(
            work,
            place,
            taken_at=_at(taken.taken_at, found.begins_s, curve.begins_s),
            channels=found.channels,
            points=curve.points,
            direction=CurveDirection(curve.way.value),
            occasion=taken.occasion,
            temperature_c=_warmth(found, taken),
            meter_hours=taken.meter_hours,
            reading_id=reading.id,
        )
        for curve in wanted
    ]
    if found.rest is not None:
        work.session.add(_rest(work, reading, found.rest, found, taken))
    work.session.flush()
    work.note(
        Did.RUN_READ_AGAIN if before else Did.RUN_IMPORTED,
        ("run", run.id, f"sweep {stored.name} of {place.serial}"),
        [
            ("content", None, stored.content_sha256),
            ("taken at", None, taken.taken_at),
            ("build", None, place.build.number),
            ("curves", None, ", ".join(_said(curve) for curve in wanted)),
            ("occasion", None, taken.occasion or None),
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
    found: FoundSweep,
    taken: SweepTaken,
) -> RunReading:
    return RunReading(
        run_id=run.id,
        stack_id=place.stack_id,
        build_id=place.build.build_id,
        mapping=mapping,
        formula=FORMULA,
        began_at=taken.taken_at,
        ended_at=taken.taken_at,
        row_count=found.rows,
        recorded_hours=0.0,
        load_hours=0.0,
        gas_hours=None,
        starts=0,
        stops=0,
        meter_id=None,
        meter_from_hours=None,
        meter_to_hours=None,
        above="[]",
        doubts=json.dumps(list(found.doubts), ensure_ascii=False),
        not_released=why_not_released(
            work.session, place.build.build_id, taken.taken_at, taken.taken_at
        ),
        by_id=work.by.id,
        reason="",
        known_from=work.now,
        known_until=None,
    )


def _rest(
    work: Work, reading: RunReading, rest: FoundRest, found: FoundSweep, taken: SweepTaken
) -> Snapshot:
    return Snapshot(
        reading_id=reading.id,
        stack_id=reading.stack_id,
        build_id=reading.build_id,
        kind=SnapshotKind.OPEN_CIRCUIT,
        from_at=_at(taken.taken_at, found.begins_s, rest.begins_s),
        until_at=_at(taken.taken_at, found.begins_s, rest.ends_s),
        row_count=rest.rows,
        current_a=0.0,
        density_a_cm2=0.0,
        temperature_c=_warmth(found, taken),
        stack_voltage_v=rest.stack_voltage_v,
        meter_hours=taken.meter_hours,
        channels=json.dumps(list(found.channels), ensure_ascii=False, separators=(",", ":")),
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


def _warmth(found: FoundSweep, taken: SweepTaken) -> float | None:
    typed = taken.temperature_c
    return cell_temperature(found.temperature_c if typed is None else typed)


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 6)


def _said(curve: FoundCurve) -> str:
    least, most = curve.reach_a_cm2
    return f"{curve.way} {least:.3g} to {most:.3g} A/cm², {len(curve.points)} points"
