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
    MEASURE_OF,
    CellColumn,
    LongForm,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_guess_columns import (
    METER,
    Column,
    Doubt,
    read_cell,
    sampled_columns,
)
from service.runs.arithmetic.log_ranges import doubted_values
from service.runs.arithmetic.log_times import clock_in, counted_since, is_time_of_day
from service.runs.arithmetic.log_units import label_in, measure_of, parted
from service.taps.arithmetic import channel_number, channel_numbers

_STACK = re.compile(r"stack|tot|pile|sum|ges|string")
_CURRENT = re.compile(
    r"^(?:i|current|strom|amps?)|(?:current|strom|load)$|i\W*(?:stack|load)|courant"
)
_HYDROGEN = re.compile(r"h2|hydrogen|fuel|anod|wasserstoff|brenn")
_AIR = re.compile(r"air|luft|cathod|kathod|o2|oxid")
_COOLANT = re.compile(r"wat|cool|k[uü]hl|wasser(?!stoff)|liquid")
_INLET = re.compile(r"in|ein|ent|supply|zu")
_OUTLET = re.compile(r"out|aus|sort|ret|exit|ab")


def guess_signals(columns: Sequence[Column], doubts: list[Doubt]) -> list[SignalColumn]:
    """Return the signals among these columns; what is doubtful is added to ``doubts``."""
    signal_columns: list[SignalColumn] = []
    numbers = [column for column in columns if column.is_number or not column.texts]
    for signal, ranked in (
        (Signal.CURRENT, _currents(numbers)),
        (Signal.CURRENT_DENSITY, _of(numbers, Measure.CURRENT_DENSITY)),
        (Signal.STACK_VOLTAGE, _stack_voltages(numbers)),
        (Signal.TEMPERATURE, _temperatures(numbers)),
        (Signal.HYDROGEN_FLOW, _of(numbers, Measure.FLOW, _HYDROGEN)),
        (Signal.AIR_FLOW, _of(numbers, Measure.FLOW, _AIR)),
        (Signal.COOLANT_FLOW, _of(numbers, Measure.FLOW, _COOLANT)),
        (Signal.HYDROGEN_PRESSURE, _of(numbers, Measure.PRESSURE, _HYDROGEN)),
        (Signal.AIR_PRESSURE, _of(numbers, Measure.PRESSURE, _AIR)),
        (Signal.METER, [column for column in numbers if METER.search(column.name)]),
    ):
        free = [
            column
            for column in ranked
            if column.heading not in {signal_column.column for signal_column in signal_columns}
        ]
        if not free:
            continue
        unit = free[0].unit
        if not unit:
            unit = {Measure.CURRENT: "A", Measure.VOLTAGE: "V", Measure.TEMPERATURE: "°C"}.get(
                MEASURE_OF[signal], "h"
            )
            doubts.append(Doubt(free[0].heading, f"No unit is given: read as {unit}."))
        if label_in(unit, MEASURE_OF[signal]) is None:
            continue
        signal_columns.append(SignalColumn(signal, free[0].heading, unit))
        _doubt_choice(signal, free, doubts)
    return signal_columns


def _doubt_choice(signal: Signal, ranked: Sequence[Column], doubts: list[Doubt]) -> None:
    if len(ranked) > 1 and signal is Signal.TEMPERATURE:
        others = ", ".join(column.heading for column in ranked[1:8])
        doubts.append(
            Doubt(ranked[0].heading, f"Taken as the stack's temperature; there are also {others}.")
        )
    if MEASURE_OF[signal] is Measure.FLOW and signal is not Signal.COOLANT_FLOW:
        doubts.append(
            Doubt(
                ranked[0].heading,
                f"Taken as the {signal}; the log does not say for which temperature and pressure"
                " its litres hold.",
            )
        )
    if _OUTLET.search(ranked[0].name) and MEASURE_OF[signal] in {Measure.FLOW, Measure.PRESSURE}:
        doubts.append(Doubt(ranked[0].heading, f"The {signal} seems to be that at the outlet."))


def _of(
    columns: Sequence[Column], measure: Measure, medium: re.Pattern[str] | None = None
) -> list[Column]:
    """Columns of a measure and medium: inlets first, outlets last."""
    fit = [
        column
        for column in columns
        if column.measure is measure and (medium is None or medium.search(column.name))
    ]
    return sorted(
        fit, key=lambda column: bool(_OUTLET.search(column.name)) - bool(_INLET.search(column.name))
    )


