"""A sweep of the current, brought in as a file: sent, looked at with its curves, then kept.

The middle step is a plain address with its answers in it; the file waits for a day.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.condition.arithmetic.found_sweeps import FoundSweep
from service.condition.changes import SweepTaken, import_sweep
from service.condition.files import MOST_MB, began_at, read_sweep
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.numbers import plain_whole
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.files import uploads
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.runs.arithmetic.log_columns import (
    ELAPSED_S,
    CellColumn,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_guess import Guess
from service.runs.arithmetic.log_guess_columns import Doubt
from service.runs.files import run_files
from service.runs.files.logs import guess_log, look_at
from service.runs.files.logs_format import LogFormat
from service.settings import Settings
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack
from service.store.pages.imports import sent_file
from service.taps.arithmetic import channel_numbers

# Which column of a sweep's file is what: first as guessed, then as somebody says on the form.


CURRENT_UNITS = ("A", "mA", "A/cm²", "mA/cm²")


VOLTAGE_UNITS = ("V", "mV")


CLOCK = "clock times"


TIME_UNITS = (CLOCK, *ELAPSED_S)


EXAMPLES = 3


@dataclass(frozen=True, slots=True)
class Heading:
    """A column to choose: its place from 0, its heading, and what stands in it."""

    place: int
    name: str
    examples: str


def headings_of(written: LogFormat, guess: Guess) -> tuple[Heading, ...]:
    """Return the columns of a file; of a long one the channels it names."""
    if guess.mapping.long is not None:
        names = dict.fromkeys((*guess.mapping.wanted, *guess.unused))
        return tuple(Heading(index, name, "") for index, name in enumerate(names))
    return tuple(
        Heading(
            index,
            name,
            ", ".join(row[index][:20] for row in written.sample[:EXAMPLES] if index < len(row)),
        )
        for index, name in enumerate(written.headings)
    )


def guessed(written: LogFormat) -> Guess:
    """Return what the columns look like.

    Raises Refused where nothing in the file looks like a sweep.
    """
    return guess_log(written)


def fill_in(form: Form, guess: Guess, headings: Sequence[Heading]) -> None:
    """Begin the form with the guess, where nobody has said anything yet."""
    place = {heading.name: str(heading.place) for heading in headings}
    mapping = guess.mapping
    current = mapping.column_of(Signal.CURRENT) or mapping.column_of(Signal.CURRENT_DENSITY)
    form.typed |= {
        "cells": tuple(place[cell.column] for cell in mapping.cells if cell.column in place),
        "cell_unit": (mapping.cells[0].unit if mapping.cells else "V",),
        "current": (place.get(current.column, "") if current else "",),
        "current_unit": (current.unit if current else "A",),
        "temperature": (_place_of(mapping, Signal.TEMPERATURE, place),),
        "whole": (_place_of(mapping, Signal.STACK_VOLTAGE, place),),
        "time": (place.get(mapping.time.columns[0], "") if mapping.time.columns else "",),
        "time_unit": (CLOCK if mapping.time.kind is TimeKind.CLOCK else mapping.time.unit,),
    }


def mapping_of(form: Form, guess: Guess, headings: Sequence[Heading]) -> Mapping:
    """Return the mapping as the form says it. Raises Refused beside the field that contradicts."""
    names = [heading.name for heading in headings]
    cells = tuple(names[index] for index in _chosen(form, "cells", len(names)))
    if not cells:
        raise Refused("cells", "", "no column is the voltage of a cell.", "One at least.")
    current = form.whole("current", most=len(names) - 1)
    temperature = form.whole("temperature", most=len(names) - 1, required=False)
    whole = form.whole("whole", most=len(names) - 1, required=False)
    time = form.whole("time", most=len(names) - 1, required=False)
    unit = form.one_of("current_unit", CURRENT_UNITS)
    volt = form.one_of("cell_unit", VOLTAGE_UNITS)
    form.check()
    kind = Signal.CURRENT_DENSITY if "cm²" in unit else Signal.CURRENT
    signals = [SignalColumn(kind, names[current or 0], unit)]
    before = guess.mapping
    for signal, index, usual in (
        (Signal.TEMPERATURE, temperature, "°C"),
        (Signal.STACK_VOLTAGE, whole, "V"),
    ):
        if index is not None:
            guess_column = before.column_of(signal)
            as_written = (
                guess_column.unit if guess_column and guess_column.column == names[index] else usual
            )
            signals.append(SignalColumn(signal, names[index], as_written))
    try:
        return replace(
            before,
            time=_time(form, before, None if time is None else names[time]),
            cells=tuple(
                CellColumn(name, number, volt)
                for name, number in zip(cells, channel_numbers(cells), strict=True)
            ),
            signals=tuple(signals),
        )
    except TradeError as trouble:
        raise Refused("columns", "", str(trouble), "Each column once.") from trouble


def _time(form: Form, before: Mapping, name: str | None) -> TimeColumn:
    if name is None:
        return TimeColumn(TimeKind.NONE)
    if name in before.time.columns:
        return before.time
    unit = form.one_of("time_unit", TIME_UNITS)
    form.check()
    if unit == CLOCK:
        return TimeColumn(TimeKind.CLOCK, (name,))
    return TimeColumn(TimeKind.ELAPSED, (name,), unit=unit)


def _chosen(form: Form, name: str, most: int) -> list[int]:
    ticked = form.raw_all(name)
    columns = [plain_whole(text) for text in ticked]
    if any(column is None or column >= most for column in columns):
        raise Refused(name, ", ".join(ticked)[:80], "no such column.", "Columns of the list.")
    return sorted({column for column in columns if column is not None})


def _place_of(mapping: Mapping, signal: Signal, place: dict[str, str]) -> str:
    column = mapping.column_of(signal)
    return place.get(column.column, "") if column else ""


router = APIRouter()
MEGABYTE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class SendPage:
    """The form that takes the file."""

    stack: MapStack
    form: Form
    most_mb: int = MOST_MB


@dataclass(frozen=True, slots=True)
class LookPage:
    """The columns, the curves found with them, and what is doubtful."""

    stack: MapStack
    name: str
    token: str
    described: str
    form: Form
    headings: tuple[Heading, ...]
    doubts: tuple[Doubt, ...]
    sweep: FoundSweep | None
    in_file: datetime | None
    """when the file says it began"""
    current_units: tuple[str, ...] = CURRENT_UNITS
    voltage_units: tuple[str, ...] = VOLTAGE_UNITS
    time_units: tuple[str, ...] = TIME_UNITS


@dataclass(frozen=True, slots=True)
class _Sweep:
    """A sent file, its columns and what it gives."""

    path: Path
    name: str
    written: LogFormat
    headings: tuple[Heading, ...]
    doubts: tuple[Doubt, ...]
    mapping: Mapping | None
    sweep: FoundSweep | None

    @property
    def began_at(self) -> datetime | None:
        """When the file says it began; None where it has no clock times."""
        if self.sweep is None or self.mapping is None:
            return None
        return began_at(self.sweep, self.mapping)


@router.get("/stacks/{serial:path}/sweeps/new")
def show_send(request: Request, me: Me, database: Database, serial: str) -> Response:
    """Show the form that takes the file."""
    need(me, Act.RUN_WRITE)
    return _send(request, database, blank(request), serial)


@router.post("/stacks/{serial:path}/sweeps/new")
def send(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Take the file, if something in it looks like a sweep."""
    need(me, Act.RUN_WRITE)
    with form.collecting_errors():
        name, content = sent_file(form)
        if len(content) > MOST_MB * MEGABYTE:
            size = f"it has {len(content) / MEGABYTE:.1f}\u2009MB."
            right = f"At most {MOST_MB}\u2009MB; a larger one comes in as a log."
            raise Refused("file", name, size, right)
        settings: Settings = request.app.state.settings
        token = uploads.keep(settings.data_folder, me.id, name, content, now_utc())
        try:
            guessed(look_at(_place(settings, token)))
        except Refused as refusal:
            uploads.forget(settings.data_folder, token)
            raise Refused("file", name, refusal.reason, refusal.right_would_be) from refusal
        return go_on(request, f"{address(serial)}/sweeps/{token}")
    return _send(request, database, form, serial)


