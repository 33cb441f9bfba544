"""Cell voltages and curves as people type or paste them: lists and rows out of a spreadsheet.

A voltage is a number in V, or with its unit (``650 mV``); a stroke stands for a channel that read
nothing. Decimal point or comma. Common practice, no source.
"""

import re
from collections.abc import Sequence
from enum import StrEnum

from service.condition.arithmetic.measured_curves import MOST_POINTS, MeasuredPoint, in_order
from service.condition.arithmetic.polarisation import GREATEST_A_CM2, GREATEST_V
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.preconditions import more_than_zero
from service.platform.arithmetic.typed_fields import FieldRefused

NOTHING_READ = {"", "-", "–", "—", "none", "not read"}
MOST_CHANNELS = 2000
_VOLTAGE = re.compile(
    r"(?P<number>[+\-\u2212]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>m?V)?"
)
RIGHT = f"a voltage up to {GREATEST_V:g} V such as 0.652 or 652 mV, or - for none"


class Across(StrEnum):
    """What the first column of a typed curve is."""

    DENSITY = "current density in A/cm²"
    CURRENT = "current in A"


def read_voltages(field: str, text: str) -> tuple[float | None, ...]:
    """Read the voltages of channel 1, 2 … in V, one a line, or separated by semicolons or tabs.

    Without any of these, spaces separate. Raises FieldRefused naming the channel.

    >>> read_voltages("voltages", "0,652; 648 mV; -")
    (0.652, 0.648, None)
    """
    cells = _cells(text)
    if not any(cell not in NOTHING_READ for cell in cells):
        raise FieldRefused(field, "the voltages", "empty", "", f"one a channel: {RIGHT}")
    if len(cells) > MOST_CHANNELS:
        raise FieldRefused(
            field, "the voltages", f"{len(cells)} values", "", f"up to {MOST_CHANNELS}"
        )
    return tuple(_volt(field, f"channel {n}", cell) for n, cell in enumerate(cells, start=1))


def read_curve_rows(
    field: str, text: str, across: Across, area_cm2: float
) -> tuple[MeasuredPoint, ...]:
    """Read the points of a curve: a line a point, density or current, then a voltage a channel.

    Columns are separated by tabs or semicolons, else by spaces. A first line of words is passed
    over. Raises FieldRefused naming the line.

    >>> rows = "A U1 U2\\n70 0.688 0.685\\n10 1.002 -"
    >>> points = read_curve_rows("rows", rows, Across.CURRENT, 100.0)
    >>> [(point.density_a_cm2, point.means_v) for point in points]
    [(0.1, (1.002, None)), (0.7, (0.688, 0.685))]
    """
    more_than_zero("the active area", area_cm2, "cm²")
    rows = [(n, _row(line)) for n, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if rows and not any(re.fullmatch(r"[\d.,+\-−–—eE ]+", cell) for cell in rows[0][1]):
        rows = rows[1:]
    if not rows:
        raise FieldRefused(field, "the rows", "empty", "", "a line a point")
    if len(rows) > MOST_POINTS:
        raise FieldRefused(field, "the rows", f"{len(rows)} lines", "", f"up to {MOST_POINTS}")
    wide = len(rows[0][1])
    points = []
    for n, row in rows:
        if len(row) != wide or wide < 2:
            right = f"a current and {max(wide - 1, 1)} voltages, as in the first line"
            raise FieldRefused(field, f"line {n}", " ".join(row)[:80], "", right)
        density = _density(field, n, row[0], across, area_cm2)
        volts = tuple(
            _volt(field, f"line {n}, channel {number}", cell)
            for number, cell in enumerate(row[1:], 1)
        )
        points.append(MeasuredPoint(density, density * area_cm2, 1, volts, (None,) * len(volts)))
    return in_order(points)


def typed_channels(count: int) -> tuple[str, ...]:
    """Return the names of channels 1 to ``count``, for values that came without names."""
    return tuple(f"channel {number}" for number in range(1, count + 1))


def _cells(text: str) -> list[str]:
    parts = re.split(r"[\n;\t]", text.strip())
    if len(parts) == 1:
        parts = re.sub(r"\s+(m?V)\b", r"\1", parts[0]).split()
    return [part.strip().casefold() if part.strip() in "-–—" else part.strip() for part in parts]


def _row(line: str) -> Sequence[str]:
    if re.search(r"[\t;]", line):
        return [cell.strip() for cell in re.split(r"[\t;]", line.strip())]
    return line.split()


def _density(field: str, line: int, text: str, across: Across, area_cm2: float) -> float:
    per = area_cm2 if across is Across.CURRENT else 1.0
    unit = "A" if across is Across.CURRENT else "A/cm²"
    right = f"a number from 0 to {GREATEST_A_CM2 * per:g} {unit}"
    if not re.fullmatch(r"\+?(\d+([.,]\d*)?|[.,]\d+)", text):
        raise FieldRefused(field, f"line {line}, first column", text, "", right)
    density = _number(field, f"line {line}, first column", text, right) / per
    if density > GREATEST_A_CM2:
        raise FieldRefused(field, f"line {line}, first column", text, unit, right)
    return density


def _volt(field: str, place: str, text: str) -> float | None:
    if text.casefold() in NOTHING_READ:
        return None
    match = _VOLTAGE.fullmatch(text)
    if not match:
        raise FieldRefused(field, place, text[:40], "", RIGHT)
    volts = _number(field, place, match["number"], RIGHT)
    volts /= 1000 if match["unit"] == "mV" else 1
    if not -GREATEST_V <= volts <= GREATEST_V:
        raise FieldRefused(field, place, text, "", RIGHT)
    return volts


def _number(field: str, place: str, text: str, right: str) -> float:
    # No cell has a thousand volts or A/cm²: one mark is the decimal one, whatever stands behind it.
    try:
        return read_number(text, decimal="," if "," in text else ".")
    except OutOfRange:
        raise FieldRefused(field, place, text[:40], "", right) from None
