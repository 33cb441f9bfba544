"""How the benches write their logs, and which column is what: each bench's saved mapping."""

from enum import StrEnum
from typing import NamedTuple

from service.runs.arithmetic.log_columns import (
    CellColumn,
    Counting,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)

HOT_C, LOW_V = 75.0, 0.4
"""Limits whose hours the laboratory wants counted."""
LONGEST_MIN = 30.0
"""Longest steady time that becomes one snapshot: between two stops there are then several."""


class Manner(StrEnum):
    """How a bench writes."""

    SEMICOLONS = "semicolons and decimal commas, Windows signs"
    COMMAS = "commas and points"
    ZIPPED = "elapsed seconds and millivolts, zipped"


class Column(NamedTuple):
    """A column's heading and its unit."""

    name: str
    unit: str


def mapping_of(manner: Manner, cells: int) -> Mapping:
    """Which column of such a bench's logs is what, as somebody said it once."""
    time, cell, signals, written_as = _COLUMNS[manner]
    return Mapping(
        time,
        tuple(CellColumn(cell.name.format(n), n, cell.unit) for n in range(1, cells + 1)),
        tuple(SignalColumn(signal, one.name, one.unit) for signal, one in signals.items()),
        None,
        *written_as,
        counting=Counting(
            temperature_above_c=HOT_C, cell_below_v=LOW_V, steady_longest_min=LONGEST_MIN
        ),
    )


_COLUMNS: dict[Manner, tuple[TimeColumn, Column, dict[Signal, Column], tuple[str, str, int]]] = {
    Manner.SEMICOLONS: (
        TimeColumn(TimeKind.CLOCK, ("Date", "Time"), pattern="07.03.2026 14:20:05"),
        Column("cell {} [V]", "V"),
        {
            Signal.CURRENT: Column("I stack [A]", "A"),
            Signal.STACK_VOLTAGE: Column("U stack [V]", "V"),
            Signal.TEMPERATURE: Column("T stack [°C]", "°C"),
            Signal.HYDROGEN_FLOW: Column("H2 flow [l/min]", "l/min"),
            Signal.METER: Column("hour meter [h]", "h"),
        },
        (";", ",", 6),
    ),
    Manner.COMMAS: (
        TimeColumn(TimeKind.CLOCK, ("time",), pattern="2026-03-07 14:20:05"),
        Column("cell_{:02}_V", "V"),
        {
            Signal.CURRENT: Column("current_A", "A"),
            Signal.STACK_VOLTAGE: Column("stack_voltage_V", "V"),
            Signal.TEMPERATURE: Column("stack_temp_degC", "degC"),
            Signal.HYDROGEN_FLOW: Column("h2_flow (slpm)", "slpm"),
            Signal.METER: Column("hour_meter_h", "h"),
        },
        (",", ".", 1),
    ),
    Manner.ZIPPED: (
        TimeColumn(TimeKind.ELAPSED, ("t (s)",)),
        Column("U{} (mV)", "mV"),
        {
            Signal.CURRENT_DENSITY: Column("j (A/cm²)", "A/cm²"),
            Signal.TEMPERATURE: Column("Tstack (°C)", "°C"),
            Signal.HYDROGEN_FLOW: Column("H2 (NL/min)", "NL/min"),
            Signal.METER: Column("running hours (h)", "h"),
        },
        (",", ".", 1),
    ),
}
