"""Which readings can be set beside each other: those at one reference current density.

A cell's voltage falls with current, so a trend takes only readings near one density, A/cm².
Common practice, no source.
"""

from collections.abc import Sequence
from math import floor, log10
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from service.platform.arithmetic.preconditions import more_than_zero, within
from service.platform.arithmetic.regression import Floats

NEAR_PERCENT = 2.0


def usual_density(densities_a_cm2: Sequence[float]) -> float | None:
    """Return the density most readings share, to two figures; None where none has current.

    The one with most readings near it; of several the one nearest to their median, then the
    greatest.

    >>> usual_density([0.7003, 0.6991, 0.7012, 0.301, 0.0])
    0.7
    >>> usual_density([0.7044, 0.7052, 0.7046, 0.7053])
    0.7
    """
    loaded = np.array([density for density in densities_a_cm2 if density > 0], dtype=float)
    if not len(loaded):
        return None

    def shared(density: float) -> tuple[int, float, float]:
        near = loaded[_near(loaded, density)]
        away = abs(float(np.median(near)) - density) if len(near) else 0.0
        # Rounded, so that digits lost in the median do not decide between equally near ones.
        return len(near), -round(away, 9), density

    return max({_two_figures(density) for density in loaded.tolist()}, key=shared)


def densities_read(densities_a_cm2: Sequence[float]) -> tuple[tuple[float, int], ...]:
    """Return densities that were read, to two figures, and how often near each. Rising.

    >>> densities_read([0.7044, 0.7053, 0.301, 0.0])
    ((0.3, 1), (0.7, 2))
    """
    remaining = np.array([density for density in densities_a_cm2 if density > 0], dtype=float)
    counted = []
    while (density := usual_density(remaining.tolist())) is not None:
        near = _near(remaining, density)
        if not near.any():
            near = remaining == remaining[0]
        counted.append((density, int(near.sum())))
        remaining = remaining[~near]
    return tuple(sorted(counted))


def is_near(
    density_a_cm2: float | None, reference_a_cm2: float, percent: float = NEAR_PERCENT
) -> bool:
    """Say whether it was read near enough to the reference density to be set beside others."""
    if density_a_cm2 is None:
        return False
    return bool(_near(np.array([density_a_cm2]), reference_a_cm2, percent)[0])


def _near(densities: Floats, reference: float, percent: float = NEAR_PERCENT) -> Any:
    # 1e-9 more: 0.735 is within 5 % of 0.7, though neither is exact in binary.
    return np.abs(densities - reference) <= reference * percent / 100 * (1 + 1e-9)


def voltage_on_curve(
    densities_a_cm2: ArrayLike, voltages_v: ArrayLike, reference_a_cm2: float
) -> float | None:
    """Return a curve's voltage at the reference density, V, straight between its nearest points.

    None where the curve does not reach so far, or where the points beside it have no voltage.

    >>> voltage_on_curve([0.8, 0.6, 0.4], [0.65, 0.67, 0.70], 0.7)
    0.66
    """
    more_than_zero("the reference current density", reference_a_cm2, "A/cm²")
    density: Floats = np.asarray(densities_a_cm2, dtype=float)
    volts: Floats = np.asarray(voltages_v, dtype=float)
    is_read = np.isfinite(density) & np.isfinite(volts)
    density, volts = density[is_read], volts[is_read]
    if not len(density) or not density.min() <= reference_a_cm2 <= density.max():
        return None
    order = np.argsort(density, kind="stable")
    voltage = float(np.interp(reference_a_cm2, density[order], volts[order]))
    return round(voltage, 9)


def checked_reference(reference_a_cm2: float) -> float:
    """Return the density itself; raises OutOfRange where no cell is run at it."""
    return within("the reference current density", reference_a_cm2, "A/cm²", 0.001, 10.0)


def _two_figures(value: float) -> float:
    return round(value, 1 - floor(log10(value)))
