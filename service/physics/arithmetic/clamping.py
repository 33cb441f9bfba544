"""Preload from torque and torque from preload, with what is uncertain about it.

Every law of tightening is torque = preload × lever; the lever is the nut factor times the
diameter, or follows from pitch and friction. SI units. Sources: VDI 2230 part 1:2015 (thread and
head friction, scatter); Shigley's Mechanical Engineering Design (nut factor).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.physics.arithmetic.threads import BearingFace, Thread
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import (
    Estimate,
    Uncertain,
    estimate,
    spread,
    standard_uncertainty,
    tagged,
)
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within

FORMULA = "clamping 1"
INSTRUMENT, READING, FRICTION = "torque driver", "reading", "friction"
LEAST_FRICTION, MOST_FRICTION = 0.02, 0.5
LEAST_NUT_FACTOR, MOST_NUT_FACTOR = 0.05, 0.6


@dataclass(frozen=True, slots=True)
class TorqueValue:
    """One torque on one nut, in N·m, and how well it is known.

    ``deviation`` is the driver's permissible deviation as a share of the reading (± half width);
    the same driver is off by the same share on every nut. ``step_nm`` is the driver's resolution.
    """

    torque_nm: float
    deviation: float = 0.0
    step_nm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no driver can read."""
        more_than_zero("the torque", self.torque_nm, "N·m")
        within("the driver's deviation", self.deviation, "", 0.0, 0.5)
        not_below_zero("the driver's resolution", self.step_nm, "N·m")


@dataclass(frozen=True, slots=True)
class NutFactor:
    """Torque = factor × nominal diameter × preload.

    ``u_common`` is the standard uncertainty of the factor which all nuts share (the mean is not
    known), ``u_each`` the scatter from nut to nut. Customary factors: 0.20 dry, 0.15 lightly
    oiled, 0.10 to 0.12 with molybdenum paste (common practice, no source).
    """

    factor: float
    diameter_m: float
    u_common: float = 0.0
    u_each: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a factor no nut has."""
        within("the nut factor", self.factor, "", LEAST_NUT_FACTOR, MOST_NUT_FACTOR)
        more_than_zero("the thread's diameter", self.diameter_m, "m")

    def levers(self, count: int) -> list[Uncertain]:
        """Lever of each nut in m, what they share counted as shared."""
        shared = tagged(FRICTION, 0.0, self.u_common)
        return [
            (self.factor + shared + tagged(FRICTION, 0.0, self.u_each)) * self.diameter_m
            for _nut in range(count)
        ]


@dataclass(frozen=True, slots=True)
class ThreadFriction:
    """Torque from pitch and the friction in the thread and under the nut (VDI 2230).

    lever = 0.16 P + 0.58 d2 µ_thread + D_Km/2 µ_bearing. Uncertainties are absolute and hold for
    both coefficients: ``u_common`` shared by all nuts, ``u_each`` from nut to nut.
    """

    thread: Thread
    bearing: BearingFace
    thread_friction: float
    bearing_friction: float
    u_common: float = 0.0
    u_each: float = 0.0

    def __post_init__(self) -> None:
        """Refuse friction outside what threads have."""
        within(
            "the friction coefficient in the thread",
            self.thread_friction,
            "",
            LEAST_FRICTION,
            MOST_FRICTION,
        )
        within(
            "the friction coefficient under the nut",
            self.bearing_friction,
            "",
            LEAST_FRICTION,
            MOST_FRICTION,
        )
        if self.bearing.outer_diameter_m <= self.bearing.hole_diameter_m:
            raise Inconsistent("The nut's bearing face is no wider than the hole under it.")

    def levers(self, count: int) -> list[Uncertain]:
        """Lever of each nut in m, what they share counted as shared."""
        shared = [tagged(FRICTION, 0.0, self.u_common) for _where in range(2)]
        return [self._lever(*shared) for _nut in range(count)]

    def _lever(self, thread_shared: Uncertain, bearing_shared: Uncertain) -> Uncertain:
        in_thread = self.thread_friction + thread_shared + tagged(FRICTION, 0.0, self.u_each)
        under_nut = self.bearing_friction + bearing_shared + tagged(FRICTION, 0.0, self.u_each)
        return (
            0.16 * self.thread.pitch_m
            + 0.58 * self.thread.pitch_diameter_m * in_thread
            + self.bearing.friction_diameter_m / 2 * under_nut
        )


Law = NutFactor | ThreadFriction


@dataclass(frozen=True, slots=True)
class Preloads:
    """Preload of each rod and their sum, in N; what the rods share makes the sum less certain."""

    rods: tuple[Estimate, ...]
    total: Estimate


def preloads(readings: Sequence[TorqueValue], law: Law) -> Preloads:
    """Which preload has each rod, and all together, after these torques?

    One driver is taken for all: its deviation is common. Raises Inconsistent without readings.

    >>> found = preloads([TorqueValue(6.0)] * 8, NutFactor(0.18, 0.006))
    >>> round(found.rods[0].value), round(found.total.value)
    (5556, 44444)

    Source: T = K d F.
    """
    if not readings:
        raise Inconsistent("No torque is given.")
    off = tagged(INSTRUMENT, 1.0, standard_uncertainty(1.0))
    found = [
        torque_number(reading, off) / lever
        for reading, lever in zip(readings, law.levers(len(readings)), strict=True)
    ]
    return Preloads(tuple(map(estimate, found)), estimate(sum(found[1:], start=found[0])))


def preload(reading: TorqueValue, law: Law) -> Estimate:
    """Which preload in N has a rod after this torque?

    >>> round(preload(TorqueValue(12.0), NutFactor(0.2, 0.008)).value)
    7500
    """
    return preloads([reading], law).rods[0]


def torque_number(reading: TorqueValue, off: Uncertain) -> Uncertain:
    """The torque in N·m as a number to compute with; ``off`` is 1 ± how far the driver is off.

    ``off`` counts in half widths of the permissible deviation, and is shared by readings taken
    with one driver.
    """
    instrument = 1.0 + reading.deviation * (off - 1.0) if reading.deviation else 1.0
    return reading.torque_nm * instrument + tagged(
        READING, 0.0, standard_uncertainty(reading.step_nm / 2)
    )


def torque_for(preload_n: float | Estimate, law: Law, deviation: float = 0.0) -> Estimate:
    """Which torque in N·m gives this preload in N, and how far may the right one lie off?

    ``deviation`` is the driver's, as in `TorqueValue`.

    >>> round(torque_for(10e3, NutFactor(0.2, 0.008)).value, 9)
    16.0
    """
    wanted = preload_n if isinstance(preload_n, Estimate) else Estimate(preload_n)
    more_than_zero("the preload", wanted.value, "N")
    off = tagged(INSTRUMENT, 1.0, standard_uncertainty(deviation))
    return estimate(spread(wanted) * law.levers(1)[0] * off)


def nut_factor_of(law: ThreadFriction) -> float:
    """Which nut factor belongs to these friction coefficients?

    >>> from service.physics.arithmetic.threads import hexagon_bearing, thread
    >>> m8 = thread("M8")
    >>> round(nut_factor_of(ThreadFriction(m8, hexagon_bearing(m8), 0.12, 0.12)), 3)
    0.165
    """
    certain = ThreadFriction(law.thread, law.bearing, law.thread_friction, law.bearing_friction)
    return float(certain.levers(1)[0]) / law.thread.nominal_diameter_m
