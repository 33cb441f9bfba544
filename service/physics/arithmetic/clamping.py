"""Preload from torque and torque from preload, with what is uncertain about it.

Every law of tightening is torque = preload × lever; the lever is the nut factor times the
diameter, or follows from pitch and friction. SI units. Sources: VDI 2230 part 1:2015 (thread and
head friction, scatter); Shigley's Mechanical Engineering Design (nut factor).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from service.physics.arithmetic.threads import BearingFace, Thread
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import (
    Estimate,
    Shape,
    Uncertain,
    estimate,
    spread,
    standard_uncertainty,
    tagged,
)
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within
from service.platform.arithmetic.units import IN_SI, Measure, read_quantity, unit_label

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
        more_than_zero("the torque", self.torque_nm, "N·m", "torque_nm")
        within("the driver's deviation", self.deviation, "", 0.0, 0.5, "deviation")
        not_below_zero("the driver's resolution", self.step_nm, "N·m", "step_nm")


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
        within("the nut factor", self.factor, "", LEAST_NUT_FACTOR, MOST_NUT_FACTOR, "factor")
        more_than_zero("the thread's diameter", self.diameter_m, "m", "diameter_m")

    def levers(self, count: int) -> list[Uncertain]:
        """Return the lever of each nut in m, what they share counted as shared."""
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
            "thread_friction",
        )
        within(
            "the friction coefficient under the nut",
            self.bearing_friction,
            "",
            LEAST_FRICTION,
            MOST_FRICTION,
            "bearing_friction",
        )
        if self.bearing.outer_diameter_m <= self.bearing.hole_diameter_m:
            raise Inconsistent("The nut's bearing face is no wider than the hole under it.")

    def levers(self, count: int) -> list[Uncertain]:
        """Return the lever of each nut in m, what they share counted as shared."""
        shared = [tagged(FRICTION, 0.0, self.u_common) for _where in range(2)]
        return [self._lever(*shared) for _nut in range(count)]

    def _lever(self, thread_shared: Uncertain, bearing_shared: Uncertain) -> Uncertain:
        in_thread = self.thread_friction + thread_shared + tagged(FRICTION, 0.0, self.u_each)
        under_nut = self.bearing_friction + bearing_shared + tagged(FRICTION, 0.0, self.u_each)
        return (
            # Kellermann and Klein: P / (2 π) ≈ 0.16 P is the slope of the thread; its friction acts
            # at d2 / 2 on flanks of 30°: 1 / (2 cos 30°) ≈ 0.58. VDI 2230-1 writes them so.
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
    """Compute the preload of each rod, and of all together, after these torques.

    One driver is taken for all: its deviation is common. Raises Inconsistent without readings.

    >>> found = preloads([TorqueValue(6.0)] * 8, NutFactor(0.18, 0.006))
    >>> round(found.rods[0].value), round(found.total.value)
    (5556, 44444)

    Source: T = K d F.
    """
    if not readings:
        raise Inconsistent("No torque is given.")
    off = tagged(INSTRUMENT, 1.0, standard_uncertainty(1.0))
    loads = [
        torque_number(reading, off) / lever
        for reading, lever in zip(readings, law.levers(len(readings)), strict=True)
    ]
    return Preloads(tuple(map(estimate, loads)), estimate(sum(loads[1:], start=loads[0])))


def preload(reading: TorqueValue, law: Law) -> Estimate:
    """Compute the preload in N of a rod after this torque.

    >>> round(preload(TorqueValue(12.0), NutFactor(0.2, 0.008)).value)
    7500
    """
    return preloads([reading], law).rods[0]


def torque_number(reading: TorqueValue, off: Uncertain) -> Uncertain:
    """Return the torque in N·m as a number to compute with.

    ``off`` is 1 ± how far the driver is off.

    ``off`` counts in half widths of the permissible deviation, and is shared by readings taken
    with one driver.
    """
    instrument = 1.0 + reading.deviation * (off - 1.0) if reading.deviation else 1.0
    return reading.torque_nm * instrument + tagged(
        READING, 0.0, standard_uncertainty(reading.step_nm / 2)
    )


def torque_for(preload_n: float | Estimate, law: Law, deviation: float = 0.0) -> Estimate:
    """Compute the torque in N·m for this preload in N, and how far the right one may lie off.

    ``deviation`` is the driver's, as in `TorqueValue`.

    >>> round(torque_for(10e3, NutFactor(0.2, 0.008)).value, 9)
    16.0
    """
    wanted_preload = preload_n if isinstance(preload_n, Estimate) else Estimate(preload_n)
    more_than_zero("the preload", wanted_preload.value, "N", "preload_n")
    off = tagged(INSTRUMENT, 1.0, standard_uncertainty(deviation))
    return estimate(spread(wanted_preload) * law.levers(1)[0] * off)


def nut_factor_of(law: ThreadFriction) -> float:
    """Compute the nut factor that belongs to these friction coefficients.

    >>> from service.physics.arithmetic.threads import hexagon_bearing, thread
    >>> m8 = thread("M8")
    >>> round(nut_factor_of(ThreadFriction(m8, hexagon_bearing(m8), 0.12, 0.12)), 3)
    0.165
    """
    certain = ThreadFriction(law.thread, law.bearing, law.thread_friction, law.bearing_friction)
    return float(certain.levers(1)[0]) / law.thread.nominal_diameter_m


# How far preload scatters when it is tightened by torque, and how much of it is lost afterwards.
#
# Sources: VDI 2230:1986 and 2015 (scatter), ISO 6789-1:2017 (torque drivers).


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


def from_scatter(certain: Law, scatter: float) -> float:
    """Return the standard uncertainty of nut factor or friction that scatters preload by ±.

    The ± is taken to hold 95 of 100 nuts (common practice, no source). Both frictions scatter
    alike and each by itself; what the pitch takes of the torque does not scatter.

    >>> round(from_scatter(NutFactor(0.2, 0.008), 0.196), 6)
    0.02
    """
    within("the scatter of the preload", scatter, "", 0.0, 0.9, "scatter")
    share = standard_uncertainty(scatter, Shape.NORMAL_95)
    if isinstance(certain, NutFactor):
        return certain.factor * share
    per_friction = hypot(
        0.58 * certain.thread.pitch_diameter_m, certain.bearing.friction_diameter_m / 2
    )
    return share * float(certain.levers(1)[0]) / per_friction


def permissible_deviation(greatest_nm: float) -> float:
    """Return the share by which a driver whose range ends at this torque may read wrong.

    Source: ISO 6789-1:2017, 6 % up to 10 N·m, 4 % above, by the tool's greatest torque; from
    memory. Its certificate goes first.
    """
    return 0.06 if more_than_zero("the torque", greatest_nm, "N·m", "torque_nm") <= 10.0 else 0.04


@dataclass(frozen=True, slots=True)
class Relaxation:
    """What a re-torque reading says: share of the preload lost, and preload left, in N."""

    lost: Estimate
    preload_left: Estimate


def relaxation(
    first: TorqueValue, again: TorqueValue, law: Law, *, same_driver: bool = True
) -> Relaxation:
    """Compute the preload lost between tightening and the re-torque reading.

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


