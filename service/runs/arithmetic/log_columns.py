"""Which column of a test bench's log is what: JSON form “log columns 1”.

A mapping names columns as they stand in the file, each with its unit, so that one mapping serves
every log of the same bench. What is left None is found from the file itself.
"""

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.preconditions import within
from service.platform.arithmetic.units import Measure, labels
from service.runs.arithmetic.log_units import label_in, linear

FORM = "log columns 1"
MOST_CELLS = 1000
SEPARATORS = (";", ",", "\t", "|")


class Signal(StrEnum):
    """What a column other than time and cell voltages is."""

    CURRENT = "current"
    CURRENT_DENSITY = "current density"
    STACK_VOLTAGE = "stack voltage"
    TEMPERATURE = "stack temperature"
    HYDROGEN_FLOW = "hydrogen flow"
    AIR_FLOW = "air flow"
    COOLANT_FLOW = "coolant flow"
    HYDROGEN_PRESSURE = "hydrogen pressure"
    AIR_PRESSURE = "air pressure"
    METER = "hour meter"


MEASURE_OF = {
    Signal.CURRENT: Measure.CURRENT,
    Signal.CURRENT_DENSITY: Measure.CURRENT_DENSITY,
    Signal.STACK_VOLTAGE: Measure.VOLTAGE,
    Signal.TEMPERATURE: Measure.TEMPERATURE,
    Signal.HYDROGEN_FLOW: Measure.FLOW,
    Signal.AIR_FLOW: Measure.FLOW,
    Signal.COOLANT_FLOW: Measure.FLOW,
    Signal.HYDROGEN_PRESSURE: Measure.PRESSURE,
    Signal.AIR_PRESSURE: Measure.PRESSURE,
    Signal.METER: Measure.DURATION,
}
"""What each is measured in; units as in log_units.kept_in."""


class TimeKind(StrEnum):
    """How a log tells time."""

    CLOCK = "clock"  # date and time of day
    ELAPSED = "elapsed"  # counts from the beginning
    NONE = "none"  # rows in order, no time


ELAPSED_S = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "h:min:s": 1.0}
"""Seconds in one of each unit elapsed time is written in."""
PATTERNS = {
    "2026-03-07 14:20:05": "year-month-day",
    "07.03.2026 14:20:05": "day.month.year",
    "03/07/2026 14:20:05": "month/day/year",
    "s since 1970": "seconds since 1970-01-01 UTC",
    "ms since 1970": "milliseconds since 1970-01-01 UTC",
    "day number": "days since 1899-12-30, as sheets count",
}
"""How clock times are written, by an example; what each means in words."""


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """Where time stands: one column, or two (date, time of day).

    ``unit`` is one of ELAPSED_S for elapsed time; ``pattern`` one of PATTERNS for clock times,
    None: found from the file; ``zone`` an IANA name, None: the laboratory's, unless each time
    says its own. Without time ``spacing_s`` may say how far rows are apart. ``is_meter``: the
    elapsed time is what the hour meter shows.
    """

    kind: TimeKind
    columns: tuple[str, ...] = ()
    unit: str = "s"
    pattern: str | None = None
    zone: str | None = None
    spacing_s: float | None = None
    is_meter: bool = False

    def __post_init__(self) -> None:
        """Refuse what contradicts itself."""
        if self.is_meter and self.kind is not TimeKind.ELAPSED:
            raise Inconsistent("Only elapsed time can be what the hour meter shows.")
        if self.kind is TimeKind.NONE and self.columns:
            raise Inconsistent("A log without time has no time column.")
        if self.kind is not TimeKind.NONE and not 1 <= len(self.columns) <= 2:
            raise Inconsistent("Time needs one column, or two: date and time of day.")
        if self.kind is TimeKind.ELAPSED and (len(self.columns) != 1 or self.unit not in ELAPSED_S):
            raise OutOfRange("the unit of time", self.unit, "", ", ".join(ELAPSED_S))
        if self.pattern is not None and self.pattern not in PATTERNS:
            raise OutOfRange("the way times are written", self.pattern, "", ", ".join(PATTERNS))
        if self.spacing_s is not None and not self.spacing_s > 0:
            raise OutOfRange("the time between rows", self.spacing_s, "s", "more than 0")


@dataclass(frozen=True, slots=True)
class SignalColumn:
    """A column (or a channel of the long form), what it is and its unit as written."""

    signal: Signal
    column: str
    unit: str

    def __post_init__(self) -> None:
        """Refuse a unit that is none of the signal's measure."""
        _refuse_unit(self.column, self.unit, MEASURE_OF[self.signal])


@dataclass(frozen=True, slots=True)
class CellColumn:
    """A cell voltage: its column, the number of its channel and the unit."""

    column: str
    channel: int
    unit: str = "V"

    def __post_init__(self) -> None:
        """Refuse a unit that is none of voltage, and a channel no monitor has."""
        _refuse_unit(self.column, self.unit, Measure.VOLTAGE)
        if not 1 <= self.channel <= 5000:
            raise OutOfRange(f"the channel of {self.column}", self.channel, "", "1 to 5000")


@dataclass(frozen=True, slots=True)
class LongForm:
    """One value a row: the column that names its channel, and the one that holds the value."""

    channel_column: str
    value_column: str


