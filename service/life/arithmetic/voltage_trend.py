"""How fast does the voltage of one MEA change over its own hours? A jump at each opening allowed.

An MEA is read in several builds, stacks and positions: opening, other neighbours and another
place may lift or lower its level at once, which is no ageing. So one slope is sought for all
builds, with a level for each. Slopes are in µV/h and below zero where the voltage falls.
The median of pairwise slopes is a line that a few wild readings hardly move; only pairs between two
jumps count, and its interval takes the readings as independent of each other.

Sources: as in regression; Theil (1950); Sen, J. Am. Stat. Assoc. 63 (1968) 1379 for the interval;
one slope over several stretches as in Hirsch, Slack & Smith, Water Resour. Res. 18 (1982) 107; from
memory. The jump at each opening is common practice.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from service.platform.arithmetic.errors import Inconsistent, NoSolution
from service.platform.arithmetic.preconditions import finite, more_than_zero, within
from service.platform.arithmetic.regression import (
    Floats,
    LeastSquares,
    each_stretch,
    finite_row,
    least_squares,
    line_columns,
)


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its interval, in units of y by units of x.

    ``n`` counts the readings used, ``stretches`` those between steps that tell of the slope.
    """

    slope: float
    low: float
    high: float
    n: int
    stretches: int
    level: float


def theil_sen(
    x: ArrayLike, y: ArrayLike, stretch: ArrayLike | None = None, level: float = 0.95
) -> Slope:
    """Compute the median of the slopes of all pairs of readings, and its interval.

    Only pairs within one stretch count (as in `line_columns`). Pairs of equal x are left out; ties
    are allowed for. Outliers up to about a quarter of the readings hardly move it.

    Raises NoSolution where no two readings of a stretch differ in x.

    >>> x = [67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51]
    >>> y = [21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19]
    >>> found = theil_sen(x, y)
    >>> found.slope, round(found.low, 7), found.high
    (0.5, 0.3243243, 0.75)

    Source of the example: R package statpsych, ci.theil.
    """
    within("the level", level, "", 0.5, 0.9999)
    xs, ys = finite_row(x, "x"), finite_row(y, "y")
    if len(xs) != len(ys):
        raise Inconsistent(f"{len(xs)} x and {len(ys)} y do not make pairs.")
    pairs: list[Floats] = []
    variance, used = 0.0, 0
    for inside in each_stretch(xs, stretch):
        slopes = pairwise_slopes(xs[inside], ys[inside])
        if len(slopes):
            pairs.append(slopes)
            variance += variance_of_order(xs[inside], ys[inside])
            used += int(inside.sum())
    if not pairs:
        raise NoSolution("the slope", "no two readings of one stretch differ in x")
    slopes = np.sort(np.concatenate(pairs))
    count = len(slopes)
    half = float(ndtri((1 + level) / 2)) * np.sqrt(variance)
    # Sen: of N slopes those ranked (N - C)/2 and (N + C)/2 + 1, C = z √variance of Kendall's count;
    # ranks here count from 0. Ends are kept within the slopes there are.
    low = max(round((count - half) / 2) - 1, 0)
    high = min(round((count + half) / 2), count - 1)
    return Slope(
        float(np.median(slopes)), float(slopes[low]), float(slopes[high]), used, len(pairs), level
    )


def pairwise_slopes(x: Floats, y: Floats) -> Floats:
    """Return the slopes of all pairs whose x differ.

    Memory grows with the square of the readings.
    """
    # Below the diagonal: each pair once.
    later, earlier = np.tril_indices(len(x), -1)
    run = x[later] - x[earlier]
    apart = run != 0
    return np.asarray((y[later] - y[earlier])[apart] / run[apart], dtype=float)


