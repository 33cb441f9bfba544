"""Least squares with standard errors and intervals; a line whose level may jump at given places.

The intervals take the readings as independent of each other; neighbouring readings of one log
seldom are, so that they are rather too narrow than too wide.

Source: orthogonal factors as in Golub & Van Loan, Matrix Computations, chapter 5, from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from service.platform.arithmetic.errors import Inconsistent, NoSolution
from service.platform.arithmetic.preconditions import within

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Coefficients with standard errors and intervals, in the order of the columns given.

    ``residual_sd`` is in the unit of y; ``r_squared`` is about the mean of y; ``covariance`` is
    that of the coefficients; ``freedom`` counts readings less coefficients.
    """

    coefficients: Floats
    standard_errors: Floats
    lows: Floats
    highs: Floats
    covariance: Floats
    residual_sd: float
    r_squared: float
    n: int
    freedom: int
    level: float

    def at(self, row: ArrayLike) -> tuple[float, float]:
        """Compute the fitted value and its standard error for one row of the columns."""
        row_values = np.asarray(row, dtype=float)
        value = float(row_values @ self.coefficients)
        # rounding may leave a hair below zero
        return value, float(np.sqrt(max(0.0, row_values @ self.covariance @ row_values)))


def least_squares(columns: ArrayLike, y: ArrayLike, level: float = 0.95) -> LeastSquares:
    """Fit the coefficients of the columns to y, and say how well they are known.

    ``columns`` is n × k (a constant is a column of ones), ``level`` the two-sided one of the
    intervals (Student's t). Columns are scaled first and factored orthogonally, so that badly
    matched ones lose few digits.

    Raises Inconsistent for unequal lengths, NoSolution where readings are not more than columns
    or columns depend on each other.

    >>> fit = least_squares([[1, 0], [1, 1], [1, 2], [1, 3]], [1.0, 2.9, 5.1, 7.0])
    >>> fit.coefficients.round(6).tolist(), fit.standard_errors.round(6).tolist(), fit.freedom
    ([0.97, 2.02], [0.079373, 0.042426], 2)
    """
    within("the level", level, "", 0.5, 0.9999)
    matrix, response = np.asarray(columns, dtype=float), finite_row(y, "y")
    if matrix.ndim != 2 or len(matrix) != len(response):
        raise Inconsistent(f"{len(response)} readings need a table of as many rows.")
    n, k = matrix.shape
    if n <= k:
        raise NoSolution("least squares", f"{n} readings for {k} coefficients")
    scale = np.linalg.norm(matrix, axis=0)
    if not np.all(np.isfinite(scale)) or np.any(scale == 0):
        raise NoSolution("least squares", "a column is all zero or no number")
    q, r = np.linalg.qr(matrix / scale)
    # Columns have length 1 here: the diagonal of R is what of a column the ones before do not tell.
    if np.min(np.abs(np.diag(r))) < 1e-12:
        raise NoSolution("least squares", "the columns depend on each other")
    scaled = np.linalg.solve(r, q.T @ response)
    residuals = response - (matrix / scale) @ scaled
    variance = float(residuals @ residuals) / (n - k)
    # (XᵀX)⁻¹ = R⁻¹ R⁻ᵀ, scaled back; XᵀX itself would square the loss of digits.
    inverse = np.linalg.solve(r, np.eye(k)) / scale[:, None]
    covariance = variance * (inverse @ inverse.T)
    errors = np.sqrt(np.diag(covariance))
    wide = float(stdtrit(n - k, (1 + level) / 2)) * errors
    values = scaled / scale
    about_mean = float(np.sum((response - response.mean()) ** 2))
    return LeastSquares(
        values,
        errors,
        values - wide,
        values + wide,
        covariance,
        float(np.sqrt(variance)),
        1 - float(residuals @ residuals) / about_mean if about_mean else 1.0,
        n,
        n - k,
        level,
    )


def line_columns(x: ArrayLike, stretch: ArrayLike | None = None) -> Floats:
    """Return columns for `least_squares`.

    First x itself, then one level for each stretch of readings.

    ``stretch`` names the stretch of each reading by a number (`stretches`); None: all are one.
    """
    x_values = finite_row(x, "x")
    levels = [inside.astype(float) for inside in each_stretch(x_values, stretch)]
    return np.column_stack([x_values, *levels])


def each_stretch(x: Floats, stretch: ArrayLike | None) -> list[NDArray[np.bool_]]:
    """Say which readings lie in each stretch, in the order of their numbers."""
    if stretch is None:
        return [np.ones(len(x), dtype=bool)]
    numbers = np.asarray(stretch)
    if numbers.shape != x.shape:
        raise Inconsistent(f"{len(x)} readings need the stretch of each; {numbers.size} given.")
    return [numbers == number for number in np.unique(numbers)]


def stretches(x: ArrayLike, steps: Sequence[float]) -> NDArray[np.intp]:
    """Return the stretch, from 0, in which each x lies. At a step the next one begins.

    >>> stretches([0.0, 5.0, 9.0, 12.0], [5.0, 10.0]).tolist()
    [0, 1, 1, 2]
    """
    return np.searchsorted(
        np.sort(np.asarray(steps, dtype=float)), finite_row(x, "x"), side="right"
    )


def finite_row(values: Any, name: str) -> Floats:
    """Return the values as one row of numbers; raises Inconsistent for gaps or another shape."""
    row = np.asarray(values, dtype=float)
    if row.ndim != 1 or not np.all(np.isfinite(row)):
        raise Inconsistent(f"{name} must be one row of numbers without gaps.")
    return row
