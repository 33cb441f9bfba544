"""A first guess which column of a log is what, from names, units and a sample of rows.

A guess is shown to a person, with everything that is doubtful about it in words; nothing is read
by a guess nobody looked at. Names are those benches use; common practice, no source.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.units import Measure
from service.runs.arithmetic.log_columns import (
    ELAPSED_S,
    CellColumn,
    Mapping,
    Signal,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_guess_columns import METER, Column, Doubt, sampled_columns
from service.runs.arithmetic.log_guess_long import channels_of, guess_long_form
from service.runs.arithmetic.log_guess_signals import guess_signals
from service.runs.arithmetic.log_ranges import doubted_values
from service.runs.arithmetic.log_times import clock_in, counted_since, is_time_of_day
from service.runs.arithmetic.log_units import label_in
from service.taps.arithmetic import channel_number, channel_numbers

_TIME = re.compile(
    r"^(?:rel(?:ative|\.)?\s*|abs(?:olute)?\s*|test\s*|run\s*|log\s*|elapsed\s*|date\s*(?:and|&|/)?\s*)?"
    r"(?:time|zeit|uhrzeit|temps|tiempo|tempo|t|timestamp|time\s*stamp|zeitstempel|datetime|date|datum"
    r"|elapsed|laufzeit|date\s*time|seconds|hours|minutes)$"
)
_DATE = re.compile(r"date|datum|stamp|stempel")
SUM_OFF_V = 0.005


@dataclass(frozen=True, slots=True)
class Guess:
    """A mapping to be looked at, its doubts, and the columns it does not use."""

    mapping: Mapping
    doubts: tuple[Doubt, ...]
    unused: tuple[str, ...]


def guess_mapping(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    units: Sequence[str] | None = None,
    decimal: str = ".",
) -> Guess:
    """Guess which column is what.

    ``rows`` are a sample as text, ``units`` a row of units or None.

    Raises Inconsistent where nothing that a run has is found, naming the columns there are.

    >>> found = guess_mapping(["Time (h)", "U1 (V)", "U2 (V)", "J (A/cm²)"], [["0", "0.65", "0.64",
    ... "0.7"]])
    >>> [cell.channel for cell in found.mapping.cells], found.mapping.time.unit
    ([1, 2], 'h')
    """
    columns = sampled_columns(headings, rows, units, decimal)
    doubts: list[Doubt] = []
    time = _time(columns, doubts)
    unguessed = [column for column in columns if column.heading not in time.columns]
    long = guess_long_form(unguessed)
    if long is not None:
        unguessed = channels_of(unguessed, long, doubts)
    cells = _cells(unguessed, doubts)
    used = {cell.column for cell in cells}
    unguessed = [column for column in unguessed if column.heading not in used]
    signals = guess_signals(unguessed, doubts)
    if not cells and not signals:
        raise Inconsistent(
            "No column looks like a current or a voltage. The columns are: "
            + ", ".join(headings[:40])
        )
    mapping = Mapping(time, tuple(cells), tuple(signals), long)
    _doubt_values(mapping, columns, doubts)
    doubts += doubted_values(mapping, headings, rows, decimal)
    mapped_headings = {*mapping.columns, *mapping.wanted}
    unused = tuple(column.heading for column in columns if column.heading not in mapped_headings)
    return Guess(mapping, tuple(doubts), unused)


def _time(columns: Sequence[Column], doubts: list[Doubt]) -> TimeColumn:
    dated = [(column, written) for column in columns if (written := clock_in(column.texts))]
    of_day = [column for column in columns if is_time_of_day(column.texts)]
    if dated:
        column, written = dated[0]
        if written.doubt:
            doubts.append(Doubt(column.heading, written.doubt))
        is_day_alone = not any(":" in text for text in column.texts)
        more = [of_day[0].heading] if is_day_alone and of_day else []
        if is_day_alone and not of_day:
            doubts.append(Doubt(column.heading, "It holds days without a time of day."))
        return TimeColumn(TimeKind.CLOCK, (column.heading, *more), pattern=written.pattern)
    time_columns = [
        column
        for column in columns
        if _TIME.match(column.name.replace("_", " ")) and column.is_number
    ]
    for column in time_columns:
        since = counted_since(column.values, says_date=bool(_DATE.search(column.name)))
        if since is not None:
            if since.doubt:
                doubts.append(Doubt(column.heading, since.doubt))
            return TimeColumn(TimeKind.CLOCK, (column.heading,), pattern=since.pattern)
    if of_day:
        why = "Time of day without a date: read as hours, minutes and seconds since the beginning."
        doubts.append(Doubt(of_day[0].heading, why))
        return TimeColumn(TimeKind.ELAPSED, (of_day[0].heading,), unit="h:min:s")
    time_columns += [
        column
        for column in columns
        if column.measure is Measure.DURATION and column not in time_columns
    ]
    time_columns = [column for column in time_columns if not METER.search(column.name)]
    if not time_columns:
        doubts.append(
            Doubt(
                "time", "No column holds times: rows are read in order, as a curve, without hours."
            )
        )
        return TimeColumn(TimeKind.NONE)
    return _elapsed(time_columns[0], doubts)


def _elapsed(column: Column, doubts: list[Doubt]) -> TimeColumn:
    unit = label_in(column.unit, Measure.DURATION) or column.unit.strip().casefold()
    if unit not in ELAPSED_S:
        words = {"hour": "h", "stunde": "h", "minute": "min", "second": "s", "sekunde": "s"}
        units = [short for word, short in words.items() if word in column.name]
        unit = units[0] if units else "s"
        if not units:
            doubts.append(Doubt(column.heading, "No unit is given: read as seconds."))
    if column.values and min(column.values) > 0 and unit == "h":
        why = f"It begins at {column.values[0]:g} h, so it counts from before this log: perhaps it"
        why += " is what the hour meter shows."
        doubts.append(Doubt(column.heading, why))
    return TimeColumn(TimeKind.ELAPSED, (column.heading,), unit=unit)


def _plain(column: Column) -> str:
    """The column's name with its words in the singular."""
    return column.name.replace("voltages", "voltage").replace("zellen", "zelle")