def variance_of_order(x: Floats, y: Floats) -> float:
    """Compute the variance of Kendall's count of rising less falling pairs for any order of y.

    Ties are allowed.
    Source: Kendall, Rank Correlation Methods, equation 4.3, from memory; checked by counting.
    """
    n = len(x)
    ties = [np.unique(values, return_counts=True)[1].astype(float) for values in (x, y)]
    all_pairs = [float(np.sum(t * (t - 1) * (2 * t + 5))) for t in (np.array([n]), *ties)]
    two = [float(np.sum(t * (t - 1))) for t in ties]
    three = [float(np.sum(t * (t - 1) * (t - 2))) for t in ties]
    # n (n − 1)(2 n + 5) / 18 without ties, less the same of each set of ties in x and in y; ties
    # in both come back in the two terms below.
    variance = (all_pairs[0] - all_pairs[1] - all_pairs[2]) / 18
    if n > 1:
        variance += two[0] * two[1] / (2 * n * (n - 1))
    if n > 2:
        variance += three[0] * three[1] / (9 * n * (n - 1) * (n - 2))
    return max(variance, 0.0)


MOST_READINGS = 300
"""More than so many are drawn together first: pairs grow with the square of the readings."""
NEWEST, FEWEST_FOR_A_BEND, SURE_OF_A_BEND = 3, 8, 0.999
BENT_BY_ROUNDING = 1e-6
"""Readings without any noise are surely bent, by the last of their digits alone."""
NEWEST_ALONE = 20
"""The newest readings stay as they are."""
UV = 1e6


class Method(StrEnum):
    """How a rate was found."""

    LEAST_SQUARES = "least squares"
    MEDIAN_OF_SLOPES = "median of slopes"


@dataclass(frozen=True, slots=True)
class Rate:
    """A slope of the voltage in µV/h with its interval; ``n`` readings tell of it."""

    method: Method
    slope_uv_h: float
    low_uv_h: float
    high_uv_h: float
    n: int
    level: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """The readings of one build: hours from and to, how many, the fitted voltage at both ends.

    The voltages are None where no line could be fitted.
    """

    build: int
    from_h: float
    to_h: float
    n: int
    from_v: float | None
    to_v: float | None


@dataclass(frozen=True, slots=True)
class Jump:
    """How much the level rose from one build to the next (below zero: fell), V, with interval."""

    before: int
    after: int
    rise_v: float
    low_v: float
    high_v: float


@dataclass(frozen=True, slots=True)
class Bend:
    """The voltage does not fall evenly: median slopes in µV/h up to ``split_h`` and since then.

    Said where a bent line (a square of the hours more) fits surely better: at 99.9 %.
    """

    split_h: float
    early_uv_h: float
    late_uv_h: float

    @property
    def is_faster_of_late(self) -> bool:
        """Say whether it falls faster since then than before."""
        return self.late_uv_h < self.early_uv_h


@dataclass(frozen=True, slots=True)
class VoltageTrend:
    """The change of an MEA's voltage; rates are None where too few readings tell of them.

    ``readings`` were given, ``n`` used after drawing together, see `drawn_together`. ``fit`` has
    the slope first (V/h), then the level of each of ``stretches`` at no hours (V).
    ``now_by_median_v`` is the voltage at the last reading by the median of slopes, and by the
    least and greatest slope of its interval. ``newest_v`` is the median of the newest three
    readings of the last build, ``bend`` None where an even fall is as good. With a bend no jumps
    are told: one slope for all builds would count part of the uneven fall as a step.
    """

    least_squares: Rate | None
    median_of_slopes: Rate | None
    stretches: tuple[Stretch, ...]
    jumps: tuple[Jump, ...]
    readings: int
    n: int
    fit: LeastSquares | None
    now_by_median_v: tuple[float, float, float] | None
    newest_v: float
    bend: Bend | None = None

    @property
    def from_h(self) -> float:
        """Own hours at the first reading."""
        return self.stretches[0].from_h

    @property
    def to_h(self) -> float:
        """Own hours at the last reading."""
        return self.stretches[-1].to_h


