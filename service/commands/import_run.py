"""``layerbook import run``: the log of a test bench, read with a bar that says how far it is."""

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine

from service.commands import terminal
from service.commands.column_overrides import columns_wished
from service.commands.terminal import person_named
from service.platform.arithmetic.dates import parse_when
from service.platform.database import changing, reading
from service.runs.arithmetic.log_columns import Mapping, TimeKind
from service.runs.arithmetic.log_times import run_times
from service.runs.changes.run_readings import LogRead
from service.runs.changes.runs import StoredLog, already_taken, import_run
from service.runs.files import run_files
from service.runs.files.logs import look_at
from service.runs.files.logs_format import LogFormat
from service.runs.files.run_files import Received, receive
from service.runs.files.run_reading import read_log
from service.runs.queries.run_checks import area_of_stack, run_with_content
from service.settings import Settings
from service.stacks.queries.stacks import find_stack

File = Annotated[Path, typer.Argument(help="A log: CSV, CSV.GZ, Parquet or XLSX.")]


def import_log(
    file: File,
    *,
    stack: Annotated[str, typer.Option(prompt=True, help="Serial number of the stack.")],
    by: Annotated[str, typer.Option(prompt=True, help="Login of whoever takes the log in.")],
    mapping: Annotated[
        str | None,
        typer.Option(help="A saved mapping by its name, or a file of one as JSON; else a guess."),
    ] = None,
    began_at: Annotated[
        str | None,
        typer.Option(help="Time of the first row, where the log counts from its beginning."),
    ] = None,
    note: Annotated[str, typer.Option(help="Such as the test it belongs to.")] = "",
    show_mapping: Annotated[
        bool, typer.Option("--show-mapping", help="Print the columns as JSON, and stop.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Write without asking.")] = False,
) -> None:
    """Take in the log of a test bench: hours, starts and stops, limits, voltages."""
    settings = terminal.settings()
    if not file.is_file():
        raise terminal.stop(f"The file “{file}” cannot be read: it is not there.")
    with terminal.database(settings) as engine:
        written = look_at(file)
        columns, is_guess = columns_wished(engine, written, mapping)
        if show_mapping:
            print(json.dumps(json.loads(columns.to_json()), ensure_ascii=False, indent=1))
            return
        _show(file, written, columns)
        with reading(engine) as session:
            person = person_named(session, by)
            stack_id = find_stack(session, stack)
            area_cm2 = area_of_stack(session, stack_id)
        if is_guess and not yes and not typer.confirm("Read it so?", err=True):
            raise terminal.stop("Nothing was written. Give a mapping with --mapping.")
        begins = parse_when(began_at, settings.time_zone) if began_at else None
        with file.open("rb") as source:
            received = receive(settings.data_folder, source, file.name, settings.log_max_mb)
        try:
            _refuse_known(engine, received)
            log = _read(settings, received, columns, area_cm2, begins)
            _say_totals(log, settings)
            if not yes and not typer.confirm(f"Take it in for {stack}?", err=True):
                raise terminal.stop("Nothing was written.")
            stored = run_files.keep_upload(settings.data_folder, received)
            stored_log = StoredLog(stored.content_sha256, stored.size_bytes, stored.name)
            with changing(engine, person, via="command") as work:
                run_id = import_run(work, stack_id, stored_log, log, note=note)
        finally:
            run_files.forget_upload(settings.data_folder, received.token)
    print(f"Run {run_id} of {stack} was taken in from {file.name}.")


def _show(file: Path, written: LogFormat, columns: Mapping) -> None:
    terminal.say(f"{file.name}: {written.described}")
    terminal.say(f"  time: {' and '.join(columns.time.columns)} ({columns.time.kind})")
    for column in columns.signals:
        terminal.say(f"  {column.signal}: {column.column} in {column.unit}")
    cells = ", ".join(f"{column.channel}: {column.column}" for column in columns.cells[:60])
    terminal.say(f"  {len(columns.cells)} cell voltages by channel: {cells}")


def _refuse_known(engine: Engine, received: Received) -> None:
    with reading(engine) as session:
        earlier_run = run_with_content(session, received.content_sha256)
    if earlier_run is not None:
        raise already_taken(earlier_run, received.name)


def _read(
    settings: Settings,
    received: Received,
    columns: Mapping,
    area_cm2: float,
    began_at: datetime | None,
) -> LogRead:
    path = run_files.upload_path(settings.data_folder, received.token)
    with terminal.progress("reading", 1000) as more:
        steps_shown = 0

        def told(share: float, _message: str) -> None:
            nonlocal steps_shown
            now = int(share * 1000)
            more(now - steps_shown)
            steps_shown = now

        log, notes = read_log(path, columns, settings.zone, area_cm2, told)
    return LogRead(columns, log, began_at, notes)


def _say_totals(log: LogRead, settings: Settings) -> None:
    times, load = log.totals.times, log.totals.load
    if log.mapping.time.kind is TimeKind.CLOCK or log.began_at is not None:
        moments = run_times(times, log.mapping.time.kind, log.began_at)
        begin = moments.began_at.astimezone(settings.time_zone)
        end = moments.at(times.last_s).astimezone(settings.time_zone)
        terminal.say(f"from {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} ({settings.zone})")
    terminal.say(f"{times.rows} rows, {times.running_h:.2f} h recorded")
    if load is not None:
        terminal.say(
            f"{load.load_h:.2f} h at load, {load.gas_h:.2f} h with gas, {load.starts} starts,"
            f" {load.stops} stops, {len(log.totals.windows)} snapshots"
        )
    for note in (*log.notes, *log.totals.doubts):
        terminal.say(f"odd: {note}")
