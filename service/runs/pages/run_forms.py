"""The form that says which column of a log is what: filled from a guess or a saved mapping, read.

One line a column: what it is, its channel if it is a cell voltage, its unit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.typed_fields import as_typed
from service.platform.pages.forms import Form
from service.runs.arithmetic.log_columns import (
    ELAPSED_S,
    MEASURE_OF,
    PATTERNS,
    CellColumn,
    Counting,
    LongForm,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_units import kept_in, parted
from service.runs.files.logs_format import LogFormat
from service.taps.arithmetic import channel_number

CELL = "cell voltage"
ROLES = (("", "not used"), (CELL, CELL), *((one.value, one.value) for one in Signal))
KINDS = (
    (TimeKind.CLOCK.value, "date and time of day"),
    (TimeKind.ELAPSED.value, "time since the log's beginning"),
)
SEPARATORS = ((";", "semicolon"), (",", "comma"), ("\t", "tab"), ("|", "bar"))
DECIMALS = ((".", "point"), (",", "comma"))
UNITS = tuple(ELAPSED_S)
WRITTEN = tuple((example, f"{example} ({words})") for example, words in PATTERNS.items())
EXAMPLES = 3
COUNTED = (
    ("idle_a_cm2", "No load up to", "A/cm²", "A current above this is load."),
    ("hydrogen_above_l_min", "Hydrogen above", "L/min", "Where hydrogen flow is logged."),
    ("temperature_above_c", "Count hours above", "°C", "Of the stack's temperature."),
    ("cell_below_v", "Count hours below", "V", "Of the lowest cell voltage."),
    ("longest_gap_s", "Longest gap that still runs", "s", "A longer one is no running time."),
    ("shortest_stop_s", "Shortest stop", "s", "Less time off load is no stop."),
    ("steady_least_min", "Steady for at least", "min", "Steady times become snapshots."),
    ("steady_longest_min", "One snapshot each", "min", "A longer steady time gives several."),
    ("settling_min", "Time to settle", "min", "Left out after each change."),
    ("current_band_percent", "Current steady within ±", "%", ""),
    ("temperature_band_k", "Temperature steady within ±", "K", "Empty: not asked."),
)
"""Figures of `Counting` on the form: name, label, unit, hint."""
MAY_BE_EMPTY = frozenset({"temperature_above_c", "cell_below_v", "temperature_band_k"})


@dataclass(frozen=True, slots=True)
class ColumnLine:
    """One column, or one channel of the long form: its place, heading and what stands in it."""

    place: int
    heading: str
    unit: str
    examples: tuple[str, ...]


def lines_of(written: LogFormat, long: LongForm | None) -> tuple[ColumnLine, ...]:
    """The columns a form asks about; of a log with one value a row its channels first."""
    units = written.units or ()
    lines = []
    names = list(written.headings)
    if long is not None:
        at = names.index(long.channel_column)
        value = names.index(long.value_column)
        told: dict[str, list[str]] = {}
        for row in written.sample:
            if max(at, value) < len(row) and row[at]:
                told.setdefault(row[at], []).append(row[value])
        for name, values in told.items():
            lines.append((name, parted(name).unit, tuple(values[:EXAMPLES])))
    for at, name in enumerate(names):
        if long is not None and name in {long.channel_column, long.value_column}:
            continue
        unit = parted(name).unit or (units[at].strip("[](){} ") if at < len(units) else "")
        cells = dict.fromkeys(row[at] for row in written.sample if at < len(row) and row[at])
        lines.append((name, unit, tuple(list(cells)[:EXAMPLES])))
    return tuple(ColumnLine(at, *line) for at, line in enumerate(lines))


def fill_in(form: Form, mapping: Mapping, lines: Sequence[ColumnLine]) -> None:
    """Begin the form with what a mapping says."""
    time = mapping.time
    places = {line.heading: line.place for line in lines}

    def at(name: str) -> tuple[str, ...]:
        place = places.get(name)
        return ("" if place is None else str(place),)

    kind = TimeKind.CLOCK if time.kind is TimeKind.NONE else time.kind
    form.typed |= {
        "time_kind": (kind.value,),
        "time": at(time.columns[0]) if time.columns else ("",),
        "time_of_day": at(time.columns[1]) if len(time.columns) > 1 else ("",),
        "time_unit": (time.unit,),
        "pattern": (time.pattern or "",),
        "time_zone": (time.zone or "",),
        "is_meter": ("yes" if time.is_meter else "",),
    }
    if mapping.long is not None:
        form.typed["long_channel"] = (mapping.long.channel_column,)
        form.typed["long_value"] = (mapping.long.value_column,)
    cells = {cell.column: cell for cell in mapping.cells}
    signals = {one.column: one for one in mapping.signals}
    for line in lines:
        cell, signal = cells.get(line.heading), signals.get(line.heading)
        unit = cell.unit if cell else signal.unit if signal else line.unit
        number = cell.channel if cell else channel_number(line.heading)
        role = CELL if cell else signal.signal.value if signal else ""
        form.typed |= {
            f"role_{line.place}": (role,),
            f"channel_{line.place}": ("" if number is None else str(number),),
            f"unit_{line.place}": (unit,),
        }
    for name, *_ in COUNTED:
        value = getattr(mapping.counting, name)
        form.typed[name] = (as_typed(value),)


def read_mapping(form: Form, written: LogFormat, lines: Sequence[ColumnLine]) -> Mapping | None:
    """The mapping a form says; None where something of it was refused, beside its field."""
    time = _time(form, lines)
    cells, signals = _columns(form, lines)
    counting = _counting(form)
    long = None
    if form.kept("long_channel") or form.kept("long_value"):
        names = written.headings
        channel, value = form.one_of("long_channel", names), form.one_of("long_value", names)
        long = LongForm(channel, value) if channel and value else None
    if form.is_refused or time is None or counting is None:
        return None
    try:
        return Mapping(
            time,
            cells,
            signals,
            long,
            form.kept("separator") or None,
            form.kept("decimal") or None,
            form.whole("header_line", least=1, most=200, required=False),
            form.kept("sheet") or None,
            counting,
        )
    except TradeError as trouble:
        form.refuse("columns", str(trouble))
        return None


def _time(form: Form, lines: Sequence[ColumnLine]) -> TimeColumn | None:
    kind = form.choice("time_kind", TimeKind)
    names = [line.heading for line in lines]
    places = [str(line.place) for line in lines]
    at = form.one_of("time", places)
    more = form.one_of("time_of_day", places, required=False)
    if kind is None or not at:
        return None
    columns = tuple(names[int(place)] for place in (at, more) if place)
    unit = form.one_of("time_unit", ELAPSED_S) if kind is TimeKind.ELAPSED else "s"
    pattern = form.one_of("pattern", PATTERNS, required=False) or None
    zone = form.text("time_zone", required=False, most=60) or None
    try:
        return TimeColumn(
            kind,
            columns if kind is TimeKind.CLOCK else columns[:1],
            unit,
            pattern if kind is TimeKind.CLOCK else None,
            zone if kind is TimeKind.CLOCK else None,
            is_meter=form.yes("is_meter") and kind is TimeKind.ELAPSED,
        )
    except TradeError as trouble:
        form.refuse("time", str(trouble))
        return None


def _columns(
    form: Form, lines: Sequence[ColumnLine]
) -> tuple[tuple[CellColumn, ...], tuple[SignalColumn, ...]]:
    cells, signals = [], []
    roles = {value for value, _ in ROLES}
    for line in lines:
        role = form.kept(f"role_{line.place}")
        unit = form.text(f"unit_{line.place}", required=False, most=40)
        if not role:
            continue
        if role not in roles:
            form.refuse(f"role_{line.place}", "is not one of the choices")
            continue
        try:
            if role == CELL:
                number = form.whole(f"channel_{line.place}", least=1, most=5000)
                if number is not None:
                    cells.append(CellColumn(line.heading, number, unit))
            else:
                signals.append(SignalColumn(Signal(role), line.heading, unit))
        except TradeError as trouble:
            right = f"Such as {kept_in(MEASURE_OF[Signal(role)])}." if role != CELL else "V or mV."
            form.refuse(f"unit_{line.place}", str(trouble), right)
    return tuple(cells), tuple(signals)


def _counting(form: Form) -> Counting | None:
    told = {}
    for name, _label, unit, _hint in COUNTED:
        value = form.number(name, unit=unit, required=name not in MAY_BE_EMPTY)
        if value is not None or name in MAY_BE_EMPTY:
            told[name] = value
    if form.is_refused or len(told) < len(COUNTED):
        return None
    try:
        return Counting(**told)  # type: ignore[arg-type]  # numbers, None only where it may be
    except TradeError as trouble:
        form.refuse("counting", str(trouble))
        return None


def long_of(form: Form, written: LogFormat) -> LongForm | None:
    """The columns of a log with one value a row, where the form names two of its columns."""
    channel, value = form.kept("long_channel"), form.kept("long_value")
    if channel == value or not {channel, value} <= set(written.headings):
        return None
    return LongForm(channel, value)


@dataclass(frozen=True, slots=True)
class Overrides:
    """What somebody says of how a file is written; None: found."""

    separator: str | None
    decimal: str | None
    header_line: int | None
    sheet: str | None


def overrides(form: Form) -> Overrides:
    """What the form says of how the file is written."""
    return Overrides(
        form.one_of("separator", [sign for sign, _ in SEPARATORS], required=False) or None,
        form.one_of("decimal", [mark for mark, _ in DECIMALS], required=False) or None,
        form.whole("header_line", least=1, most=200, required=False),
        form.kept("sheet") or None,
    )


def fits(mapping: Mapping, written: LogFormat) -> bool:
    """Has this log every column a mapping names?"""
    return set(mapping.columns) <= set(written.headings)