def voltage_trend(
    hours_h: ArrayLike,
    voltages_v: ArrayLike,
    builds: ArrayLike,
    level: float = 0.95,
    readings: int | None = None,
) -> VoltageTrend:
    """Estimate the ageing the readings of one MEA at one current density show.

    ``hours_h`` are the MEA's own hours, ``builds`` numbers the build of each reading, rising in
    time. Readings may stand in any order. ``readings`` says how many there were where they were
    drawn together before. Raises Inconsistent where there is none, or where the rows differ in
    length.

    >>> trend = voltage_trend([0, 100, 200, 200, 300, 400],
    ...                       [0.700, 0.698, 0.696, 0.699, 0.697, 0.695], [1, 1, 1, 2, 2, 2])
    >>> round(trend.least_squares.slope_uv_h, 6), round(trend.median_of_slopes.slope_uv_h, 6)
    (-20.0, -20.0)
    >>> round(trend.jumps[0].rise_v, 6)
    0.003
    """
    hours, volts = finite_row(hours_h, "the hours"), finite_row(voltages_v, "the voltages")
    numbers = np.asarray(builds)
    if len(hours) != len(volts) or numbers.shape != hours.shape:
        raise Inconsistent("Hours, voltages and builds must be as many as each other.")
    if not len(hours):
        raise Inconsistent("There is no reading to tell a trend from.")
    order = np.lexsort((hours, numbers))
    reading_count = len(hours) if readings is None else readings
    hours, volts, numbers = hours[order], volts[order], numbers[order]
    blocks = drawn_together(numbers)
    if len(blocks) < len(hours):
        hours, volts = (np.array([row[block].mean() for block in blocks]) for row in (hours, volts))
        numbers = numbers[[block[0] for block in blocks]]
    fit, median = _fit(hours, volts, numbers, level), _by_median(hours, volts, numbers, level)
    bend = _bend(hours, volts, numbers)
    return VoltageTrend(
        None if fit is None else _by_least_squares(fit),
        median,
        _stretches(hours, numbers, fit),
        () if fit is None or bend else _jumps(np.unique(numbers), fit),
        reading_count,
        len(hours),
        fit,
        None if median is None else _now(hours, volts, numbers, median),
        float(np.median(volts[numbers == numbers[-1]][-NEWEST:])),
        bend,
    )


