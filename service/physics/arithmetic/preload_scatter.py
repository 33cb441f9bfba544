"""How far preload scatters when it is tightened by torque, and how much of it is lost afterwards.

Sources: VDI 2230:1986 and 2015 (scatter), ISO 6789-1:2017 (torque drivers).
"""

from dataclasses import dataclass

from service.physics.arithmetic.clamping import INSTRUMENT, Law, TorqueValue, torque_number
from service.platform.arithmetic.estimates import (
    Estimate,
    Shape,
    estimate,
    standard_uncertainty,
    tagged,
)
from service.platform.arithmetic.preconditions import more_than_zero, within


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far preload scatters with a way of tightening: ± shares, and where it is printed."""

    way: str
    least: float
    most: float


SCATTERS = (
    Scatter("to yield or by angle", 0.05, 0.12),
    Scatter("hydraulic", 0.09, 0.23),
    Scatter("torque driver, after trials on the joint", 0.17, 0.23),
    Scatter("torque driver, friction estimated", 0.23, 0.28),
    Scatter("power driver", 0.26, 0.43),
)
"""Source: VDI 2230:1986, table of tightening factors."""


def from_scatter(value: float, scatter: float) -> float:
    """Standard uncertainty of a nut factor or friction whose preload scatters by ± this share.

    The ± is taken to hold 95 of 100 nuts (common practice, no source).
    """
    within("the scatter of the preload", scatter, "", 0.0, 0.9)
    return value * standard_uncertainty(scatter, Shape.NORMAL_95)


def permissible_deviation(torque_nm: float) -> float:
    """By which share may a driver of the common classes read wrong at this torque?

    Source: ISO 6789-1:2017, 6 % up to 10 N·m, 4 % above; from memory. Its certificate goes first.
    """
    return 0.06 if more_than_zero("the torque", torque_nm, "N·m") <= 10.0 else 0.04


@dataclass(frozen=True, slots=True)
class Relaxation:
    """What a re-torque reading says: share of the preload lost, and preload left, in N."""

    lost: Estimate
    preload_left: Estimate


def relaxation(
    first: TorqueValue, again: TorqueValue, law: Law, *, same_driver: bool = True
) -> Relaxation:
    """How much preload was lost between tightening and the re-torque reading?

    ``again`` is the residual torque, read in the tightening direction before the nut moves on.
    Friction is taken to be the same both times, and so is the driver's deviation with the same
    driver: both cancel in the share lost. A reading above the first gives a negative loss.

    >>> from service.physics.arithmetic.clamping import NutFactor
    >>> round(relaxation(TorqueValue(8.0), TorqueValue(7.2), NutFactor(0.2, 0.006)).lost.value, 9)
    0.1

    Source: common practice, no source.
    """
    off = tagged(INSTRUMENT, 1.0, standard_uncertainty(1.0))
    off_again = off if same_driver else tagged(INSTRUMENT, 1.0, standard_uncertainty(1.0))
    before, after = torque_number(first, off), torque_number(again, off_again)
    return Relaxation(estimate(1.0 - after / before), estimate(after / law.levers(1)[0]))
