"""When will an MEA's voltage reach a limit if it goes on falling as it did? With an interval.

The limit is sought on the line of the present build, for a reopened stack begins at a level of
its own. It is an extrapolation: nothing promises that the voltage goes on as it did.
Sources: by least squares the hours whose confidence band holds the limit, Fieller, J. R. Stat.
Soc. B 16 (1954) 175, as for shelf lives in ICH Q1E (2003), from memory; by the median of slopes
the steepest and the flattest slope of its interval, common practice.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
from scipy.special import stdtrit

from service.life.arithmetic.voltage_trend import UV, Method, Rate, VoltageTrend
from service.platform.arithmetic.preconditions import more_than_zero
from service.platform.arithmetic.regression import LeastSquares

FAR_TIMES = 2.0
"""Beyond so many times the hours looked at, the answer is called far off; common practice."""


class Outlook(StrEnum):
    """What can be said of the hours to a limit."""

    REACHES = "reaches it"
    ALREADY_BELOW = "already below"
    NOT_FALLING = "not falling"
    CANNOT_TELL = "cannot be told"


@dataclass(frozen=True, slots=True)
class HoursToLimit:
    """Hours from the last reading until the limit, with interval; None where nothing bounds it.

    ``now_v`` is the line's voltage at the last reading; already below are also readings whose
    newest three lie so in the middle, whatever the line says. ``far`` says that the answer lies
    far beyond what was looked at. Only `Outlook.REACHES` has hours.
    """

    method: Method
    outlook: Outlook
    limit_v: float
    now_v: float | None
    hours_h: float | None
    low_h: float | None
    high_h: float | None
    n: int
    level: float
    far: bool = False


def hours_to_limit(
    trend: VoltageTrend, limit_v: float, method: Method = Method.LEAST_SQUARES
) -> HoursToLimit:
    """Compute the own hours left until the fitted voltage reaches the limit in V.

    >>> from service.life.arithmetic.voltage_trend import voltage_trend
    >>> trend = voltage_trend([0, 100, 200, 300], [0.7000, 0.6981, 0.6959, 0.6940], [1] * 4)
    >>> found = hours_to_limit(trend, 0.630)
    >>> round(found.hours_h), round(found.low_h), round(found.high_h), found.far
    (3167, 2892, 3497, True)
    """
    more_than_zero("the limit of the voltage", limit_v, "V")
    of_median = method is Method.MEDIAN_OF_SLOPES
    rate = trend.median_of_slopes if of_median else trend.least_squares
    by_median = trend.now_by_median_v or (None, None, None)
    now_v = by_median[0] if of_median else trend.stretches[-1].to_v
    if rate is None or now_v is None:
        return HoursToLimit(
            method, Outlook.CANNOT_TELL, limit_v, None, None, None, None, trend.n, 0.95
        )
    outlook = _outlook(min(now_v, trend.newest_v), limit_v, rate)
    hours = low = high = None
    if outlook is Outlook.REACHES:
        hours = (now_v - limit_v) / -rate.slope_uv_h * UV
        if of_median or trend.fit is None:
            low, high = _by_slopes(by_median[1:], limit_v, rate)
        else:
            low, high = _by_band(trend.fit, trend.to_h, limit_v)
    far = hours is not None and hours > FAR_TIMES * (trend.to_h - trend.from_h)
    return HoursToLimit(method, outlook, limit_v, now_v, hours, low, high, rate.n, rate.level, far)


def _outlook(now_v: float, limit_v: float, rate: Rate) -> Outlook:
    if now_v <= limit_v:
        return Outlook.ALREADY_BELOW
    return Outlook.NOT_FALLING if rate.slope_uv_h >= 0 else Outlook.REACHES


def _by_slopes(
    now_v: tuple[float | None, ...], limit_v: float, rate: Rate
) -> tuple[float | None, float | None]:
    low, high = (
        max(volt - limit_v, 0.0) / -slope * UV if slope < 0 and volt is not None else None
        for volt, slope in zip(now_v, (rate.low_uv_h, rate.high_uv_h), strict=True)
    )
    return low, high


def _by_band(fit: LeastSquares, now_h: float, limit_v: float) -> tuple[float | None, float | None]:
    """Hours from now at which the band of the line leaves and enters the limit."""
    slope = float(fit.coefficients[0])
    row = np.zeros(len(fit.coefficients))
    row[0], row[-1] = now_h, 1.0  # the level of the present build stands last
    now_v, error = fit.at(row)
    t = float(stdtrit(fit.freedom, (1 + fit.level) / 2))
    of_slope = t * t * float(fit.covariance[0, 0])
    of_level = t * t * error * error
    of_both = t * t * float(row @ fit.covariance[:, 0])
    square = slope * slope - of_slope
    middle = (now_v - limit_v) * slope - of_both
    rest = (now_v - limit_v) ** 2 - of_level
    under_root = middle * middle - square * rest
    if under_root < 0 or square == 0:
        return None, None
    first, second = sorted((-middle + sign * sqrt(under_root)) / square for sign in (-1, 1))
    if square > 0:
        return max(first, 0.0), max(second, 0.0)
    return (second if second > 0 else None), None