def drawn_together(
    builds: ArrayLike, most: int = MOST_READINGS, alone: int = NEWEST_ALONE
) -> list[NDArray[np.intp]]:
    """Return blocks of the readings' places from 0, in the order of time, each drawn as one.

    No more than about ``most`` blocks, each of neighbours within one build; the newest ``alone``
    readings stand each by itself.

    >>> [block.tolist() for block in drawn_together([1, 1, 1, 2, 2, 2], most=4, alone=1)]
    [[0, 1], [2], [3, 4], [5]]
    """
    numbers = np.asarray(builds)
    count = len(numbers)
    if count <= most:
        return list(np.arange(count)[:, None])
    early = numbers[: max(0, count - alone)]
    by = -(-len(early) // max(1, most - alone))
    blocks: list[NDArray[np.intp]] = []
    for inside in each_stretch(early, early):
        breaks = np.flatnonzero(inside)
        blocks.extend(breaks[first : first + by] for first in range(0, len(breaks), by))
    return blocks + list(np.arange(len(early), count)[:, None])


def _fit(hours: Floats, volts: Floats, numbers: Floats, level: float) -> LeastSquares | None:
    try:
        return least_squares(line_columns(hours, numbers), volts, level)
    except NoSolution:
        return None


def _bend(hours: Floats, volts: Floats, numbers: Floats) -> Bend | None:
    """A square of the hours beside the line, where its coefficient is surely not zero."""
    span_h = float(np.ptp(hours))
    if len(hours) < FEWEST_FOR_A_BEND or not span_h:
        return None
    middle = (hours - hours.min()) / span_h - 0.5
    columns = np.column_stack([middle * middle, line_columns(middle, numbers)])
    try:
        fit = least_squares(columns, volts, SURE_OF_A_BEND)
    except NoSolution:
        return None
    if fit.lows[0] <= 0 <= fit.highs[0]:
        return None
    split_h = float(hours.min()) + span_h * 2 / 3
    late = hours > split_h
    try:
        slopes = [
            theil_sen(hours[is_late], volts[is_late], numbers[is_late]).slope
            for is_late in (~late, late)
        ]
    except NoSolution:
        return None
    if np.isclose(slopes[0], slopes[1], rtol=BENT_BY_ROUNDING):
        return None
    return Bend(split_h, slopes[0] * UV, slopes[1] * UV)


def _by_least_squares(fit: LeastSquares) -> Rate:
    slope, low, high = (float(row[0]) * UV for row in (fit.coefficients, fit.lows, fit.highs))
    return Rate(Method.LEAST_SQUARES, slope, low, high, fit.n, fit.level)


def _by_median(hours: Floats, volts: Floats, numbers: Floats, level: float) -> Rate | None:
    try:
        median = theil_sen(hours, volts, numbers, level)
    except NoSolution:
        return None
    if median.n < 3:
        return None
    slope, low, high = (slope_value * UV for slope_value in (median.slope, median.low, median.high))
    return Rate(Method.MEDIAN_OF_SLOPES, slope, low, high, median.n, level)


def _now(hours: Floats, volts: Floats, numbers: Floats, rate: Rate) -> tuple[float, float, float]:
    """Voltage at the last reading by each slope: the median of the present build carried there."""
    inside = each_stretch(hours, numbers)[-1]
    back = hours[inside].max() - hours[inside]

    def by(slope_uv_h: float) -> float:
        return float(np.median(volts[inside] + slope_uv_h / UV * back))

    return by(rate.slope_uv_h), by(rate.low_uv_h), by(rate.high_uv_h)


def _stretches(hours: Floats, numbers: Floats, fit: LeastSquares | None) -> tuple[Stretch, ...]:
    stretches = []
    for number, inside in enumerate(each_stretch(hours, numbers), 1):
        ends = float(hours[inside].min()), float(hours[inside].max())
        fitted: list[float | None] = [None, None]
        if fit is not None:
            fitted = [float(fit.coefficients[number] + fit.coefficients[0] * end) for end in ends]
        stretches.append(Stretch(int(numbers[inside][0]), *ends, int(inside.sum()), *fitted))
    return tuple(stretches)


def _jumps(numbers: Floats, fit: LeastSquares) -> tuple[Jump, ...]:
    wide = float(stdtrit(fit.freedom, (1 + fit.level) / 2))
    jumps = []
    for index in range(1, len(numbers)):
        row = np.zeros(len(fit.coefficients))
        row[index], row[index + 1] = -1.0, 1.0
        rise, error = fit.at(row)
        ends = rise - wide * error, rise + wide * error
        jumps.append(Jump(int(numbers[index - 1]), int(numbers[index]), rise, *ends))
    return tuple(jumps)


# Plain arithmetic of voltage lost: rate between two readings, share lost, rate for a wanted life.
#
# Losses are above zero where the voltage fell. Common practice, no source, but for the target of
# 10 % within so many hours: durability targets of the US Department of Energy for PEM stacks.


def mean_loss_uv_h(from_v: float, to_v: float, hours_h: float) -> float:
    """Compute the mean loss in µV/h between two voltages in V.

    Raises OutOfRange unless the hours between are more than zero.

    >>> round(mean_loss_uv_h(0.654, 0.643, 763.24 - 505.16), 2)
    42.62
    """
    more_than_zero("the hours between the readings", hours_h, "h")
    return (finite("the voltage", from_v, "V") - finite("the voltage", to_v, "V")) / hours_h * UV


def percent_lost(beginning_v: float, now_v: float) -> float:
    """Compute the share of the voltage at the beginning that is lost, in %.

    >>> round(percent_lost(0.700, 0.665), 6)
    5.0
    """
    more_than_zero("the voltage at the beginning", beginning_v, "V")
    return (1 - finite("the voltage", now_v, "V") / beginning_v) * 100


def loss_for_life_uv_h(beginning_v: float, percent: float, life_h: float) -> float:
    """Compute the mean loss in µV/h that uses up ``percent`` of the voltage in a life in h.

    >>> round(loss_for_life_uv_h(0.650, 10.0, 5000.0), 6)
    13.0
    """
    more_than_zero("the voltage at the beginning", beginning_v, "V")
    within("the share that may be lost", percent, "%", 0.0, 100.0)
    more_than_zero("the wanted life", life_h, "h")
    return beginning_v * percent / 100 / life_h * UV
