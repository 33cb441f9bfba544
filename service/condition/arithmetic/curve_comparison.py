"""Two curves of one cell: how much it lost at each density, and which part of the curve changed.

The differences at common densities are split into what grows with the logarithm of the current
(with a constant: kinetics, gas that crosses), what grows with the current (ohmic resistance), and
the rest. Where the form fits both curves equally badly, that cancels. A part is a shape of the
difference, not yet a cause. Common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.condition.arithmetic.polarisation import (
    CONSTANTS,
    LEVEL,
    Constant,
    CurvePoint,
    Densities,
    constant,
    design,
    least_squares,
    merged,
    student,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

SAME_K = 2.0
SAME_PRESSURE = 0.05


class Direction(StrEnum):
    """What an interval says of a change."""

    LESS = "fell"
    MORE = "rose"
    NOT_SEEN = "no change seen"


@dataclass(frozen=True, slots=True)
class Difference:
    """Both curves at one density: A/cm², V; ``change_v`` is after less before."""

    density_a_cm2: float
    before_v: float
    after_v: float

    @property
    def change_v(self) -> float:
        """After less before; negative is a loss."""
        return self.after_v - self.before_v


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the change at the reference density, in V, with its interval."""

    change_v: Constant

    @property
    def direction(self) -> Direction:
        """Which way the voltage went by this part, as far as the interval says."""
        return direction(self.change_v)


@dataclass(frozen=True, slots=True)
class CurveComparison:
    """What changed from one curve to a later one.

    ``kinetic`` and ``ohmic`` are parts at ``reference_a_cm2``; ``rest_v`` is what neither shape
    explains there. The constants' changes: E0 in V, b in V/decade, R in Ω cm².
    """

    differences: tuple[Difference, ...]
    reference_a_cm2: float
    change_v: float
    kinetic: Part
    ohmic: Part
    rest_v: float
    e0_change_v: Constant
    b_change_v_decade: Constant
    r_change_ohm_cm2: Constant
    spread_v: float
    points: int
    level: float


def direction(change: Constant) -> Direction:
    """Return what the interval of a change says."""
    if change.low > 0:
        return Direction.MORE
    return Direction.LESS if change.high < 0 else Direction.NOT_SEEN


def differences(
    before: Sequence[CurvePoint], after: Sequence[CurvePoint]
) -> tuple[Difference, ...]:
    """Compute the change of voltage at each density of the later curve the earlier one reaches.

    The earlier curve is read between its points along straight lines, never beyond them.
    """
    old, new = merged(before), merged(after)
    if not old or not new:
        raise Inconsistent("Two curves are needed, each with points.")
    densities = np.array([point.density_a_cm2 for point in old])
    volts = np.array([point.voltage_v for point in old])
    common = [p for p in new if densities[0] <= p.density_a_cm2 <= densities[-1]]
    if not common:
        raise Inconsistent(
            "The curves have no current density in common:"
            f" {densities[0]:g} to {densities[-1]:g} A/cm² and"
            f" {new[0].density_a_cm2:g} to {new[-1].density_a_cm2:g} A/cm²."
        )
    earlier = np.interp([p.density_a_cm2 for p in common], densities, volts)
    return tuple(
        Difference(point.density_a_cm2, float(was), point.voltage_v)
        for point, was in zip(common, earlier, strict=True)
    )


def compare_curves(
    before: Sequence[CurvePoint],
    after: Sequence[CurvePoint],
    reference_a_cm2: float,
    densities: Densities | None = None,
    level: float = LEVEL,
) -> CurveComparison:
    """Compute what changed between two curves of one cell, and how sure it is.

    ``reference_a_cm2`` must lie where both curves have points. Raises Inconsistent for fewer than
    four common densities in the range of the fit.
    """
    every = differences(before, after)
    chosen = densities or Densities()
    inside = [point for point in every if chosen.includes(point.density_a_cm2)]
    if len(inside) <= CONSTANTS:
        raise Inconsistent(
            f"A comparison needs at least {CONSTANTS + 1} common current densities from"
            f" {chosen.least_a_cm2:g} A/cm² upwards; there are {len(inside)}."
        )
    density_points = np.array([point.density_a_cm2 for point in inside])
    if not density_points[0] <= reference_a_cm2 <= density_points[-1]:
        raise OutOfRange(
            "the reference current density",
            f"{reference_a_cm2:g}",
            "A/cm²",
            f"{density_points[0]:g} to {density_points[-1]:g} A/cm², where both curves have points",
        )
    changes = np.array([point.change_v for point in inside])
    solved = least_squares(design(density_points), changes)
    row = design(np.array([reference_a_cm2]))[0]
    kinetic = row * np.array([1.0, 1.0, 0.0])
    ohmic = row * np.array([0.0, 0.0, 1.0])
    values = np.array(solved.values)
    factor = student(level, solved.degrees)

    def part(weights: np.ndarray) -> Part:
        value = float(weights @ values)
        error = float(np.sqrt(max(weights @ solved.covariance @ weights, 0.0)))
        return Part(Constant(value, error, value - factor * error, value + factor * error))

    change = float(np.interp(reference_a_cm2, density_points, changes))
    e0_change, b_change, r_change = (
        constant(value, error, solved.degrees, level)
        for value, error in zip(solved.values, solved.errors, strict=True)
    )
    return CurveComparison(
        every,
        reference_a_cm2,
        change,
        part(kinetic),
        part(ohmic),
        change - float(row @ values),
        e0_change,
        b_change,
        r_change,
        solved.spread,
        len(inside),
        level,
    )


@dataclass(frozen=True, slots=True)
class CurveConditions:
    """What a curve was taken under; None where nobody wrote it down. °C, kPa absolute."""

    temperature_c: float | None = None
    hydrogen_kpa: float | None = None
    air_kpa: float | None = None
    direction: str | None = None


def what_differs(before: CurveConditions, after: CurveConditions) -> tuple[str, ...]:
    """Return sentences on how two curves differ besides their age, for whoever compares them.

    Temperatures within 2 K and pressures within 5 % count as alike; common practice, no source.
    """
    sentences = []
    was, now = before.temperature_c, after.temperature_c
    if was is None or now is None:
        sentences.append("The stack's temperature was not written down for both curves.")
    elif abs(was - now) > SAME_K:
        sentences.append(f"The curves were taken at {was:g} °C and {now:g} °C.")
    for gas, old, new in (
        ("hydrogen", before.hydrogen_kpa, after.hydrogen_kpa),
        ("air", before.air_kpa, after.air_kpa),
    ):
        if old is not None and new is not None and abs(old - new) > SAME_PRESSURE * old:
            sentences.append(f"The {gas} had {old:g} kPa and {new:g} kPa absolute.")
    if before.direction and after.direction and before.direction != after.direction:
        sentences.append(
            f"One sweep was {before.direction}, the other {after.direction}:"
            " part of the difference is the way the current went."
        )
    return tuple(sentences)
