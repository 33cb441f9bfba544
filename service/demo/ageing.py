"""What the cells of the invented stacks show, and how they age.

A cell's voltage is U = E0 − b·log10(i + i0) − R·(i + i0), the form that
`service.condition.arithmetic.polarisation` fits; i0 is what leaks across the
membrane. It is lost hour by hour, and some of it comes back over night. All figures are invented.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

import numpy as np
from numpy.typing import NDArray

from service.condition.arithmetic.polarisation import design

Array = NDArray[np.float64]
RATED_A_CM2 = 0.8
CROSSOVER_A_CM2 = 0.003
COMES_BACK_V, COMES_BACK_H = 0.006, 4.0
"""Lost within a day's running at the rated density and back after a stop."""
CONSTANTS = {
    "H": (0.795, 0.066, 0.165),
    "W": (0.800, 0.067, 0.158),
    "S": (0.785, 0.065, 0.150),
}
"""E0 in V, b in V a decade, R in Ω cm², by the first letter of the MEA's serial."""
LOST_UV_H = {"M-31": 14.0, "M-40": 8.0, "M-41": 17.0, "M-42": 9.0, "M-45": 7.0}
"""Lost an hour at the rated density, by lot; of other lots 11 µV."""


@dataclass(frozen=True, slots=True)
class Drop:
    """A fall beside slow ageing: so deep at the rated density, about these hours, so wide."""

    depth_v: float
    at_h: float
    width_h: float
    leak_a_cm2: float = 0.0
    """what leaks across the membrane once it has fallen"""


@dataclass(frozen=True, slots=True)
class Mea:
    """How one MEA ages; ``off_v`` is what it lies off its lot."""

    e0_v: float
    b_v_decade: float
    r_ohm_cm2: float
    lost_uv_h: float
    off_v: float = 0.0
    drop: Drop | None = None


ODD: dict[str, Drop] = {
    "HM-0110": Drop(0.26, 1000.0, 18.0, 0.03),
    "HM-0117": Drop(0.52, 1602.0, 30.0, 0.09),
    "HM-0130": Drop(0.066, 1052.0, 6.0),
    "SM-0501": Drop(0.05, 1250.0, 90.0),
    "SM-0540": Drop(0.05, 1270.0, 90.0),
    "SM-0522": Drop(0.045, 900.0, 400.0),
}
"""MEAs with a story of their own, by serial; those of the short stacks are added by them."""


def mea(serial: str, lot: str, drop: Drop | None = None) -> Mea:
    """Return an MEA as it was made: alike within its lot, no two the same, always the same."""
    chance = Random(serial)  # noqa: S311 - scatter of made-up parts
    e0, b, r = CONSTANTS[serial[0]]
    return Mea(
        e0 + chance.gauss(0.0, 0.002),
        b + chance.gauss(0.0, 0.0008),
        r + chance.gauss(0.0, 0.002),
        LOST_UV_H.get(lot, 11.0) * chance.uniform(0.75, 1.25),
        chance.gauss(0.0, 0.0015),
        drop or ODD.get(serial),
    )


def voltages(meas: Sequence[Mea], own_h: Array, density: Array, since_stop_h: Array) -> Array:
    """Compute what each of these cells shows, V, shape (n, cells), without noise.

    ``own_h`` (n, cells) are the own hours of each, ``density`` (n,) in A/cm², ``since_stop_h``
    (n,) the hours at load since the last stop.
    """
    shares = density / RATED_A_CM2
    volts = np.empty(own_h.shape)
    for at, fitted_mea in enumerate(meas):
        hours = own_h[:, at]
        fallen, leak = _fallen(fitted_mea.drop, hours)
        crossing = design(density + CROSSOVER_A_CM2 + leak)
        curve = crossing @ np.array([fitted_mea.e0_v, fitted_mea.b_v_decade, fitted_mea.r_ohm_cm2])
        lost = fitted_mea.lost_uv_h * 1e-6 * hours * (0.35 + 0.65 * shares)
        volts[:, at] = curve + fitted_mea.off_v - lost - fallen * shares
    tired = COMES_BACK_V * shares * (1 - np.exp(-since_stop_h / COMES_BACK_H))
    volts -= tired[:, None]
    return volts


def _fallen(drop: Drop | None, hours: Array) -> tuple[Array, Array]:
    if drop is None:
        return np.zeros_like(hours), np.zeros_like(hours)
    share = 1 / (1 + np.exp(-np.clip((hours - drop.at_h) / drop.width_h, -40, 40)))
    return drop.depth_v * share, drop.leak_a_cm2 * share
