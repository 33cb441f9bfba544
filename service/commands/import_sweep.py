"""``layerbook import sweep``: a sweep of the current, kept with its curves and open circuit."""

from pathlib import Path
from typing import Annotated

import typer

from service.commands import terminal
from service.commands.column_overrides import columns_wished
from service.commands.terminal import person_named
from service.condition.arithmetic.found_sweeps import FoundSweep
from service.condition.changes import SweepTaken, import_sweep
from service.condition.files import MOST_MB, began_at, read_sweep
from service.condition.queries.polarisation_curves import polarisation_curve
from service.platform.arithmetic.dates import parse_when
from service.platform.database import changing, reading
from service.runs.arithmetic.log_columns import Mapping
from service.runs.files import run_files
from service.runs.files.logs import look_at
from service.stacks.queries.layer_maps import stack_facts
from service.stacks.queries.stacks import find_stack

File = Annotated[Path, typer.Argument(help="A sweep: CSV, CSV.GZ, Parquet or XLSX.")]
MEGABYTE = 1024 * 1024


def import_curves(
    file: File,
    *,
    stack: Annotated[str, typer.Option(prompt=True, help="Serial number of the stack.")],
    by: Annotated[str, typer.Option(prompt=True, help="Login of whoever brings it in.")],
    taken_at: Annotated[
        str | None, typer.Option(help="Time of the first row, unless the file has clock times.")
    ] = None,
    mapping: Annotated[
        str | None,
        typer.Option(help="A saved mapping by its name, or a file of one as JSON; else a guess."),
    ] = None,
    occasion: Annotated[str, typer.Option(help="Such as commissioning.")] = "",
    temperature: Annotated[
        float | None, typer.Option(help="Of the stack in °C, unless it was logged.")
    ] = None,
    meter: Annotated[float | None, typer.Option(help="What the hour meter showed, in h.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Write without asking.")] = False,
) -> None:
    """Bring in a sweep: a polarisation curve each way, and open-circuit voltages."""
    settings = terminal.settings()
    if not file.is_file():
        raise terminal.stop(f"The file “{file}” cannot be read: it is not there.")
    if file.stat().st_size > MOST_MB * MEGABYTE:
        raise terminal.stop(f"The file is larger than {MOST_MB} MB: bring it in as a log.")
    with terminal.database(settings) as engine:
        columns, _is_guess = columns_wished(engine, look_at(file), mapping)
        with reading(engine) as session:
            person = person_named(session, by)
            facts = stack_facts(session, find_stack(session, stack))
        sweep = read_sweep(file, columns, settings.zone, facts.active_area_cm2)
        _say(sweep, columns)
        begins = parse_when(taken_at, settings.time_zone) if taken_at else began_at(sweep, columns)
        if begins is None:
            raise terminal.stop("The file does not say when it was taken. Give --taken-at.")
        if not yes and not typer.confirm(f"Keep it as taken of {stack}?", err=True):
            raise terminal.stop("Nothing was written.")
        stored = run_files.keep(settings.data_folder, file, file.name)
        with changing(engine, person, via="command") as work:
            curve_id = import_sweep(
                work,
                facts.id,
                stored=stored,
                mapping=columns.to_json(),
                sweep=sweep,
                conditions=SweepTaken(begins, occasion, temperature, meter),
            )
        with reading(engine) as session:
            run_id = polarisation_curve(session, curve_id).run_id
    print(f"Run {run_id} of {stack} was taken in from {file.name}: curve {curve_id}.")


def _say(sweep: FoundSweep, columns: Mapping) -> None:
    for column in columns.signals:
        terminal.say(f"  {column.signal}: {column.column} in {column.unit}")
    terminal.say(f"  {len(sweep.channels)} cell voltages: {', '.join(sweep.channels[:60])}")
    for curve in sweep.curves:
        least, most = curve.reach_a_cm2
        terminal.say(f"{curve.way}: {least:.3g} to {most:.3g} A/cm², {len(curve.points)} points")
    if sweep.rest is None:
        terminal.say("the current never rested: no open-circuit voltages")
    else:
        terminal.say(f"open circuit from {sweep.rest.rows} rows")
    for doubt in sweep.doubts:
        terminal.say(f"odd: {doubt}")
