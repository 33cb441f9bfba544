"""How good was a prediction of remaining hours? A late one weighs four times an early one.

Source: IEEE PHM 2014 Data Challenge (FCLAB research federation), details for participants,
equations 4 to 6.
"""

from math import exp, log

from service.platform.arithmetic.preconditions import finite, more_than_zero

FORMULA = 1
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
