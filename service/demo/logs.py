"""Logs of the laboratory's test benches as files: each bench writes in its own manner.

All invented, and as untidy as real ones: a preamble before the header, decimal commas, spacing that
changes, cells that say “---” now and then, a stack voltage which is not the sum of the cells'.
"""

import gzip
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from io import BytesIO
from typing import NamedTuple

import numpy as np
import polars as pl

from service.demo.ageing import RATED_A_CM2, Array, Mea, voltages
from service.runs.arithmetic.log_columns import (
    CellColumn,
    Counting,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)

# How a day at a test bench goes: gas, warming up, load, perhaps a rest at midday, cooling down.

GAS_S, WARM_S, REST_S, PART_S, COOL_S = 1200.0, 1800.0, 1500.0, 1800.0, 600.0
"""Gas on, warm up at a quarter of the load; at midday no load, then half of it; cool down."""


@dataclass(frozen=True, slots=True)
class Day:
    """A day at the bench: how long it lasts, and whether the load is taken off at midday."""

    length_s: float = 20_160.0
    rests: bool = True

    @property
    def midday_s(self) -> float:
        """When the load is taken off, if it is."""
        return self.length_s / 2

    @property
    def ends_s(self) -> float:
        """When the load is taken off for the day."""
        return self.length_s - COOL_S

    def loaded_s(self, in_day: Array) -> Array:
        """Seconds at load so far."""
        if not self.rests:
            return np.clip(in_day - GAS_S, 0, self.ends_s - GAS_S)
        behind = self.midday_s + REST_S
        before: Array = np.clip(in_day - GAS_S, 0, self.midday_s - GAS_S)
        return before + np.clip(in_day - behind, 0, self.ends_s - behind)

    def density(self, in_day: Array) -> Array:
        """Compute the density over the day in A/cm²."""
        midday = self.midday_s if self.rests else np.inf
        density = np.full_like(in_day, RATED_A_CM2)
        for begins, ends, share in (
            (0.0, GAS_S, 0.0),
            (GAS_S, WARM_S, 0.25),
            (midday, midday + REST_S, 0.0),
            (midday + REST_S, midday + REST_S + PART_S, 0.5),
            (self.ends_s, np.inf, 0.0),
        ):
            density[(in_day >= begins) & (in_day < ends)] = RATED_A_CM2 * share
        return density


USUAL, LONG = Day(), Day(50_400.0, rests=False)


