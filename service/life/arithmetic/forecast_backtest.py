"""How well would an earlier forecast have hit? The newest third of the readings against the rest.

From the readings before it the hours are forecast at which the voltage of now would be reached;
it was reached now. One such look is an example, no proof. Common practice, no source; a late
prediction weighs four times an early one, as in the IEEE PHM 2014 Data Challenge (FCLAB research
federation), details for participants, equations 4 to 6.
"""

from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import ArrayLike

from service.life.arithmetic.hours_to_limit import Outlook, hours_to_limit
from service.life.arithmetic.voltage_trend import Method, voltage_trend
from service.platform.arithmetic.preconditions import finite, more_than_zero
from service.platform.arithmetic.regression import finite_row

LATE_PERCENT, EARLY_PERCENT = 5.0, 20.0
"""Errors in % that halve the score: predicted too long, predicted too short."""


def error_percent(actual_h: float, predicted_h: float) -> float:
    """Compute the error of a prediction in % of the actual hours; below zero it came true later.

    >>> error_percent(400.0, 480.0), error_percent(400.0, 320.0)
    (-20.0, 20.0)
    """
    more_than_zero("the actual remaining hours", actual_h, "h")
    return 100 * (actual_h - finite("the predicted hours", predicted_h, "h")) / actual_h


def score(error: float) -> float:
    """Return the score of an error in %, 1 for none, towards 0 for large ones.

    >>> score(-20.0), score(20.0), score(0.0)
    (0.0625, 0.5, 1.0)
    """
    halves = -error / LATE_PERCENT if error <= 0 else error / EARLY_PERCENT
    return exp(-log(2) * finite("the error", halves, "%"))


FEWEST = 6
"""Readings needed before the look back."""


@dataclass(frozen=True, slots=True)
class LookBack:
    """A forecast made from readings up to ``from_h``, own hours, and what came of it.

    ``forecast_h`` None: it foresaw no fall to that voltage. ``error_percent`` is below zero where
    the forecast was too long; ``score`` 1 is a hit.
    """

    method: Method
    from_h: float
    voltage_v: float
    actual_h: float
    forecast_h: float | None
    error_percent: float | None
    score: float | None
    n: int


def looking_back(
    hours_h: ArrayLike,
    voltages_v: ArrayLike,
    builds: ArrayLike,
    method: Method = Method.MEDIAN_OF_SLOPES,
) -> LookBack | None:
    """Return forecast after two thirds of the hours, and compute how far off that was.

    Readings stand in the order of own hours. None where too few readings stand before that time,
    where the newest third is of another build, or where the voltage did not fall since.
    """
    hours, volts = finite_row(hours_h, "the hours"), finite_row(voltages_v, "the voltages")
    numbers = np.asarray(builds)
    if len(hours) < FEWEST:
        return None
    cut_h = float(hours[0] + (hours[-1] - hours[0]) * 2 / 3)
    early = hours <= cut_h
    if early.sum() < FEWEST or len(set(numbers[~early]) | {numbers[early][-1]}) > 1:
        return None
    from_h = float(hours[early][-1])
    whole = voltage_trend(hours, volts, numbers)
    by_median = whole.now_by_median_v
    now_v = by_median[0] if by_median else float(volts[-1])
    before = voltage_trend(hours[early], volts[early], numbers[early])
    forecast = hours_to_limit(before, now_v, method)
    actual_h = float(hours[-1]) - from_h
    if actual_h <= 0 or forecast.outlook is Outlook.ALREADY_BELOW:
        return None
    n = int(early.sum())
    if forecast.hours_h is None:
        return LookBack(method, from_h, now_v, actual_h, None, None, None, n)
    error = error_percent(actual_h, forecast.hours_h)
    return LookBack(method, from_h, now_v, actual_h, forecast.hours_h, error, score(error), n)
