"""The median of pairwise slopes: a line that a few wild readings hardly move, with its interval.

The level may jump at given places: then only pairs between two jumps count. The interval takes
the readings as independent of each other.

Sources: Theil (1950); Sen, J. Am. Stat. Assoc. 63 (1968) 1379 for the interval; one slope over
several stretches as in Hirsch, Slack & Smith, Water Resour. Res. 18 (1982) 107; from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from service.platform.arithmetic.errors import Inconsistent, NoSolution
from service.platform.arithmetic.preconditions import within
from service.platform.arithmetic.regression import Floats, each_stretch, finite_row

FORMULA = 1


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
