"""One cell's polarisation curve: three constants with intervals, and the voltage at a density.

Current density in A/cm², voltage in V. The form U = E0 − b·log10(i) − R·i is linear in its
constants, so the least squares have one solution and no start value. The intervals take the points
as independent; bins of one sweep share its drift, so the truth may lie a little wider.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import log10, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import finite, within

LEVEL = 0.95
CONSTANTS = 3
GREATEST_V, GREATEST_A_CM2 = 1.5, 10.0


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One point of a cell's curve: A/cm² and V; ``spread_v`` is the standard deviation of the
    ``rows`` it is the mean of, None where nothing is known of it.
    """

    density_a_cm2: float
    voltage_v: float
    spread_v: float | None = None
    rows: int = 1

    def __post_init__(self) -> None:
        """Refuse what is no point of a cell's curve."""
        within("the current density", self.density_a_cm2, "A/cm²", 0.0, GREATEST_A_CM2)
        within("the cell voltage", self.voltage_v, "V", -GREATEST_V, GREATEST_V)


@dataclass(frozen=True, slots=True)
class Densities:
    """From which to which current density (A/cm²) a curve is fitted.

    Below 0.05 A/cm² gas that crosses the membrane and small shorts bend the curve; at its end
    the supply of gas does. Common practice, no source.
    """

    least_a_cm2: float = 0.05
    most_a_cm2: float = GREATEST_A_CM2

    def __post_init__(self) -> None:
        """Refuse a range that is none."""
        finite("the greatest current density of the fit", self.most_a_cm2, "A/cm²")
        if not 0 < self.least_a_cm2 < self.most_a_cm2:
            raise OutOfRange(
                "the least current density of the fit",
                f"{self.least_a_cm2:g}",
                "A/cm²",
                f"more than zero and below {self.most_a_cm2:g} A/cm²",
            )

    def includes(self, density_a_cm2: float) -> bool:
        """Say whether a density lies in the range."""
        return self.least_a_cm2 <= density_a_cm2 <= self.most_a_cm2


@dataclass(frozen=True, slots=True)
class Constant:
    """A constant of a fit with its standard error and its interval at the fit's level."""

    value: float
    error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class CurveFit:
    """The constants of a curve. ``spread_v`` is the standard deviation about the fit,
    ``points`` how many it has, ``covariance`` 3 × 3 in the order E0, b, R.
    """

    e0_v: Constant
    b_v_decade: Constant
    r_ohm_cm2: Constant
    spread_v: float
    rms_v: float
    points: int
    from_a_cm2: float
    to_a_cm2: float
    level: float
    covariance: tuple[tuple[float, ...], ...]

    @property
    def degrees(self) -> int:
        """Points beyond the three constants."""
        return self.points - CONSTANTS

    def voltage_v(self, density_a_cm2: float) -> float:
        """Return the fit's voltage at a density above zero."""
        return (
            self.e0_v.value
            - self.b_v_decade.value * log10(_above_zero(density_a_cm2))
            - self.r_ohm_cm2.value * density_a_cm2
        )


class How(StrEnum):
    """Where a voltage at a current density comes from."""

    MEASURED = "measured there"
    BETWEEN = "between two neighbouring points"
    FIT = "from the fit"


@dataclass(frozen=True, slots=True)
class VoltageAt:
    """A curve's voltage at a density: V, with an interval where it comes from the fit."""

    density_a_cm2: float
    voltage_v: float
    how: How
    low_v: float | None = None
    high_v: float | None = None


@dataclass(frozen=True, slots=True)
class Band:
    """The fit with its confidence band: A/cm², V; as many of each."""

    densities_a_cm2: tuple[float, ...]
    voltages_v: tuple[float, ...]
    low_v: tuple[float, ...]
    high_v: tuple[float, ...]


def fit_curve(
    points: Sequence[CurvePoint], densities: Densities | None = None, level: float = LEVEL
) -> CurveFit:
    """Fit E0, b and R to these points by ordinary least squares within ``densities``.

    Each point counts alike, however many rows it is the mean of. Raises Inconsistent for fewer
    than four points or three different densities.

    >>> points = [CurvePoint(i, u) for i, u in [(0.164, 0.851), (0.396, 0.797), (0.729, 0.746),
    ...     (1.09, 0.696), (1.47, 0.646), (1.85, 0.596), (2.21, 0.545)]]
    >>> fit = fit_curve(points)
    >>> round(fit.e0_v.value, 4), round(fit.b_v_decade.value, 4), round(fit.r_ohm_cm2.value, 4)
    (0.823, 0.0576, 0.1154)

    Source: form by Kim et al., J. Electrochem. Soc. 142 (1995) 2670, without its last term, as
    Srinivasan et al. 1988 wrote it (from memory); points of Hamidi, Haghighi & Askari 2020
    (CC BY 4.0).
    """
    _level(level)
    chosen = densities or Densities()
    inside = [point for point in points if chosen.includes(point.density_a_cm2)]
    inside_a_cm2 = np.array([point.density_a_cm2 for point in inside])
    if len(inside) <= CONSTANTS or len(np.unique(inside_a_cm2)) < CONSTANTS:
        raise Inconsistent(
            f"A fit needs at least {CONSTANTS + 1} points at {CONSTANTS} different current"
            f" densities from {chosen.least_a_cm2:g} A/cm² upwards; there are {len(inside)}."
        )
    rows = design(inside_a_cm2)
    solution = least_squares(rows, np.array([point.voltage_v for point in inside]))
    e0, b, r = (
        constant(value, error, solution.degrees, level)
        for value, error in zip(solution.values, solution.errors, strict=True)
    )
    return CurveFit(
        e0,
        b,
        r,
        solution.spread,
        solution.spread * sqrt(solution.degrees / len(inside)),
        len(inside),
        float(inside_a_cm2.min()),
        float(inside_a_cm2.max()),
        level,
        tuple(tuple(float(value) for value in row) for row in solution.covariance),
    )