def _currents(columns: Sequence[Column]) -> list[Column]:
    fit = [
        column
        for column in columns
        if column.measure is Measure.CURRENT or (not column.unit and _CURRENT.search(column.name))
    ]
    return sorted(fit, key=lambda column: not _CURRENT.search(column.name))


def _stack_voltages(columns: Sequence[Column]) -> list[Column]:
    fit = [
        column
        for column in columns
        if column.measure is Measure.VOLTAGE
        or (
            not column.unit
            and re.match(r"^[uv]\W*(?:stack|tot|ges)|^[uv]$|.*(?:volt|spannung)", column.name)
        )
    ]
    fit = [column for column in fit if not re.search(r"cell|zell", column.name)]
    of_stack = [column for column in fit if _STACK.search(column.name)]
    return of_stack or [column for column in fit if re.search(r"volt|spannung|^[uv]$", column.name)]


def _temperatures(columns: Sequence[Column]) -> list[Column]:
    """Temperatures, nearest to the stack's own first: stack, coolant out, air out, others."""

    def rank(column: Column) -> int:
        is_out = bool(_OUTLET.search(column.name))
        if _STACK.search(column.name) and not _COOLANT.search(column.name):
            return 0
        if _COOLANT.search(column.name):
            return 1 if is_out else 2
        if _AIR.search(column.name):
            return 3 if is_out else 5
        return 4 if not _HYDROGEN.search(column.name) else 6

    stack_pattern = re.compile(r"^t(?:emp)?\W*stack|stack\W*temp|stapeltemp")
    fit = [
        column
        for column in columns
        if column.measure is Measure.TEMPERATURE
        or (not column.unit and stack_pattern.search(column.name))
    ]
    return sorted(fit, key=rank)


_CHANNEL = re.compile(
    r"chan|kanal|signal|tag|variable|sensor|parameter|quantity|messgr|name|cell|zelle"
)
_VALUE = re.compile(r"value|wert|reading|valeur|valor|voltage|spannung")


def guess_long_form(columns: Sequence[Column]) -> LongForm | None:
    """Find out if there is one value a row, with a column that names its channel."""
    names = [column for column in columns if _CHANNEL.search(column.name) and _repeats(column)]
    values = [column for column in columns if _VALUE.search(column.name) and column.is_number]
    values = [value for value in values if value not in names]
    if not names or len(values) != 1 or any(channel_number(column.name) for column in columns):
        return None
    return LongForm(names[0].heading, values[0].heading)


def _repeats(column: Column) -> bool:
    filled = [text for text in column.texts if text.strip()]
    kinds = set(filled)
    whole = all(text.strip().isdecimal() for text in kinds)
    is_name = whole or not column.is_number
    # Names of channels come again and again, values seldom: 6 in 10 is chosen, no source.
    return is_name and 1 < len(kinds) <= max(2, 0.6 * len(filled))


def channels_of(columns: Sequence[Column], long: LongForm, doubts: list[Doubt]) -> list[Column]:
    """Return the channels of the long form as if each were a column, and the other columns."""
    by_heading = {column.heading: column for column in columns}
    names, values = by_heading[long.channel_column], by_heading[long.value_column]
    kinds = list(dict.fromkeys(text.strip() for text in names.texts if text.strip()))
    are_cells = all(kind.isdecimal() for kind in kinds)
    columns_found = []
    for kind in kinds:
        name_and_unit = parted(kind)
        cell_rows = [
            (text, number)
            for name, text in zip(names.texts, values.texts, strict=True)
            if name.strip() == kind
            and (number := read_cell(text.replace(",", "."), ".")) is not None
        ]
        unit = name_and_unit.unit or (values.unit if are_cells else "")
        columns_found.append(
            Column(
                kind,
                f"cell {kind}" if are_cells else name_and_unit.name.casefold(),
                unit,
                tuple(text for text, _ in cell_rows),
                tuple(number for _, number in cell_rows),
                measure_of(unit),
            )
        )
    doubts.append(
        Doubt(
            names.heading,
            f"Each row holds one value; {len(kinds)} channels stand in the first rows. One that"
            " comes later only is not seen here.",
        )
    )
    beside = [column for column in columns if column.heading not in {names.heading, values.heading}]
    return columns_found + beside


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
