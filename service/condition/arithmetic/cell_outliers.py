"""Cells that stand apart from the others of their stack at one moment, and how far all spread.

All cells of a stack carry the same current, so each snapshot is its own comparison. Volts.
Source: Iglewicz & Hoaglin, How to Detect and Handle Outliers, 1993; NIST/SEMATECH e-Handbook of
Statistical Methods, 1.3.5.17.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, within

LIMIT = 3.5
FACTOR = 0.6745
"""the median absolute deviation of a normal distribution with standard deviation 1"""
FEWEST, FEW = 3, 8


class Apart(StrEnum):
    """How a cell stands among the others."""

    LOW = "low"
    HIGH = "high"
    AMONG = "among the others"
    UNDEFINED = "cannot be scored"


@dataclass(frozen=True, slots=True)
class CellScore:
    """One cell: V, V from the median, its score (None where undefined) and what it says."""

    cell: int
    voltage_v: float
    from_median_v: float
    score: float | None
    apart: Apart


@dataclass(frozen=True, slots=True)
class CellScores:
    """The cells of one snapshot. ``low_v`` and ``high_v`` are the voltages at which the rule
    marks a cell, None where it cannot; ``remarks`` are sentences to print beside the scores.
    """

    cells: tuple[CellScore, ...]
    median_v: float
    mad_v: float
    limit: float
    low_v: float | None
    high_v: float | None
    remarks: tuple[str, ...]

    @property
    def low(self) -> tuple[int, ...]:
        """Numbers of the cells marked as low."""
        return tuple(cell.cell for cell in self.cells if cell.apart is Apart.LOW)

    @property
    def high(self) -> tuple[int, ...]:
        """Numbers of the cells marked as high."""
        return tuple(cell.cell for cell in self.cells if cell.apart is Apart.HIGH)


@dataclass(frozen=True, slots=True)
class Spread:
    """How far the cells of a snapshot lie apart: V; the deviation is the sample's, n − 1."""

    cells: int
    mean_v: float
    range_v: float
    deviation_v: float
    least_v: float
    least_cell: int


def cell_outliers(voltages_v: Mapping[int, float | None], limit: float = LIMIT) -> CellScores:
    """Find the cells that stand apart. Cell number → V; None for a cell that was not read.

    Where more than half of the cells read alike, the median absolute deviation is zero and no
    score exists: that is said and nothing is marked. Raises Inconsistent without three cells.

    >>> found = cell_outliers(dict(enumerate(
    ...     [.652, .655, .649, .651, .653, .648, .650, .654, .621, .652], start=1)))
    >>> found.low, round(found.cells[8].score, 2), round(found.low_v, 4)
    ((9,), -10.29, 0.6411)

    Source of the rule |M| > 3.5: the e-Handbook named above; the voltages are made up.
    """
    within("the limit of the score", limit, "", 0.5, 100.0)
    read = {cell: value for cell, value in sorted(voltages_v.items()) if value is not None}
    for cell, value in read.items():
        finite(f"the voltage of cell {cell}", value, "V")
    if len(read) < FEWEST:
        raise Inconsistent(
            f"Cells can be compared with each other from {FEWEST} on; {len(read)} were read."
        )
    volts = np.array(list(read.values()))
    median = float(np.median(volts))
    mad = float(np.median(np.abs(volts - median)))
    # a picovolt: voltages alike but for rounding
    if mad <= 1e-12:
        mad = 0.0
    half = limit * mad / FACTOR if mad else None
    return CellScores(
        tuple(_scored(cell, value, median, mad, limit) for cell, value in read.items()),
        median,
        mad,
        limit,
        None if half is None else median - half,
        None if half is None else median + half,
        _remarks(len(voltages_v), len(read), volts, median, mad),
    )


def _scored(cell: int, value: float, median: float, mad: float, limit: float) -> CellScore:
    away = value - median
    if not mad:
        return CellScore(cell, value, away, None, Apart.UNDEFINED)
    score = FACTOR * away / mad
    apart = Apart.LOW if score < -limit else Apart.HIGH if score > limit else Apart.AMONG
    return CellScore(cell, value, away, score, apart)


def _remarks(
    cells: int, read: int, volts: NDArray[np.float64], median: float, mad: float
) -> tuple[str, ...]:
    remarks = []
    if not mad:
        # Far below any meter’s last digit (1 µV): equal up to what subtraction of floats leaves.
        alike = int(np.sum(np.abs(volts - median) <= 1e-12))
        remarks.append(
            f"{alike} of {read} cells read the same {median * 1e3:g} mV: there is no spread to"
            " measure a cell by, so no score exists and no cell is marked."
        )
    if read < FEW:
        remarks.append(f"Only {read} cells were read: a mark among so few is a hint, not more.")
    if read < cells:
        remarks.append(f"{cells - read} of {cells} cells were not read.")
    return tuple(remarks)


def scores(voltages_v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return modified z-scores of many snapshots at once.

    Snapshots × cells in V, not-a-number where a cell was not read; the answer has the same shape,
    not-a-number where no score exists.
    """
    answer = np.full(voltages_v.shape, np.nan)
    enough = np.sum(np.isfinite(voltages_v), axis=1) >= FEWEST
    chosen = voltages_v[enough]
    if not len(chosen):
        return answer
    away = chosen - np.nanmedian(chosen, axis=1, keepdims=True)
    mad = np.nanmedian(np.abs(away), axis=1, keepdims=True)
    # Less than 1e-12 V is rounding of equal readings, not spread: no score, as in `_remarks`.
    answer[enough] = FACTOR * away / np.where(mad > 1e-12, mad, np.nan)
    return answer


def spread(voltages_v: Mapping[int, float | None]) -> Spread:
    """Return how far the cells lie apart, and the weakest of them. Cell number → V.

    Raises Inconsistent without two cells that were read.
    """
    read = {cell: value for cell, value in sorted(voltages_v.items()) if value is not None}
    if len(read) < 2:
        raise Inconsistent(f"A spread needs two cells; {len(read)} were read.")
    volts = np.array([finite(f"the voltage of cell {c}", v, "V") for c, v in read.items()])
    least = min(read, key=lambda cell: read[cell])
    return Spread(
        len(read),
        float(volts.mean()),
        float(np.ptp(volts)),
        float(volts.std(ddof=1)),
        float(volts.min()),
        least,
    )