def band(fit: CurveFit, densities_a_cm2: Sequence[float]) -> Band:
    """Compute the voltages between which the mean curve lies, density by density.

    The interval holds for each density on its own, not for the whole curve at once. Source: the
    mean response of a linear regression; Draper & Smith, Applied Regression Analysis, 3.1 (from
    memory).
    """
    densities = np.array([_above_zero(density) for density in densities_a_cm2], dtype=float)
    rows = design(densities)
    constants = np.array([fit.e0_v.value, fit.b_v_decade.value, fit.r_ohm_cm2.value])
    middle = rows @ constants
    errors = np.sqrt(np.einsum("ij,jk,ik->i", rows, np.array(fit.covariance), rows).clip(0))
    half = student(fit.level, fit.degrees) * errors
    return Band(
        tuple(densities.tolist()),
        tuple(middle.tolist()),
        tuple((middle - half).tolist()),
        tuple((middle + half).tolist()),
    )


def voltage_at(
    points: Sequence[CurvePoint],
    density_a_cm2: float,
    *,
    fit: CurveFit | None = None,
    furthest: float = 0.25,
) -> VoltageAt:
    """Return the curve's voltage at a current density.

    Between two neighbouring points along a straight line; where they lie further apart than
    ``furthest`` of the density, from the fit if one is given. Never beyond the points: raises
    OutOfRange there.
    """
    finite("the current density", density_a_cm2, "A/cm²")
    curve = merged(points)
    densities = [point.density_a_cm2 for point in curve]
    if not curve or not densities[0] <= density_a_cm2 <= densities[-1]:
        reach = f"{densities[0]:g} to {densities[-1]:g} A/cm²" if curve else "a curve with points"
        raise OutOfRange(
            "the current density", f"{density_a_cm2:g}", "A/cm²", f"{reach}, where points are"
        )
    above = next(n for n, density in enumerate(densities) if density >= density_a_cm2)
    if densities[above] == density_a_cm2:
        return VoltageAt(density_a_cm2, curve[above].voltage_v, How.MEASURED)
    low, high = curve[above - 1], curve[above]
    gap = high.density_a_cm2 - low.density_a_cm2
    if fit and gap > furthest * density_a_cm2 and fit.from_a_cm2 <= density_a_cm2 <= fit.to_a_cm2:
        lines = band(fit, [density_a_cm2])
        return VoltageAt(
            density_a_cm2, lines.voltages_v[0], How.FIT, lines.low_v[0], lines.high_v[0]
        )
    share = (density_a_cm2 - low.density_a_cm2) / gap
    voltage = low.voltage_v + share * (high.voltage_v - low.voltage_v)
    return VoltageAt(density_a_cm2, voltage, How.BETWEEN)


def merged(points: Sequence[CurvePoint]) -> tuple[CurvePoint, ...]:
    """Return the points by rising density, those of one density as their mean."""
    groups: dict[float, list[CurvePoint]] = {}
    for point in points:
        groups.setdefault(point.density_a_cm2, []).append(point)
    return tuple(
        same[0]
        if len(same) == 1
        else CurvePoint(
            density,
            sum(point.voltage_v * point.rows for point in same) / sum(point.rows for point in same),
            None,
            sum(point.rows for point in same),
        )
        for density, same in sorted(groups.items())
    )


@dataclass(frozen=True, slots=True)
class Solution:
    """Least squares: values, standard errors and covariance of the columns."""

    values: tuple[float, ...]
    errors: tuple[float, ...]
    covariance: NDArray[np.float64]
    spread: float
    degrees: int


def design(densities_a_cm2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one row a density, one column for each of E0, b and R."""
    return np.column_stack(
        (np.ones_like(densities_a_cm2), -np.log10(densities_a_cm2), -densities_a_cm2)
    )


def least_squares(rows: NDArray[np.float64], response: NDArray[np.float64]) -> Solution:
    """Return ordinary least squares by QR.

    Raises Inconsistent where a column follows from the others.
    """
    degrees = len(response) - rows.shape[1]
    q, r = np.linalg.qr(rows)
    diagonal = np.abs(np.diag(r))
    # R’s diagonal is what each column adds to those before it. A share of 1e-10 leaves six of a
    # float’s sixteen digits: below, a column follows from the others up to rounding.
    if degrees < 1 or diagonal.min() < 1e-10 * diagonal.max():
        raise Inconsistent("The points do not settle the constants: their densities are too alike.")
    values = np.linalg.solve(r, q.T @ response)
    residuals = response - rows @ values
    spread = sqrt(float(residuals @ residuals) / degrees)
    inverse = np.linalg.inv(r)
    covariance = inverse @ inverse.T * spread**2
    errors = np.sqrt(np.diag(covariance))
    return Solution(tuple(values.tolist()), tuple(errors.tolist()), covariance, spread, degrees)


def constant(value: float, error: float, degrees: int, level: float) -> Constant:
    """Return a value with its interval by Student's distribution."""
    half = student(level, degrees) * error
    return Constant(value, error, value - half, value + half)


def student(level: float, degrees: int) -> float:
    """Return Student's factor of a two-sided interval."""
    return float(stdtrit(degrees, (1 + level) / 2))


def _level(level: float) -> float:
    return within("the level of the interval", level, "", 0.5, 0.9999)


def _above_zero(density_a_cm2: float) -> float:
    if finite("the current density", density_a_cm2, "A/cm²") <= 0:
        raise OutOfRange(
            "the current density", f"{density_a_cm2:g}", "A/cm²", "more than zero for a fit"
        )
    return density_a_cm2
