"""What a channel of a log can have measured: beyond it stands a code, not a value.

Monitors write 65535, 9.9E37 or infinity where they are over range or a lead is off. A cell gives
at most its reversible voltage, near 1.25 V, and a reversed one seldom goes beyond -1.5 V. The other
ranges are wider than any stack's. Common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan

from service.platform.arithmetic.units import Measure
from service.runs.arithmetic.log_columns import MEASURE_OF, Mapping, Signal
from service.runs.arithmetic.log_guess_columns import Doubt, read_cell
from service.runs.arithmetic.log_units import linear


@dataclass(frozen=True, slots=True)
class LogRange:
    """The least and greatest value of a channel, in the unit it is kept in."""

    least: float
    most: float
    unit: str

    def __str__(self) -> str:
        """Write it as it stands in a sentence."""
        return f"{self.least:g} to {self.most:g} {self.unit}".replace("-", "\N{MINUS SIGN}")


CELL_RANGE = LogRange(-1.5, 1.3, "V")
SIGNAL_RANGES = {
    Signal.CURRENT: LogRange(-10_000, 10_000, "A"),
    Signal.CURRENT_DENSITY: LogRange(-10, 10, "A/cm²"),
    Signal.STACK_VOLTAGE: LogRange(-2000, 2000, "V"),
    Signal.TEMPERATURE: LogRange(-100, 300, "°C"),
    Signal.HYDROGEN_FLOW: LogRange(-50_000, 50_000, "L/min"),
    Signal.AIR_FLOW: LogRange(-50_000, 50_000, "L/min"),
    Signal.COOLANT_FLOW: LogRange(-50_000, 50_000, "L/min"),
    Signal.HYDROGEN_PRESSURE: LogRange(-110, 3000, "kPa"),
    Signal.AIR_PRESSURE: LogRange(-110, 3000, "kPa"),
    Signal.METER: LogRange(-1_000_000, 1_000_000, "h"),
}


def doubted_values(
    mapping: Mapping, headings: Sequence[str], rows: Sequence[Sequence[str]], decimal: str
) -> tuple[Doubt, ...]:
    """Return a doubt for each column of a sample with values that cannot have been measured.

    >>> from service.runs.arithmetic.log_columns import CellColumn, TimeColumn, TimeKind
    >>> columns = Mapping(TimeColumn(TimeKind.NONE), (CellColumn("U1", 1),), ())
    >>> doubted_values(columns, ["U1"], [["0.65"], ["0.64"], ["65535"]], ".")[0].why[:55]
    '1 of 3 values read lies outside −1.5 to 1.3 V, such as '
    """
    ranges = [(cell.column, cell.unit, Measure.VOLTAGE, CELL_RANGE) for cell in mapping.cells]
    ranges += [
        (signal.column, signal.unit, MEASURE_OF[signal.signal], SIGNAL_RANGES[signal.signal])
        for signal in mapping.signals
    ]
    place = {heading: index for index, heading in enumerate(headings)}
    doubts = []
    for column, unit, measure, allowed in ranges:
        factor, addend = linear(unit, measure)
        texts = _texts(mapping, column, place, rows)
        read = [(text, value) for text in texts if (value := read_cell(text, decimal)) is not None]
        beyond = [
            text.strip()
            for text, value in read
            if not isnan(value) and not allowed.least <= value * factor + addend <= allowed.most
        ]
        if beyond:
            doubts.append(Doubt(column, _why(len(beyond), len(read), allowed, beyond[0])))
    return tuple(doubts)


def _texts(
    mapping: Mapping, column: str, place: dict[str, int], rows: Sequence[Sequence[str]]
) -> list[str]:
    """Cells of a column, or of the long form those of the channel that bears its name."""
    long = mapping.long
    if column in place:
        return [row[place[column]] for row in rows if len(row) > place[column]]
    if long is None or not {long.channel_column, long.value_column} <= set(place):
        return []
    name, value = place[long.channel_column], place[long.value_column]
    whole = [row for row in rows if len(row) > max(name, value)]
    return [row[value] for row in whole if row[name].strip() == column]


def _why(beyond: int, read: int, allowed: LogRange, example: str) -> str:
    lie = "lies" if beyond == 1 else "lie"
    sentence = f"{beyond} of {read} values read {lie} outside {allowed}, such as {example}."
    if beyond > read / 2:
        return f"{sentence} Is the unit right? As it is they are left out."
    return f"{sentence} Is this a code of the instrument? They are left out; the file keeps them."
