"""How many failures in so many hours, and how well is that known?

For few failures the shape of a law of life cannot be seen; a rate can be stated at once, also with
no failure at all. It takes failures as equally likely at every age, which wear contradicts.

Source: exact Poisson interval, Garwood 1936; NIST/SEMATECH e-Handbook 8.4.5.1.
"""

from dataclasses import dataclass

from scipy.special import chdtri

from service.platform.arithmetic.preconditions import more_than_zero, within

FORMULA = 1
PER_H = 1000.0


@dataclass(frozen=True, slots=True)
class FailureRate:
    """Failures in 1 000 part-hours with the ends of the interval."""

    per_1000_h: float
    low: float
    high: float
    failures: int
    watched_h: float
    level: float


def failure_rate(failures: int, watched_h: float, level: float = 0.95) -> FailureRate:
    """Estimate the rate of failures, watching ended at a time and not with a failure.

    >>> found = failure_rate(2, 800.0, level=0.9)
    >>> [round(rate, 2) for rate in (found.per_1000_h, found.low, found.high)]
    [2.5, 0.44, 7.87]
    """
    within("the level", level, "", 0.5, 0.9999)
    hours = more_than_zero("the hours watched", watched_h, "h")
    tail = (1 - level) / 2
    low = chdtri(2 * failures, 1 - tail) / 2 if failures else 0.0
    high = chdtri(2 * failures + 2, tail) / 2
    return FailureRate(
        PER_H * failures / hours,
        float(PER_H * low / hours),
        float(PER_H * high / hours),
        failures,
        hours,
        level,
    )