# Torque as it stands on the tools: N·m, cN·m, in·lbf and ft·lbf.


IN_NEWTON_METRES = IN_SI[Measure.TORQUE]
"""N·m in one of each unit. Foot and pound are exact by definition (NIST SP 811, B.8)."""


def torque_unit(text: str) -> str:
    """Read a torque's unit. ``Nm``, ``in-lb``, ``lbf.ft`` and their like are understood.

    Raises OutOfRange for any other unit.

    >>> torque_unit("in-lbs")
    'in·lbf'
    """
    return unit_label(text, Measure.TORQUE)


def read_torque_text(text: str, unit: str = "N·m") -> tuple[float, str]:
    """Read a torque in N·m, and its unit. ``unit`` holds where none is written.

    Raises OutOfRange where number or unit cannot be read, or the torque is not above zero.

    >>> torque_nm, unit = read_torque_text("75 in·lbf")
    >>> round(torque_nm, 9), unit
    (8.473862177, 'in·lbf')

    Source: NIST SP 811 (2008), appendix B.8.
    """
    entry = read_quantity(text, Measure.TORQUE, unit)
    if entry.si <= 0:
        raise OutOfRange("the torque", f"{entry.value:g}", entry.unit, "more than zero")
    return entry.si, entry.unit


def likely_units(value: float, target_nm: float) -> tuple[str, ...]:
    """Return units in which this number lies near a target (half to twice), in N·m.

    >>> likely_units(75, 8.5)
    ('in·lbf',)
    """
    if target_nm <= 0:
        raise Inconsistent("A target torque is above zero.")
    return tuple(
        unit
        for unit, factor in IN_NEWTON_METRES.items()
        if target_nm / 2 <= value * factor <= target_nm * 2
    )
