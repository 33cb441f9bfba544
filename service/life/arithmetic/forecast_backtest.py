"""How well would an earlier forecast have hit? The newest third of the readings against the rest.

From the readings before it the hours are forecast at which the voltage of now would be reached;
it was reached now. One such look is an example, no proof. Common practice, no source; the score
is that of life_scores.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.life.arithmetic.hours_to_limit import Outlook, hours_to_limit
from service.life.arithmetic.life_scores import error_percent, score
from service.life.arithmetic.voltage_trend import Method, voltage_trend
from service.platform.arithmetic.regression import finite_row

FORMULA = 1
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
