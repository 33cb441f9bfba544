"""Which readings can be set beside each other: those at one reference current density.

A cell's voltage falls with current, so a trend takes only readings near one density, A/cm².
Common practice, no source.
"""

from collections import Counter
from collections.abc import Sequence
from math import floor, log10

import numpy as np
from numpy.typing import ArrayLike

from service.trade.plausible import more_than_zero, within
from service.trade.regression import Floats

NEAR_PERCENT = 2.0


def usual_density(densities_a_cm2: Sequence[float]) -> float | None:
    """Which density do most readings share? Rounded to two figures; None where none has current.

    >>> usual_density([0.7003, 0.6991, 0.7012, 0.301, 0.0])
    0.7
    """
    rounded = Counter(_two_figures(it) for it in densities_a_cm2 if it > 0)
    if not rounded:
        return None
    most = max(rounded.values())
    return max(density for density, count in rounded.items() if count == most)


def densities_read(densities_a_cm2: Sequence[float]) -> tuple[tuple[float, int], ...]:
    """At which densities was it read, rounded to two figures, and how often? Rising.

    >>> densities_read([0.7003, 0.6991, 0.301, 0.0])
    ((0.3, 1), (0.7, 2))
    """
    counted = Counter(_two_figures(it) for it in densities_a_cm2 if it > 0)
    return tuple(sorted(counted.items()))


def is_near(
    density_a_cm2: float | None, reference_a_cm2: float, percent: float = NEAR_PERCENT
) -> bool:
    """Was it read near enough to the reference density to be set beside others?"""
    if density_a_cm2 is None:
        return False
    return abs(density_a_cm2 - reference_a_cm2) <= reference_a_cm2 * percent / 100 * (1 + 1e-9)


def voltage_on_curve(
    densities_a_cm2: ArrayLike, voltages_v: ArrayLike, reference_a_cm2: float
) -> float | None:
    """Voltage of a curve at the reference density, V, straight between its two nearest points.

    None where the curve does not reach so far, or where the points beside it have no voltage.

    >>> voltage_on_curve([0.8, 0.6, 0.4], [0.65, 0.67, 0.70], 0.7)
    0.66
    """
    more_than_zero("the reference current density", reference_a_cm2, "A/cm²")
    density: Floats = np.asarray(densities_a_cm2, dtype=float)
    volts: Floats = np.asarray(voltages_v, dtype=float)
    known = np.isfinite(density) & np.isfinite(volts)
    density, volts = density[known], volts[known]
    if not len(density) or not density.min() <= reference_a_cm2 <= density.max():
        return None
    order = np.argsort(density, kind="stable")
    found = float(np.interp(reference_a_cm2, density[order], volts[order]))
    return round(found, 9)


def checked_reference(reference_a_cm2: float) -> float:
    """The density itself; raises OutOfRange where no cell is run at it."""
    return within("the reference current density", reference_a_cm2, "A/cm²", 0.001, 10.0)


def _two_figures(value: float) -> float:
    return round(value, 1 - floor(log10(value)))
