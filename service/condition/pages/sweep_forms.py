"""Which column of a sweep's file is what: first as guessed, then as somebody says on the form."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.platform.arithmetic.errors import TradeError
from service.platform.errors import Refused
from service.platform.pages.forms import Form
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
from service.runs.files.logs import guess_log
from service.runs.files.logs_format import LogFormat
from service.taps.arithmetic import channel_numbers

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
    """The columns of a file; of a long one the channels it names."""
    if guess.mapping.long is not None:
        names = dict.fromkeys((*guess.mapping.wanted, *guess.unused))
        return tuple(Heading(at, name, "") for at, name in enumerate(names))
    return tuple(
        Heading(
            at,
            name,
            ", ".join(row[at][:20] for row in written.sample[:EXAMPLES] if at < len(row)),
        )
        for at, name in enumerate(written.headings)
    )


def guessed(written: LogFormat) -> Guess:
    """What the columns look like. Raises Refused where nothing in the file looks like a sweep."""
    return guess_log(written)


def fill_in(form: Form, guess: Guess, headings: Sequence[Heading]) -> None:
    """Begin the form with the guess, where nobody has said anything yet."""
    place = {heading.name: str(heading.place) for heading in headings}
    found = guess.mapping
    current = found.column_of(Signal.CURRENT) or found.column_of(Signal.CURRENT_DENSITY)
    form.typed |= {
        "cells": tuple(place[cell.column] for cell in found.cells if cell.column in place),
        "cell_unit": (found.cells[0].unit if found.cells else "V",),
        "current": (place.get(current.column, "") if current else "",),
        "current_unit": (current.unit if current else "A",),
        "temperature": (_place_of(found, Signal.TEMPERATURE, place),),
        "whole": (_place_of(found, Signal.STACK_VOLTAGE, place),),
        "time": (place.get(found.time.columns[0], "") if found.time.columns else "",),
        "time_unit": (CLOCK if found.time.kind is TimeKind.CLOCK else found.time.unit,),
    }


def mapping_of(form: Form, guess: Guess, headings: Sequence[Heading]) -> Mapping:
    """The mapping as the form says it. Raises Refused beside the field that contradicts."""
    names = [heading.name for heading in headings]
    cells = tuple(names[at] for at in _chosen(form, "cells", len(names)))
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
    for signal, at, usual in (
        (Signal.TEMPERATURE, temperature, "°C"),
        (Signal.STACK_VOLTAGE, whole, "V"),
    ):
        if at is not None:
            known = before.column_of(signal)
            as_written = known.unit if known and known.column == names[at] else usual
            signals.append(SignalColumn(signal, names[at], as_written))
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
    ticked = form.kept_all(name)
    if any(not text.isdecimal() or int(text) >= most for text in ticked):
        raise Refused(name, ", ".join(ticked)[:80], "no such column.", "Columns of the list.")
    return sorted({int(text) for text in ticked})


def _place_of(mapping: Mapping, signal: Signal, place: dict[str, str]) -> str:
    found = mapping.column_of(signal)
    return place.get(found.column, "") if found else ""
