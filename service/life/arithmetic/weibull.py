"""Which Weibull law do lives follow: S(t) = exp(−(t/η)^β), with censoring and late entry?

Shape β below 1: failures come early and fade; about 1: they come at any age alike; above 1: wear.
Scale η is the own hours by which 63.2 % have failed. Both by maximum likelihood; a life watched
from e on counts given that it had reached e. Intervals are Wald's on ln β and ln η, from the
observed information. Fewer than five failures are not fitted: two parameters would follow chance.

Source: NIST/SEMATECH e-Handbook 8.4.1.3 (likelihood); late entry and the least number of failures:
common practice, no source.
"""

from dataclasses import dataclass
from math import exp, log

import numpy as np
import scipy  # optimize takes long to load: with the first call
from scipy.special import ndtri

from service.life.arithmetic.lifetimes import Floats, Lives
from service.platform.arithmetic.errors import NoSolution, OutOfRange
from service.platform.arithmetic.preconditions import within

LEAST_FAILURES = 5
# Chosen: lives of parts have shapes of about 0.5 to 10; beyond these bounds the fit says nothing.
_LEAST_SHAPE, _GREATEST_SHAPE = 0.05, 50.0


@dataclass(frozen=True, slots=True)
class WeibullLife:
    """Shape (no unit) and scale in own hours with intervals; ``covariance`` of (ln β, ln η)."""

    shape: float
    shape_low: float
    shape_high: float
    scale_h: float
    scale_low_h: float
    scale_high_h: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    log_likelihood: float
    n: int
    failures: int
    level: float

    def share_at(self, time_h: float) -> tuple[float, float, float]:
        """Return the share surviving a time, and the ends of its interval (Wald on log(−log S))."""
        if time_h <= 0:
            return 1.0, 1.0, 1.0
        z = log(time_h / self.scale_h)
        middle = self.shape * z
        wide = float(ndtri((1 + self.level) / 2)) * self._spread(middle, -self.shape)
        return tuple(exp(-exp(middle + offset)) for offset in (0.0, wide, -wide))  # type: ignore[return-value]

    def hours_until(self, failed_share: float) -> tuple[float, float, float]:
        """Return own hours when a share has failed (0.1: the life 90 % reach), with interval."""
        within("the share that has failed", failed_share, "", 0.0001, 0.9999)
        w = log(-log(1 - failed_share))
        middle = log(self.scale_h) + w / self.shape
        wide = float(ndtri((1 + self.level) / 2)) * self._spread(-w / self.shape, 1.0)
        return exp(middle), exp(middle - wide), exp(middle + wide)

    def _spread(self, by_shape: float, by_scale: float) -> float:
        """Standard error of a value with these derivatives by ln β and ln η."""
        gradient = np.array([by_shape, by_scale])
        return float(np.sqrt(max(0.0, gradient @ np.array(self.covariance) @ gradient)))


def weibull(lives: Lives, level: float = 0.95) -> WeibullLife:
    """Fit the law.

    Raises NoSolution with fewer than five failures, all failures at one time or none between the
    bounds of shape 0.05 … 50; OutOfRange for a failure at 0 h, which no Weibull law knows.
    """
    within("the level", level, "", 0.5, 0.9999)
    failures = lives.failures
    if failures < LEAST_FAILURES:
        raise NoSolution(
            "Weibull fit", f"{failures} failures; at least {LEAST_FAILURES} are needed"
        )  # fmt: skip
    ends = lives.exit_h[lives.failed]
    if ends.min() <= 0:
        raise OutOfRange("a failure", "0", "h", "more than zero")
    if ends.min() == ends.max():
        raise NoSolution("Weibull fit", "all failures at one time")
    # times as shares of the longest life: t^50 of hours would leave the range of a float
    unit = float(lives.exit_h.max())
    likelihood = _Likelihood(lives, unit)
    shape = _best_shape(likelihood)
    scale = likelihood.scale(shape)
    covariance = likelihood.covariance(shape, scale)
    wide = float(ndtri((1 + level) / 2)) * np.sqrt(np.diag(covariance))
    return WeibullLife(
        shape,
        shape * exp(-wide[0]),
        shape * exp(wide[0]),
        scale * unit,
        scale * unit * exp(-wide[1]),
        scale * unit * exp(wide[1]),
        ((float(covariance[0, 0]), float(covariance[0, 1])),
         (float(covariance[1, 0]), float(covariance[1, 1]))),
        likelihood.best(shape) - failures * log(unit),
        lives.n,
        failures,
        level,
    )  # fmt: skip


