"""The trace of a test of tightness: time, pressure and temperature, line by line.

The readings at both ends of the measuring window are those of straight lines through all points
of it, by least squares. Common practice, no source.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.typed_fields import FieldRefused, Typed, typed_quantity
from service.platform.arithmetic.units import Measure, from_si, to_si
from service.proof.arithmetic.leak_tests import Method

FIELD = "trace"
LEAST_ROWS = 10
MOST_ROWS = 50_000
RAMP_SPAN_MIN = 1 / 6
"""A ramp is told from points at least 10 s apart: noise from one second to the next is none."""
RIGHT = (
    "lines of time, pressure and temperature with semicolons, tabs or commas between;"
    " the first may name the units, such as: t (s); p (kPa); T (°C)"
)
MEASURES = (
    (Measure.DURATION, "s", "min"),
    (Measure.PRESSURE, "kPa", "kPa"),
    (Measure.TEMPERATURE, "°C", "°C"),
)
NAMES = "duration", "start_pressure", "start_temperature", "end_pressure", "end_temperature"
GIVEN = (*NAMES[1:], "ramp", "ramp_time", "settled", "most_pressure")
"""The fields a trace gives; the duration may be typed: it is how long the end was measured."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Minutes from the first point, pressures in kPa as they were read, temperatures in °C."""

    minutes: tuple[float, ...]
    kpa: tuple[float, ...]
    celsius: tuple[float, ...]

    @property
    def at_most(self) -> int:
        """The point of the highest pressure: there the ramp ends."""
        return int(np.argmax(self.kpa))

    @property
    def ramp_kpa_min(self) -> float:
        """The steepest rise of the pressure, from points at least 10 s apart; 0: it never rose."""
        times, pressures = np.array(self.minutes), np.array(self.kpa)
        later = np.searchsorted(times, times + RAMP_SPAN_MIN * (1 - 1e-9))
        begun = np.flatnonzero(later < len(times))
        if not begun.size:
            return 0.0
        ends = later[begun]
        slopes = (pressures[ends] - pressures[begun]) / (times[ends] - times[begun])
        return max(0.0, float(slopes.max()))


def read_trace(text: str) -> Trace:
    """Return the trace that was sent. Raises FieldRefused naming the line."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    units = [unit for _measure, unit, _kept in MEASURES]
    if lines and not _begins_with_a_number(lines[0]):
        units = _units(lines.pop(0))
    if not LEAST_ROWS <= len(lines) <= MOST_ROWS:
        raise _refused(f"{len(lines)} lines", f"{LEAST_ROWS} to {MOST_ROWS} {RIGHT}")
    rows = [_row(number, line, units) for number, line in enumerate(lines, 1)]
    times, pressures, temperatures = (tuple(column) for column in zip(*rows, strict=True))
    for number, (before, after) in enumerate(pairwise(times), 2):
        if after <= before:
            raise _refused(f"line {number}", "times that go forward from line to line")
    return Trace(tuple(time - times[0] for time in times), pressures, temperatures)


def _begins_with_a_number(line: str) -> bool:
    return bool(re.match(r"[-+\u2212]?[\d.,]", line))


def _units(header: str) -> list[str]:
    cells = _cells(header)
    found = [re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]", cell) for cell in cells]
    if len(cells) != len(MEASURES):
        raise _refused(header, RIGHT)
    units = []
    for cell, match, (measure, unit, _kept) in zip(cells, found, MEASURES, strict=True):
        units.append(match[1] if match else unit)
        try:
            to_si(1.0, units[-1], measure)
        except TradeError as trouble:
            raise _refused(cell, RIGHT) from trouble
    return units


def _cells(line: str) -> list[str]:
    sign = next((sign for sign in (";", "\t") if sign in line), ",")
    return [cell.strip() for cell in line.split(sign)]


def _row(number: int, line: str, units: list[str]) -> list[float]:
    cells = _cells(line)
    if len(cells) != len(MEASURES):
        raise _refused(f"line {number}: {line[:60]}", RIGHT)
    decimal = "." if ";" not in line and "\t" not in line else None
    try:
        return [
            from_si(to_si(_number(cell, decimal), unit, measure), kept, measure)
            for cell, unit, (measure, _unit, kept) in zip(cells, units, MEASURES, strict=True)
        ]
    except OutOfRange as trouble:
        raise _refused(f"line {number}: {line[:60]}", trouble.allowed) from trouble


def _number(cell: str, decimal: str | None) -> float:
    """A number of a file, whose mark with three digits behind it is a decimal one."""
    if decimal is None:
        decimal = "," if "," in cell else "."
    return read_number(cell, decimal=decimal)


def _refused(value: str, allowed: str) -> FieldRefused:
    return FieldRefused(FIELD, "the trace", value, "", allowed)


def with_trace(texts: Typed, trace: Trace, measure_min: float | None) -> dict[str, str]:
    """Return what was typed with what the trace gives.

    The last minutes are measured: as many as were typed, else ``measure_min`` of the recipe.
    Raises FieldRefused for a field that the trace gives too, and for a window that it lacks.
    """
    for name in GIVEN:
        if texts.get(name, "").strip():
            raise FieldRefused(name, "this field", texts[name], "", "empty: the trace gives it")
    typed_min = typed_quantity(texts, "duration", "the test time", Measure.DURATION, "min")
    wanted = typed_min or measure_min
    if wanted is None:
        raise FieldRefused(
            "duration", "the test time", "empty", "", "the minutes measured at the trace's end"
        )
    times, pressures = np.array(trace.minutes), np.array(trace.kpa)
    window = times >= times[-1] - wanted - 1e-9
    begins = float(times[window][0])
    if window.sum() < LEAST_ROWS or begins < trace.minutes[trace.at_most]:
        right = f"at least {LEAST_ROWS} points and {wanted:g} min after the highest pressure"
        raise _refused(f"{int(window.sum())} points in the last {wanted:g} min", right)
    start_kpa, end_kpa = _ends(times[window], pressures[window])
    start_c, end_c = _ends(times[window], np.array(trace.celsius)[window])
    by_decay = texts.get("method", "") == Method.PRESSURE_DECAY
    ramp_min = trace.minutes[trace.at_most]
    given = {
        "start_pressure": f"{start_kpa:.6g} kPa",
        "start_temperature": f"{start_c:.5g} °C",
        "ramp": f"{trace.ramp_kpa_min:.5g}",
        "ramp_time": f"{ramp_min:.5g} min",
        "settled": f"{begins - ramp_min:.5g} min",
        "most_pressure": f"{pressures.max():.6g} kPa",
    }
    if by_decay:
        given |= {
            "duration": f"{trace.minutes[-1] - begins:.6g} min",
            "end_pressure": f"{end_kpa:.6g} kPa",
            "end_temperature": f"{end_c:.5g} °C",
        }
    return {**texts, **{name: _plain(text) for name, text in given.items()}}


def _plain(text: str) -> str:
    """A number with its unit; three digits behind the mark get a fourth, so that it is no doubt."""
    number, _space, unit = text.partition(" ")
    if re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", number):
        number += "0"
    return f"{number} {unit}".strip()


def _ends(times: np.ndarray, values: np.ndarray) -> Iterator[float]:
    slope, level = np.polyfit(times - times[0], values, 1)
    return iter((float(level), float(level + slope * (times[-1] - times[0]))))
