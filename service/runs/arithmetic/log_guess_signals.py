"""Which columns of a log are currents, voltages, temperatures, flows and pressures: a guess.

Names are those benches use; common practice, no source.
"""

import re
from collections.abc import Sequence

from service.platform.arithmetic.units import Measure
from service.runs.arithmetic.log_columns import MEASURE_OF, Signal, SignalColumn
from service.runs.arithmetic.log_guess_columns import METER, Column, Doubt
from service.runs.arithmetic.log_units import label_in

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
