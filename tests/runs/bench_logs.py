"""Logs of an invented bench, as text and as counted: idle under gas, 70 A, idle."""

import threading

import numpy as np

from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import (
    CellColumn,
    Counting,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.run_counting import RunCounter, RunFound

HEADINGS = ("Zeit (min)", "I (A)", "Betriebsstunden (h)", "T_Stack (°C)")


def until_read() -> None:
    """Wait for every log this process reads in the background."""
    for thread in threading.enumerate():
        if thread.name.startswith("reading "):
            thread.join(30)
            assert not thread.is_alive(), "the log is still being read"


def a_log(*, hours: int = 4, begins: int = 0, cells: int = 4) -> str:
    """A row a minute, semicolons and decimal commas; the meter runs from 100 h on."""
    lines = ["Bench 3", "", ";".join([*HEADINGS, *(f"U{at} (V)" for at in range(1, cells + 1))])]
    for minute in range(hours * 60 + 1):
        is_load = 30 <= minute < hours * 60 - 15
        cell = 0.65 if is_load else 0.95
        row = [minute, 70 if is_load else 0, round(100 + begins + minute / 60, 4), 61.5]
        row += [round(cell - at / 1000, 4) for at in range(1, cells + 1)]
        lines.append(";".join(str(value).replace(".", ",") for value in row))
    return "\n".join(lines) + "\n"


def bench_columns(cells: int) -> Mapping:
    """Its columns: time in minutes, current, temperature, cell voltages, with limits."""
    return Mapping(
        TimeColumn(TimeKind.ELAPSED, (HEADINGS[0],), "min"),
        tuple(CellColumn(f"U{at} (V)", at) for at in range(1, cells + 1)),
        (
            SignalColumn(Signal.CURRENT, HEADINGS[1], "A"),
            SignalColumn(Signal.TEMPERATURE, HEADINGS[3], "°C"),
        ),
        counting=Counting(temperature_above_c=75.0, cell_below_v=0.4),
    )


def a_counted_log(columns: Mapping, *, hours: int) -> RunFound:
    """The same as counted, its voltages falling slowly."""
    seconds = np.arange(0.0, hours * 3600 + 1, 60.0)
    is_load = (seconds >= 1800) & (seconds < hours * 3600 - 900)
    counter = RunCounter(columns, area_cm2=100.0)
    volts = {
        cell.channel: np.where(is_load, 0.65 - cell.channel / 1e4 - seconds * 1e-8, 0.95)
        for cell in columns.cells
    }
    current = np.where(is_load, 70.0, 0.0)
    warm = {Signal.CURRENT: current, Signal.TEMPERATURE: np.full(len(seconds), 61.5)}
    counter.feed(LogBatch(1, seconds, volts, warm))
    return counter.result()
