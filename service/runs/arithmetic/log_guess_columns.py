"""Columns of a log as a guess sees them: name, unit, a sample of values; and what it doubts."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from service.platform.arithmetic.units import Measure
from service.runs.arithmetic.log_units import measure_of, parted

METER = re.compile(r"meter|z[aä]hler|betriebsstunden|operating\s*h|run(?:ning)?\s*h|total\s*h")
"""Names of hour meters and counters of hours."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What a guess is not sure of: about which column or matter, and why, in words."""

    about: str
    why: str


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``name`` in small letters without its unit, a sample as text and as numbers."""

    heading: str
    name: str
    unit: str
    texts: tuple[str, ...]
    values: tuple[float, ...]
    measure: Measure | None

    @property
    def is_number(self) -> bool:
        """Say whether most of its filled cells are numbers."""
        filled = sum(1 for text in self.texts if text.strip())
        return filled > 0 and len(self.values) >= 0.5 * filled

    @property
    def middle(self) -> float:
        """Median of the sample."""
        return median(self.values) if self.values else 0.0


def sampled_columns(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    units: Sequence[str] | None,
    decimal: str,
) -> list[Column]:
    """Return each column with its sample; the unit from its heading, else from the row of units."""
    columns = []
    for index, heading in enumerate(headings):
        name_and_unit = parted(heading)
        unit = name_and_unit.unit or (
            parted(f"x ({units[index]})").unit if units and index < len(units) else ""
        )
        unit = unit.strip("[](){} ")
        texts = tuple(row[index] if index < len(row) else "" for row in rows)
        values = tuple(value for text in texts if (value := read_cell(text, decimal)) is not None)
        columns.append(
            Column(heading, name_and_unit.name.casefold(), unit, texts, values, measure_of(unit))
        )
    return columns


def read_cell(text: str, decimal: str) -> float | None:
    """Return the number in a cell, None where there is none."""
    try:
        return float(text.replace(",", ".") if decimal == "," else text)
    except ValueError:
        return None