@router.get("/stacks/{serial:path}/sweeps/{token}")
def show_look(
    *, request: Request, me: Me, database: Database, query: Asked, serial: str, token: str
) -> Response:
    """Show the columns and the curves they give."""
    need(me, Act.RUN_WRITE)
    return _look(request, me, database, query, serial=serial, token=token)


@router.post("/stacks/{serial:path}/sweeps/{token}")
def write(
    *, request: Request, me: Me, database: Database, form: Typed, serial: str, token: str
) -> Response:
    """Keep the file, its curves and open-circuit voltages."""
    need(me, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    stack = _stack(database, serial)
    with form.collecting_errors():
        taken_at = form.moment("taken_at", required=False)
        occasion = form.text("occasion", required=False, most=200)
        temperature = form.number("temperature_c", unit="°C", required=False)
        meter = form.number("meter_hours", least=0, unit="h", required=False)
        note = form.text("note", required=False)
        ticked = [plain_whole(text) for text in form.raw_all("legs")]
        legs = [leg for leg in ticked if leg is not None]
        form.check()
        sweep = _read(settings, me, form, stack, token)
        began = taken_at or sweep.began_at
        if began is None:
            raise Refused("taken_at", "", "the file does not say when it was taken.", "A time.")
        if sweep.sweep is None or sweep.mapping is None:
            raise Refused("columns", "", "the columns give no sweep.", "Look at them below.")
        stored = run_files.keep(settings.data_folder, sweep.path, sweep.name)
        with changing(database, me, key=form.key) as work:
            key = import_sweep(
                work,
                stack.id,
                stored=stored,
                mapping=sweep.mapping.to_json(),
                sweep=sweep.sweep,
                conditions=SweepTaken(began, occasion, temperature, meter, note),
                legs=legs,
            )
            work.answer = f"{address(stack.serial)}/condition?curve={key}#curves"
        uploads.forget(settings.data_folder, token)
        return go_on(request, work.answer)
    return _look(request, me, database, form, serial=serial, token=token)


def _stack(database: Engine, serial: str) -> MapStack:
    with reading(database) as session:
        return stack_facts(session, find_stack(session, serial))


def _place(settings: Settings, token: str) -> Path:
    """Where a kept file lies; `uploads.find` has looked at the token and whose it is."""
    return settings.data_folder / "uploads" / f"{token}.content"


def _read(settings: Settings, me: Person, form: Form, stack: MapStack, token: str) -> _Sweep:
    upload = uploads.find(settings.data_folder, me.id, token)
    path = _place(settings, token)
    written = look_at(path)
    guess = guessed(written)
    headings = headings_of(written, guess)
    mapping, sweep = None, None
    is_first = "current" not in form.typed
    if is_first:
        fill_in(form, guess, headings)
    if not is_first or form.raw("current"):
        with form.collecting_errors():
            mapping = mapping_of(form, guess, headings)
            sweep = read_sweep(path, mapping, settings.zone, stack.active_area_cm2)
    return _Sweep(path, upload.name, written, headings, guess.doubts, mapping, sweep)


def _send(request: Request, database: Engine, form: Form, serial: str) -> Response:
    context = SendPage(_stack(database, serial), form)
    return page(request, "condition/send_sweep.html", context, form.status)


def _look(
    request: Request, me: Person, database: Engine, form: Form, *, serial: str, token: str
) -> Response:
    stack = _stack(database, serial)
    sweep = _read(request.app.state.settings, me, form, stack, token)
    if sweep.sweep and "legs" not in form.typed:
        form.typed["legs"] = tuple(str(curve.leg) for curve in sweep.sweep.curves)
    context = LookPage(
        stack,
        sweep.name,
        token,
        sweep.written.described,
        form,
        sweep.headings,
        sweep.doubts,
        sweep.sweep,
        sweep.began_at,
    )
    return page(request, "condition/look_at_sweep.html", context, form.status)