# How the benches write their logs, and which column is what: each bench's saved mapping.


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
    """Say which column of such a bench's logs is what."""
    time, cell, signals, written_as = _COLUMNS[manner]
    return Mapping(
        time,
        tuple(CellColumn(cell.name.format(n), n, cell.unit) for n in range(1, cells + 1)),
        tuple(SignalColumn(signal, column.name, column.unit) for signal, column in signals.items()),
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


NOISE_V, TOGETHER_V = 0.0012, 0.0008
LITRES_A_MIN = 0.00696 * 1.5
"""Hydrogen of one cell for each ampere, half more than it uses."""
HOT_K = 17.0


@dataclass(frozen=True, slots=True)
class Sat:
    """An MEA in its cell when a log begins: how it ages, its own hours; None: a blank cell."""

    mea: Mea | None
    own_h: float


@dataclass(frozen=True, slots=True)
class Bench:
    """What a log is of: the stack, its active area and cells in the order of the channels."""

    stack: str
    place: str
    area_cm2: float
    cells: Sequence[Sat]
    meter_h: float
    """shown when the log begins"""


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of a log: seconds from its beginning, signals of shape (n,), cells (n, channels)."""

    seconds: Array
    current_a: Array
    cells_v: Array
    temperature_c: Array
    hydrogen_l_min: Array
    meter_h: Array

    @property
    def stack_v(self) -> Array:
        """Measured at the collectors, with the leads: not the sum of the cells."""
        total: Array = np.nansum(self.cells_v, axis=1) - 4e-4 * self.current_a + 0.02
        return total


def run(
    bench: Bench, days: int, chance: np.random.Generator, *, day: Day, hot: bool = False
) -> Rows:
    """Return what a bench logs on some days, one after the other.

    ``hot``: the coolant pump failed for an hour of the last day.
    """
    of_day = np.concatenate(
        (np.arange(0, WARM_S, 30.0), np.arange(WARM_S, day.length_s + 1, 120.0))
    )
    seconds = np.concatenate([86_400.0 * number + of_day for number in range(days)])
    in_day = np.tile(of_day, days)
    density, loaded_h = day.density(in_day), day.loaded_s(in_day) / 3600
    before_noon_h = loaded_h[in_day <= day.midday_s].max() if day.rests else 0.0
    since_stop_h = loaded_h - np.where(in_day > day.midday_s, 0.7 * before_noon_h, 0.0)
    ran_h = np.repeat(np.arange(days) * loaded_h[-1], len(of_day)) + loaded_h
    temperature = 65.0 - 43.0 * np.exp(-in_day / 600.0) + chance.normal(0, 0.15, len(seconds))
    if hot:
        failed = np.clip((in_day - 9000.0) / 600.0, 0, 1) * (in_day < 9000 + 4200)
        temperature[-len(of_day) :] += HOT_K * failed[-len(of_day) :]
    cells = cells_at(bench.cells, ran_h, density, since_stop_h, chance)
    current = density * bench.area_cm2
    flow = np.maximum(current * len(bench.cells) * LITRES_A_MIN, 0.4)
    flow[in_day > day.length_s - 200.0] = 0.0
    return Rows(
        seconds,
        current + np.where(current > 0, chance.normal(0, 0.0015, len(current)) * current, 0.0),
        cells,
        temperature,
        flow,
        bench.meter_h + ran_h,
    )


def cells_at(
    sat: Sequence[Sat], ran_h: Array, density: Array, since_h: Array, chance: np.random.Generator
) -> Array:
    """Return the channels' voltages with their noise; the leads of a blank cell are taken off."""
    fitted = [(at, seat.mea, seat.own_h) for at, seat in enumerate(sat) if seat.mea is not None]
    volts = chance.normal(0.0, NOISE_V, (len(ran_h), len(sat)))
    volts[:, [at for at, seat in enumerate(sat) if seat.mea is None]] = np.nan
    own_hours = np.stack([own_h + ran_h for _at, _mea, own_h in fitted], axis=1)
    without_noise = voltages([seat for _at, seat, _own in fitted], own_hours, density, since_h)
    volts[:, [at for at, _mea, _own in fitted]] += without_noise + chance.normal(
        0.0, TOGETHER_V, (len(ran_h), 1)
    )
    return volts


def written(rows: Rows, bench: Bench, begun: datetime, manner: Manner) -> bytes:
    """Write the file; ``begun`` is the local time of its first row, without zone."""
    if manner is Manner.SEMICOLONS:
        return _semicolons(rows, bench, begun)
    return _commas(rows, begun) if manner is Manner.COMMAS else _zipped(rows, bench.area_cm2)


def _semicolons(rows: Rows, bench: Bench, begun: datetime) -> bytes:
    at = _clock(rows, begun)
    table = pl.DataFrame(
        {
            "Date": at.dt.strftime("%d.%m.%Y"),
            "Time": at.dt.strftime("%H:%M:%S"),
            "I stack [A]": rows.current_a,
            "U stack [V]": rows.stack_v,
            **{f"cell {n} [V]": cell for n, cell in enumerate(rows.cells_v.T, 1)},
            "T stack [°C]": rows.temperature_c,
            "H2 flow [l/min]": rows.hydrogen_l_min,
            "hour meter [h]": rows.meter_h,
        }
    )
    body = table.fill_nan(None).write_csv(separator=";", decimal_comma=True, float_precision=3)
    lines = body.splitlines()
    for number in range(97, len(lines), 211):
        cells = lines[number].split(";")
        cells[4 + number % len(bench.cells)] = "---"
        lines[number] = ";".join(cells)
    head = [
        f"{bench.place};Tarnfield Electrochemistry Lab (invented)",
        f"stack;{bench.stack};{len(bench.cells)} cells, {bench.area_cm2:g} cm²",
        f"begun;{begun:%d.%m.%Y %H:%M}",
        "remark;stack voltage at the collectors, leads included; ± 5 mV",
        "",
    ]
    return "\r\n".join((*head, *lines, "")).encode("cp1252")


def _commas(rows: Rows, begun: datetime) -> bytes:
    table = pl.DataFrame(
        {
            "time": _clock(rows, begun).dt.strftime("%Y-%m-%d %H:%M:%S"),
            "current_A": rows.current_a,
            "stack_voltage_V": rows.stack_v,
            **{f"cell_{n:02}_V": cell for n, cell in enumerate(rows.cells_v.T, 1)},
            "stack_temp_degC": rows.temperature_c,
            "h2_flow (slpm)": rows.hydrogen_l_min,
            "hour_meter_h": rows.meter_h,
            "operator_note": [
                "purge valve checked" if n == 40 else "" for n in range(len(rows.seconds))
            ],
        }
    )
    text = table.write_csv(float_precision=4)
    return text[: -len(text.splitlines()[-1]) // 2].encode()


def _zipped(rows: Rows, area_cm2: float) -> bytes:
    table = pl.DataFrame(
        {
            "t (s)": rows.seconds.astype(np.int64),
            "j (A/cm²)": rows.current_a / area_cm2,
            **{f"U{n} (mV)": 1e3 * cell for n, cell in enumerate(rows.cells_v.T, 1)},
            "Tstack (°C)": rows.temperature_c,
            "H2 (NL/min)": rows.hydrogen_l_min,
            "running hours (h)": rows.meter_h,
        }
    )
    packed = BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0, compresslevel=3) as file:
        file.write(("\ufeff" + table.write_csv(float_precision=2)).encode())
    return packed.getvalue()


def _clock(rows: Rows, begun: datetime) -> pl.Series:
    whole = (1000 * rows.seconds).astype("timedelta64[ms]")
    return pl.Series(np.datetime64(begun, "ms") + whole)