class _Likelihood:
    """The likelihood along β with η at its best, times in units of the longest life."""

    def __init__(self, lives: Lives, unit: float) -> None:
        self.failures = lives.failures
        self.mean_log = float(np.log(lives.exit_h[lives.failed] / unit).mean())
        late = lives.entry_h > 0
        # ln L holds -Σ (t/η)^β + Σ (e/η)^β: entries e come in with a minus, in the same sums as
        # ends t.
        times = np.concatenate([lives.exit_h[lives.exit_h > 0], lives.entry_h[late]]) / unit
        self.logs: Floats = np.log(times)
        ends = int((lives.exit_h > 0).sum())
        self.signs: Floats = np.concatenate([np.ones(ends), -np.ones(len(times) - ends)])

    def _sums(self, shape: float) -> tuple[float, float, float]:
        """Σ t^β − Σ e^β, and the same with ln and ln² of the times."""
        powers = self.signs * np.exp(shape * self.logs)
        first = powers * self.logs
        return float(powers.sum()), float(first.sum()), float((first * self.logs).sum())

    def scale(self, shape: float) -> float:
        """Best η for a β."""
        # ∂ ln L / ∂η = 0: η^β = (Σ t^β - Σ e^β) / failures.
        return float((self._sums(shape)[0] / self.failures) ** (1 / shape))

    def best(self, shape: float) -> float:
        """Log likelihood at a β with its best η."""
        total = self._sums(shape)[0]
        if not total > 0:
            return -np.inf
        return self.failures * (
            log(shape) - log(total / self.failures) + (shape - 1) * self.mean_log - 1.0
        )

    def score(self, shape: float) -> float:
        """Derivative of the log likelihood by β, a failure."""
        total, first, _second = self._sums(shape)
        return 1 / shape + self.mean_log - first / total

    def covariance(self, shape: float, scale: float) -> Floats:
        """Of ln β and ln η: the inverse of the observed information at the best values."""
        total, first, second = self._sums(shape)
        power, ln_scale = scale**-shape, log(scale)
        about = power * (first - ln_scale * total)
        squared = power * (second - 2 * ln_scale * first + ln_scale**2 * total)
        by_shape = shape**2 * squared + self.failures
        by_both = -(shape**2) * about
        by_scale = shape**2 * power * total
        information = np.array([[by_shape, by_both], [by_both, by_scale]])
        if np.linalg.det(information) <= 0 or by_shape <= 0:
            raise NoSolution("Weibull fit", "the likelihood has no clear top")
        return np.asarray(np.linalg.inv(information), dtype=float)


def _best_shape(likelihood: _Likelihood) -> float:
    """Top of the likelihood along β: the best of a grid, closed in on where its slope is zero."""
    # 61 steps of 12 %: late entries can give the likelihood two tops, and the higher one is wanted.
    grid = np.geomspace(_LEAST_SHAPE, _GREATEST_SHAPE, 61)
    heights = np.array([likelihood.best(shape) for shape in grid])
    top = int(np.argmax(heights))
    if top in (0, len(grid) - 1):
        raise NoSolution("Weibull fit", f"shape {grid[top]:g}, at the end of what is sought")
    low, high = float(grid[top - 1]), float(grid[top + 1])
    if likelihood.score(low) > 0 > likelihood.score(high):
        # The root lies within one step of the grid (±12 %): to the last digits of a float.
        return float(
            scipy.optimize.brentq(likelihood.score, low, high, xtol=1e-12, rtol=1e-12, maxiter=200)
        )
    minimum = scipy.optimize.minimize_scalar(
        lambda shape: -likelihood.best(shape), bounds=(low, high), method="bounded",
        options={"xatol": 1e-10},
    )  # fmt: skip
    return float(minimum.x)