@dataclass(frozen=True, slots=True)
class Counting:
    """What is counted and looked for in a log, beside which column is what.

    ``idle_a_cm2``: no more than this is no load; ``temperature_above_c`` and ``cell_below_v`` are
    limits whose hours beyond are counted, None: not asked. The rest says what a steady window is,
    see steady_windows; a window becomes a snapshot of the voltages.
    """

    idle_a_cm2: float = 0.01
    hydrogen_above_l_min: float = 0.05
    longest_gap_s: float = 300.0
    shortest_stop_s: float = 60.0
    temperature_above_c: float | None = None
    cell_below_v: float | None = None
    steady_least_min: float = 10.0
    steady_longest_min: float = 60.0
    settling_min: float = 5.0
    current_band_percent: float = 1.0
    temperature_band_k: float | None = 2.0

    def __post_init__(self) -> None:
        """Refuse what nothing can meet."""
        within("the current that is no load", self.idle_a_cm2, "A/cm²", 0.0, 10.0)
        within("the flow that is no hydrogen", self.hydrogen_above_l_min, "L/min", 0.0, 1e6)
        within("the longest gap that still runs", self.longest_gap_s, "s", 0.1, 86_400.0)
        within("the shortest stop", self.shortest_stop_s, "s", 0.0, 86_400.0)
        within("the shortest steady time", self.steady_least_min, "min", 0.1, 1440.0)
        within("the longest steady time", self.steady_longest_min, "min", 0.1, 1440.0)
        within("the time to settle", self.settling_min, "min", 0.0, 1440.0)
        within("the current's band", self.current_band_percent, "%", 0.0, 50.0)
        if self.steady_longest_min < self.steady_least_min:
            raise Inconsistent("The longest steady time is shorter than the shortest.")
        if self.temperature_above_c is not None:
            within("the temperature's limit", self.temperature_above_c, "°C", -50.0, 250.0)
        if self.cell_below_v is not None:
            within("the cell voltage's limit", self.cell_below_v, "V", -2.0, 2.0)
        if self.temperature_band_k is not None:
            within("the temperature's band", self.temperature_band_k, "K", 0.1, 100.0)


@dataclass(frozen=True, slots=True)
class Mapping:
    """Which column is what. ``separator``, ``decimal`` and ``header_line`` None: found.

    ``header_line`` counts lines of the file from 1; ``sheet`` is an XLSX sheet's name, None: the
    first filled one.
    """

    time: TimeColumn
    cells: tuple[CellColumn, ...] = ()
    signals: tuple[SignalColumn, ...] = ()
    long: LongForm | None = None
    separator: str | None = None
    decimal: str | None = None
    header_line: int | None = None
    sheet: str | None = None
    counting: Counting = field(default_factory=Counting)

    def __post_init__(self) -> None:
        """Refuse what contradicts itself."""
        if len(self.cells) > MOST_CELLS:
            raise OutOfRange("the number of cells", len(self.cells), "", f"at most {MOST_CELLS}")
        _refuse_twice("Channel", [cell.channel for cell in self.cells])
        _refuse_twice("The", [signal.signal for signal in self.signals])
        _refuse_twice("Column", self.wanted)
        if not self.cells and not self.signals:
            raise Inconsistent("No column is mapped besides time.")
        if self.separator not in {None, *SEPARATORS}:
            raise OutOfRange("the separator", self.separator, "", "; , tab or |")
        if self.decimal not in {None, ".", ","}:
            raise OutOfRange("the decimal mark", self.decimal, "", "point or comma")
        if self.decimal == "," == self.separator:
            raise Inconsistent("A comma cannot part columns and decimals at once.")

    @property
    def wanted(self) -> tuple[str, ...]:
        """Names of the columns, or of the channels of the long form, besides time."""
        return (*(cell.column for cell in self.cells), *(signal.column for signal in self.signals))

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns the file must have."""
        if self.long is not None:
            return (*self.time.columns, self.long.channel_column, self.long.value_column)
        return (*self.time.columns, *self.wanted)

    def column_of(self, signal: Signal) -> SignalColumn | None:
        """Return the column of a signal, None where it has none."""
        return next((column for column in self.signals if column.signal is signal), None)

    def to_json(self) -> str:
        """Return JSON text; reading it gives an equal mapping."""
        return json.dumps(with_form(FORM, self), ensure_ascii=False)


def mapping_from_json(text: str) -> Mapping:
    """Return the mapping written in a JSON text.

    Raises Inconsistent where it is no JSON, no mapping, or contradicts itself; OutOfRange for a
    unit or word that is not known.
    """
    try:
        data = json.loads(text)
    except RecursionError:
        raise Inconsistent("The mapping is no JSON of a mapping: it is nested too deep.") from None
    except ValueError as trouble:
        raise Inconsistent(f"The mapping is no JSON: {trouble}.") from None
    return mapping_from_data(data)


def mapping_from_data(data: Any) -> Mapping:
    """Return the mapping in plain data; raises as mapping_from_json."""
    return from_data(Mapping, check_form(FORM, data), "mapping")


def _refuse_twice(noun: str, names: Sequence[object]) -> None:
    for name, count in Counter(names).items():
        if count > 1:
            raise Inconsistent(f"{noun} {name} is given {count} times.")


def _refuse_unit(column: str, unit: str, measure: Measure) -> None:
    if label_in(unit, measure) is None:
        raise OutOfRange(f"the unit of {column}", unit or "missing", "", ", ".join(labels(measure)))
    linear(unit, measure)
