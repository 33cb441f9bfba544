"""``layerbook import``: lists of parts, and the pile of a stack that exists, from CSV or XLSX.

Shows what will be made and every row in error, asks, and writes all or nothing.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from service.bench import files
from service.bench.changes.stack_imports import StackHead, write_stack
from service.bench.files import StackOptions
from service.commands import terminal
from service.commands.terminal import person_named
from service.platform.arithmetic.dates import parse_partial, parse_when
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.files.fields_in import Reading
from service.platform.files.photos import Checked, store
from service.platform.files.tables_in import Table, read_table, suggest_mapping
from service.settings import Settings
from service.stacks.queries.stacks import designs_for_choice
from service.store.changes.imports import SourceFile, write_instruments, write_parts
from service.store.files import instruments_in, parts_in
from service.store.files.parts_in import Wrong
from service.store.queries.part_types import part_types

app = typer.Typer(help="Bring in lists and logs of test benches.", no_args_is_help=True)
SHOWN = 200

File = Annotated[Path, typer.Argument(help="A CSV or XLSX list.")]
Columns = Annotated[
    list[str] | None,
    typer.Option("--column", help="Which column is what, if its heading does not tell: serial=S/N"),
]
DayFirst = Annotated[bool, typer.Option("--day-first", help="7/3/2026 is the seventh of March.")]
Decimal = Annotated[str | None, typer.Option(help="The decimal mark: , or . (else as each tells).")]
AlikeDiffer = Annotated[
    bool,
    typer.Option("--alike-differ", help="Serials that look alike (0/O, 1/I) are different parts."),
]
Yes = Annotated[bool, typer.Option("--yes", help="Write without asking.")]


@dataclass(frozen=True, slots=True)
class _List:
    """A list as it was sent: its table, which column is what, and where it came from."""

    content: bytes
    table: Table
    mapping: Mapping[str, int]
    source: SourceFile


@app.command()
def parts(
    file: File,
    *,
    column: Columns = None,
    part_type: Annotated[
        str | None, typer.Option(help="Drawing number of the parts, if no column tells.")
    ] = None,
    day_first: DayFirst = False,
    decimal: Decimal = None,
    alike_differ: AlikeDiffer = False,
    yes: Yes = False,
) -> None:
    """Add the parts and lots of a list."""
    settings = terminal.settings()
    list_read = _read(file, parts_in.SYNONYMS, column)
    how = _how(settings, day_first=day_first, decimal=decimal)
    with terminal.database(settings) as engine:
        with reading(engine) as session:
            type_id = _part_type(session, part_type)
            options = parts_in.ListOptions(how, terminal.OWNER, type_id, alike_differ)
            plan_read = parts_in.plan(
                session, list_read.table, list_read.mapping, list_read.source, options
            )
        _show(list_read, plan_read.wrong)
        summary = f"{len(plan_read.plan.parts)} parts and {len(plan_read.plan.lots)} lots"
        _agree(summary, writable=plan_read.may_be_written, yes=yes)
        with changing(engine, terminal.OWNER, via="command") as work:
            write_parts(work, plan_read.plan)
    print(f"{summary} were added from {file.name}.")


@app.command()
def instruments(
    file: File,
    *,
    column: Columns = None,
    day_first: DayFirst = False,
    decimal: Decimal = None,
    yes: Yes = False,
) -> None:
    """Add the instruments of a list, each with its last calibration."""
    settings = terminal.settings()
    list_read = _read(file, instruments_in.SYNONYMS, column)
    how = _how(settings, day_first=day_first, decimal=decimal)
    with terminal.database(settings) as engine:
        with reading(engine) as session:
            seen = instruments_in.plan(
                session, list_read.table, list_read.mapping, list_read.source, how
            )
        _show(list_read, seen.wrong)
        summary = f"{len(seen.plan.instruments)} instruments"
        _agree(summary, writable=seen.may_be_written, yes=yes)
        with changing(engine, terminal.OWNER, via="command") as work:
            write_instruments(work, seen.plan)
    print(f"{summary} were added from {file.name}.")


@app.command()
def stack(
    file: File,
    *,
    by: Annotated[str, typer.Option(prompt=True, help="Login of whoever takes the stack over.")],
    serial: Annotated[str, typer.Option(prompt=True, help="Serial number of the stack.")],
    design: Annotated[str, typer.Option(prompt=True, help="Its design with revision: Heron B.")],
    build: Annotated[int, typer.Option(prompt=True, min=1, help="Number of the present build.")],
    closed_at: Annotated[
        str,
        typer.Option(prompt=True, help="When it was closed: 2026-03-07 14:20, or 1998-05."),
    ],
    hours_at_closing: Annotated[
        float | None, typer.Option(min=0, help="What the hour meter showed then, in h.")
    ] = None,
    hours_now: Annotated[float | None, typer.Option(min=0, help="What it shows now, in h.")] = None,
    place: Annotated[str, typer.Option(help="Where the stack stands.")] = "",
    make_missing: Annotated[
        bool, typer.Option("--make-missing", help="Add parts and lots that are not known yet.")
    ] = False,
    accept_new: Annotated[
        bool, typer.Option("--accept-new", help="Accept new parts as used; needs leave to judge.")
    ] = False,
    from_free_end: Annotated[
        bool, typer.Option("--from-free-end", help="Positions count from the free end.")
    ] = False,
    column: Columns = None,
    day_first: DayFirst = False,
    decimal: Decimal = None,
    alike_differ: AlikeDiffer = False,
    yes: Yes = False,
) -> None:
    """Take over a stack in the middle of its life: its record then waits for approval."""
    settings = terminal.settings()
    list_read = _read(file, files.SYNONYMS, column)
    how = _how(settings, day_first=day_first, decimal=decimal)
    closed = parse_partial(closed_at) or parse_when(
        closed_at, settings.time_zone, day_first=day_first
    )
    with terminal.database(settings) as engine:
        with reading(engine) as session:
            person = person_named(session, by)
            head = StackHead(
                serial=serial,
                design_id=_design(session, design),
                build_number=build,
                closed_at=closed,
                place=place,
                hours_at_closing=hours_at_closing,
                hours_now=hours_now,
                read_at=how.now if hours_now is not None else None,
                accept_new=accept_new,
            )
            plan_read = files.plan_stack(
                session,
                list_read.table,
                list_read.mapping,
                list_read.source,
                head=head,
                options=StackOptions(how, make_missing, from_free_end, alike_differ),
            )
        _show(list_read, plan_read.wrong)
        if plan_read.check is not None:
            for row in plan_read.check.judged:
                terminal.say(
                    f"odd by the pattern of {plan_read.check.kept.design}: {row.finding.sentence}"
                )
        summary = (
            f"stack {serial} with {len(plan_read.layers)} layers, {plan_read.counts.cells} cells,"
            f" {len(plan_read.fixings)} fixings; {plan_read.parts_made} parts are new"
        )
        _agree(summary, writable=plan_read.may_be_written, yes=yes)
        checked = Checked(list_read.content, list_read.table.media_type, list_read.source.name)
        stored = store(settings.data_folder, checked)
        with changing(engine, person, via="command") as work:
            record_id = write_stack(work, plan_read.plan, stored)
    print(f"Taken over: {summary}. Record {record_id} waits for approval.")


def _read(file: Path, synonyms: Mapping[str, Sequence[str]], columns: list[str] | None) -> _List:
    try:
        content = file.read_bytes()
    except OSError as trouble:
        raise terminal.stop(f"The file “{file}” cannot be read: {trouble.strerror}.") from None
    table = read_table(content, file.name, headings=tuple(synonyms.values()))
    mapping = suggest_mapping(table.headers, synonyms)
    for entry in columns or ():
        name, _equals, header = entry.partition("=")
        if name not in synonyms:
            raise Refused("--column", entry, "no such field.", f"Fields: {', '.join(synonyms)}.")
        if header and header not in table.headers:
            header_names = ", ".join(f"“{header}”" for header in table.headers)
            raise Refused(
                "--column", entry, "the list has no such column.", f"It has {header_names}."
            )
        mapping.pop(name, None)
        if header:
            index = table.headers.index(header)
            mapping = {field: place for field, place in mapping.items() if place != index}
            mapping[name] = index
    return _List(
        content, table, mapping, SourceFile(file.name, hashlib.sha256(content).hexdigest())
    )


def _show(list_read: _List, wrong: Sequence[Wrong]) -> None:
    terminal.say(f"{list_read.source.name}: {list_read.table.described}")
    for name, index in list_read.mapping.items():
        terminal.say(f"  {name.replace('_', ' ')}: column “{list_read.table.headers[index]}”")
    read = set(list_read.mapping.values())
    for index, header in enumerate(list_read.table.headers):
        if index not in read:
            terminal.say(f"  not read: column “{header}”; --column says which it is")
    for problem in wrong[:SHOWN]:
        terminal.say(f"line {problem.line}: {problem.said}")
    if len(wrong) > SHOWN:
        terminal.say(f"and {len(wrong) - SHOWN} more")


def _agree(summary: str, *, writable: bool, yes: bool) -> None:
    if not writable:
        raise terminal.stop(f"Nothing was written. Without the rows in error: {summary}.")
    if not yes and not typer.confirm(f"Write {summary}?", err=True):
        raise terminal.stop("Nothing was written.")


def _how(settings: Settings, *, day_first: bool, decimal: str | None) -> Reading:
    if decimal not in {None, ",", "."}:
        raise Refused("--decimal", decimal, "is no decimal mark.", "Right would be , or .")
    now: datetime = now_utc()
    return Reading(settings.time_zone, now, day_first, decimal)


def _part_type(session: Session, drawing: str | None) -> int | None:
    if drawing is None:
        return None
    types_known = part_types(session)
    folded = drawing.casefold()
    types = [
        known_type for known_type in types_known if known_type.drawing.casefold() == folded
    ] or [
        known_type for known_type in types_known if known_type.drawing_number.casefold() == folded
    ]
    if len(types) != 1:
        why = "several revisions of it are there." if types else "there is no such part type."
        drawings = ", ".join(known_type.drawing for known_type in types or types_known)
        right = f"Right would be: {drawings}."
        raise Refused("--part-type", drawing, why, right)
    return types[0].id


def _design(session: Session, words: str) -> int:
    id_of_name = {name.casefold(): key for key, name in designs_for_choice(session)}
    if words.casefold() not in id_of_name:
        names = ", ".join(name for _key, name in designs_for_choice(session)) or "none yet"
        raise Refused("--design", words, "there is no such design.", f"There are: {names}.")
    return id_of_name[words.casefold()]
