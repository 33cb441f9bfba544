"""Runs: a test bench's log taken in for a stack, read again, made void.

The file lies on disk under its hash before its row is written (runs/files/run_files.py).
"""

from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import select

from service.platform import changes
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.runs.arithmetic.log_columns import Mapping
from service.runs.changes.run_readings import (
    NOT_MOVED,
    LogRead,
    add_moved,
    add_reading,
    close_out,
    tell_others,
)
from service.runs.queries.run_checks import KnownRun, run_with_content
from service.runs.tables import ColumnMapping, PolarisationCurve, Run, RunKind, RunReading
from service.stacks.changes.build_features import keep_makeups_since
from service.stacks.tables import Stack

MOST_MOVED_MIN = 60 * 24 * 366 * 10
"""Some clocks forget the year."""


@dataclass(frozen=True, slots=True)
class StoredLog:
    """A log that lies on disk under its hash."""

    content_sha256: str
    size_bytes: int
    name: str


def import_run(work: Work, stack_id: int, file: StoredLog, log: LogRead, *, note: str = "") -> int:
    """Take a log in for a stack: hours, limits and voltages count from now on. Gives its id.

    Raises Refused where the same content was taken in before, and as `add_reading` does; NotFound
    for an unknown stack.
    """
    serial = _locked_stack(work, stack_id)
    refuse_known(work, file)
    run = Run(
        stack_id=stack_id,
        kind=RunKind.LOG,
        content_sha256=file.content_sha256,
        size_bytes=file.size_bytes,
        name=changes.optional_words("log", file.name)[-200:] or "without a name",
        note=changes.optional_words("note", note, most=changes.LONG_MOST),
        added_by_id=work.by.id,
        added_at=work.now,
    )
    work.session.add(run)
    work.session.flush()
    reading = add_reading(work, run.id, stack_id, log)
    keep_makeups_since(work, stack_id, reading.began_at)
    work.note(
        Event.RUN_IMPORTED,
        ("run", run.id, run_label(run.name, serial)),
        [
            ("file", None, run.name),
            ("SHA-256", None, run.content_sha256),
            ("size in bytes", None, run.size_bytes),
            ("note", None, run.note or None),
            *_facts(log, None, reading),
        ],
        stack_id=stack_id,
    )
    return run.id


def read_run_again(
    work: Work, run_id: int, log: LogRead, *, reason: str, stack_id: int | None = None
) -> int:
    """Replace what a run's file was read as, with all that came of it. Gives the reading's id.

    A correction of its clock is kept. ``stack_id``: the stack it belongs to, where that is another
    than was thought. A run that was
    made void counts again. Raises Refused as `add_reading` does, NotFound.
    """
    why = changes.reason(reason)
    run, serial = _locked_run(work, run_id)
    if run.kind is not RunKind.LOG:
        raise Refused("run", run.name, "it is a sweep, not a log.", "Take the sweep in anew.")
    before = _standing(work, run_id)
    was_of = before.stack_id if before is not None else run.stack_id
    belongs_to = was_of if stack_id is None else stack_id
    if belongs_to != run.stack_id:
        serial = _locked_stack(work, belongs_to)
    if before is not None:
        close_out(work, before)
    clock = timedelta(minutes=before.clock_min) if before is not None else NOT_MOVED
    reading = add_reading(work, run_id, belongs_to, log, reason=why, clock=clock)
    first = min(reading.began_at, before.began_at if before else reading.began_at)
    keep_makeups_since(work, belongs_to, first)
    moved: list[Change] = []
    if was_of != belongs_to:
        tell_others(work, was_of)
        keep_makeups_since(work, was_of, first)
        moved = [("stack", work.session.get_one(Stack, was_of).serial, serial)]
    work.note(
        Event.RUN_READ_AGAIN,
        ("run", run_id, run_label(run.name, serial)),
        [*moved, *_facts(log, before, reading)],
        reason=why,
        stack_id=belongs_to,
    )
    return reading.id


def correct_clock(work: Work, run_id: int, *, minutes: float, reason: str) -> int:
    """Move all times of a log whose clock, or time zone, was wrong. Gives the new reading's id.

    Hours and snapshots follow at their right times, perhaps in another build; what was read before
    is closed out and stays. Raises Refused as `add_reading` does, NotFound.
    """
    why = changes.reason(reason)
    if not minutes or abs(minutes) > MOST_MOVED_MIN:
        right = "Not zero; plus where the clock was slow, minus where it was ahead."
        raise Refused("minutes", f"{minutes:.10g}", "it cannot be an error of a clock.", right)
    run, serial = _locked_run(work, run_id)
    before = _standing(work, run_id)
    if run.kind is not RunKind.LOG or before is None:
        raise Refused("run", run.name, "it is no log that counts.", "A log that is not void.")
    close_out(work, before)
    reading = add_moved(work, before, timedelta(minutes=minutes), why)
    keep_makeups_since(work, before.stack_id, min(before.began_at, reading.began_at))
    names = ("began_at", "ended_at", "build_id", "meter_id", "not_released")
    work.note(
        Event.RUN_CLOCK_CORRECTED,
        ("run", run_id, run_label(run.name, serial)),
        [
            ("clock", None, f"{minutes:+g} min"),
            *((name, getattr(before, name), getattr(reading, name)) for name in names),
        ],
        reason=why,
        stack_id=before.stack_id,
    )
    return reading.id