def _number_of(column: Column) -> int | None:
    return channel_number(_plain(column))


def _cells(columns: Sequence[Column], doubts: list[Doubt]) -> list[CellColumn]:
    cell_columns, units = [], []
    for column in columns:
        if not column.is_number or _number_of(column) is None:
            continue
        unit = column.unit
        if column.measure is None and not unit:
            size = abs(column.middle)
            unit = "V" if size < 2 else "mV" if 30 <= size < 2000 else ""
        if label_in(unit, Measure.VOLTAGE) is None:
            continue
        if not column.unit:
            units.append((column.heading, unit))
        cell_columns.append((column, unit))
    if units:
        names = ", ".join(name for name, _ in units[:5]) + (" …" if len(units) > 5 else "")
        why = f"No unit is given: read as {units[0][1]}, judging by the values."
        doubts.append(Doubt(names, why))
    channels = channel_numbers([_plain(column) for column, _ in cell_columns])
    numbers = [_number_of(column) for column, _ in cell_columns]
    if numbers and list(channels) != numbers:
        doubts.append(Doubt("cells", "Their columns count from 0: column 0 is read as channel 1."))
    missing = sorted(set(range(1, max(channels, default=0) + 1)) - set(channels))
    if missing:
        names = ", ".join(str(number) for number in missing[:10])
        doubts.append(Doubt("cells", f"There is no column for channel {names}."))
    return [
        CellColumn(column.heading, channel, unit)
        for (column, unit), channel in zip(cell_columns, channels, strict=True)
    ]


def _doubt_values(mapping: Mapping, columns: Sequence[Column], doubts: list[Doubt]) -> None:
    """What the values of the sample themselves make doubtful."""
    if not mapping.column_of(Signal.CURRENT) and not mapping.column_of(Signal.CURRENT_DENSITY):
        doubts.append(
            Doubt("current", "No column holds a current: hours at load cannot be counted.")
        )
    if not mapping.cells:
        doubts.append(Doubt("cells", "No column holds a cell voltage."))
    by_heading = {column.heading: column for column in columns}
    stack = mapping.column_of(Signal.STACK_VOLTAGE)
    cells = [by_heading.get(cell.column) for cell in mapping.cells]
    whole = by_heading.get(stack.column) if stack else None
    if whole is None or not whole.values or not cells or not all(cells):
        return
    are_volts = {whole.unit, *(cell.unit for cell in mapping.cells)} <= {"V"}
    together = sum(cell.middle for cell in cells if cell)
    if are_volts and abs(together - whole.middle) > max(SUM_OFF_V, 0.001 * abs(whole.middle)):
        doubts.append(
            Doubt(
                whole.heading,
                f"The cells of the first rows add up to {together:.3f} V, the stack shows"
                f" {whole.middle:.3f} V. Both are kept as they are.",
            )
        )