def void_run(work: Work, run_id: int, *, reason: str) -> None:
    """Make a run void: its file stays, its hours, voltages and curves count no more.

    Raises Refused where it is void already, NotFound.
    """
    why = changes.reason(reason)
    run, serial = _locked_run(work, run_id)
    reading = _standing(work, run_id)
    if reading is None:
        raise Refused("run", run.name, "it is void already.", "It can be read again.")
    close_out(work, reading)
    for curve in work.session.scalars(
        select(PolarisationCurve).where(
            PolarisationCurve.reading_id == reading.id, PolarisationCurve.known_until.is_(None)
        )
    ):
        curve.known_until = work.now
    tell_others(work, reading.stack_id)
    keep_makeups_since(work, reading.stack_id, reading.began_at)
    work.note(
        Event.RUN_VOID,
        ("run", run_id, run_label(run.name, serial)),
        [("hours at load", f"{reading.load_hours:.2f} h", None), ("began", reading.began_at, None)],
        reason=why,
        stack_id=reading.stack_id,
    )


def refuse_known(work: Work, file: StoredLog) -> None:
    """Refuse content that was taken in before, saying where."""
    earlier_run = run_with_content(work.session, file.content_sha256)
    if earlier_run is not None:
        raise already_taken(earlier_run, file.name)


def already_taken(earlier_run: KnownRun, name: str) -> Refused:
    """Return the refusal of content that was taken in before, saying where."""
    void = " and made void" if earlier_run.is_void else ""
    return Refused(
        "log",
        name,
        f"this very file was taken in before{void}: run {earlier_run.id}, “{earlier_run.name}”,"
        f" of stack {earlier_run.stack}.",
        f"It can be read again at /runs/{earlier_run.id}, also for another stack.",
    )


def run_label(name: str, serial: str) -> str:
    """Return what the trail calls a run.

    >>> run_label("log.csv", "TF-004")
    'run log.csv of TF-004'
    """
    return f"run {name} of {serial}"


def _facts(log: LogRead, before: RunReading | None, after: RunReading) -> list[Change]:
    def old(name: str) -> object:
        return getattr(before, name) if before is not None else None

    def hours(row: RunReading | None, name: str) -> str | None:
        value = None if row is None else getattr(row, name)
        return None if value is None else f"{value:.3f} h"

    return [
        ("began", old("began_at"), after.began_at),
        ("ended", old("ended_at"), after.ended_at),
        ("rows", old("row_count"), after.row_count),
        *(
            (words, hours(before, name), hours(after, name))
            for words, name in (
                ("recorded", "recorded_hours"),
                ("at load", "load_hours"),
                ("with gas", "gas_hours"),
                ("hour meter from", "meter_from_hours"),
                ("hour meter to", "meter_to_hours"),
            )
        ),
        ("starts", old("starts"), after.starts),
        ("stops", old("stops"), after.stops),
        ("snapshots", None, len(log.totals.windows)),
        ("not released", old("not_released"), after.not_released),
    ]


def _locked_stack(work: Work, stack_id: int) -> str:
    """The stack's serial, the stack held: logs of one stack are taken in one after another."""
    need(work.by, Act.RUN_WRITE)
    work.refuse_nobody("taken in by", "a run is taken in by a person.", "Name somebody.")
    return work.locked(Stack, stack_id, "stack").serial


def _locked_run(work: Work, run_id: int) -> tuple[Run, str]:
    run = work.session.get(Run, run_id)
    if run is None:
        need(work.by, Act.RUN_WRITE)
        raise NotFound("run", run_id)
    return run, _locked_stack(work, run.stack_id)


def _standing(work: Work, run_id: int) -> RunReading | None:
    return work.session.scalars(
        select(RunReading).where(RunReading.run_id == run_id, RunReading.known_until.is_(None))
    ).first()


# Saved mappings: which column of a bench's logs is what. A changed one is a new version.


def keep_mapping(work: Work, name: str, mapping: Mapping) -> int:
    """Keep a mapping under a name; the newest version of a name holds. Gives its id.

    Raises Refused where nothing differs from the newest version.
    """
    need(work.by, Act.RUN_WRITE)
    work.refuse_nobody("kept by", "a mapping is kept by a person.", "Name somebody.")
    called = changes.words("mapping_name", name, "Such as “bench 3”.", most=80)
    newest = work.session.execute(
        select(ColumnMapping.version, ColumnMapping.content)
        .where(ColumnMapping.name == called)
        .order_by(ColumnMapping.version.desc())
        .limit(1)
    ).first()
    content = mapping.to_json()
    if newest is not None and newest.content == content:
        raise Refused(
            "mapping_name",
            called,
            f"nothing differs from its version {newest.version}.",
            "Another name, or a change.",
        )
    version = (newest.version if newest else 0) + 1
    row = ColumnMapping(
        name=called, version=version, content=content, by_id=work.by.id, made_at=work.now
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.MAPPING_KEPT,
        ("column mapping", row.id, f"{called}, version {version}"),
        [("version", newest.version if newest else None, version), ("content", None, content)],
    )
    return row.id
