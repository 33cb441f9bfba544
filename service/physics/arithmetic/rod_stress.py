"""What a tightened rod bears: its stress, share of the proof load, stretch, and the most it may.

SI units. Sources: VDI 2230 part 1:2015; ISO 898-1:2013.
"""

from dataclasses import dataclass
from math import pi, sqrt

from service.physics.arithmetic.clamping import (
    Law,
    NutFactor,
    TorqueValue,
    preload,
    torque_for,
)
from service.physics.arithmetic.threads import Strength, Thread
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import not_below_zero, within
from service.platform.arithmetic.verdicts import Verdict, at_most, worst


@dataclass(frozen=True, slots=True)
class Tightening:
    """The preload in N and the torque in N·m that use up a share of the yield strength."""

    preload_n: float
    torque_nm: float


def greatest_tightening(
    law: Law, thread: Thread, strength: Strength, utilisation: float = 0.9, deviation: float = 0.0
) -> Tightening:
    """Compute how far a rod may be tightened, pull and twist together, at a share of its yield.

    Of a law that scatters it is the torque at which the greatest preload (k = 2) still keeps to
    that share, and the mean preload at that torque. ``deviation`` is the driver's.

    >>> from service.physics.arithmetic.clamping import ThreadFriction
    >>> from service.physics.arithmetic.threads import hexagon_bearing, strength, thread
    >>> m8 = thread("M8x1")
    >>> law = ThreadFriction(m8, hexagon_bearing(m8), 0.12, 0.12)
    >>> found = greatest_tightening(law, m8, strength("8.8", m8))
    >>> round(found.preload_n / 1e3, 1), round(found.torque_nm, 1)
    (20.2, 26.1)

    Source: VDI 2230 part 1, tables A1 and A2 (M8x1, 8.8, µ = 0.12).
    """
    within("the share of the yield strength", utilisation, "", 0.01, 1.0, "utilisation")
    twist = twist_per_pull(law, thread)
    most = utilisation * strength.yield_strength_pa * thread.stress_area_m2 / sqrt(1 + 3 * twist**2)
    scatter = preload(TorqueValue(torque_for(most, law).value, deviation), law)
    force = most / (1 + 2 * scatter.relative)
    return Tightening(force, torque_for(force, law).value)


def twist_per_pull(law: Law, thread: Thread) -> float:
    """Compute shear stress per tensile stress while the nut turns.

    Fully plastic section (VDI 2230). By a nut factor half of the torque is taken to twist the rod,
    the rest to be friction under the nut (common practice, no source).
    """
    if isinstance(law, NutFactor):
        return 1.5 * law.factor * law.diameter_m / thread.stress_diameter_m
    slope = thread.pitch_m / (pi * thread.pitch_diameter_m) + 1.155 * law.thread_friction
    return 1.5 * thread.pitch_diameter_m / thread.stress_diameter_m * slope


@dataclass(frozen=True, slots=True)
class RodStress:
    """Stress of a rod in its thread, and what it is of the limits (shares of 1)."""

    axial_pa: Estimate
    while_turning_pa: Estimate
    """pull and twist together (von Mises)"""
    proof_load_n: float
    share_of_proof: Estimate
    proof_by: str
    share_of_yield: Estimate
    share_of_strength: Estimate

    @property
    def verdict(self) -> Verdict:
        """The verdict on both: proof load, and yield strength while the nut turns."""
        return worst(at_most(share, 1.0) for share in (self.share_of_proof, self.share_of_yield))


def rod_stress(
    preload_n: float | Estimate, thread: Thread, strength: Strength, law: Law | None = None
) -> RodStress:
    """Compute the share of its proof load, yield and tensile strength a rod bears at this preload.

    Without a ``law`` no nut is turned: the rod is pulled alone.

    >>> from service.physics.arithmetic.threads import strength, thread
    >>> m8 = thread("M8")
    >>> round(rod_stress(10_600.0, m8, strength("8.8", m8)).share_of_proof.value, 2)
    0.5

    Source: ISO 898-1 (proof load 21 200 N for M8 class 8.8).
    """
    load = preload_n if isinstance(preload_n, Estimate) else Estimate(preload_n)
    not_below_zero("the preload", load.value, "N", "preload_n")
    proof_load = thread.stress_area_m2 * strength.proof_stress_pa
    axial = load.scaled(1 / thread.stress_area_m2)
    twist = twist_per_pull(law, thread) if law else 0.0
    both = axial.scaled(sqrt(1 + 3 * twist**2))
    return RodStress(
        axial,
        both,
        proof_load,
        load.scaled(1 / proof_load),
        strength.proof_by,
        both.scaled(1 / strength.yield_strength_pa),
        both.scaled(1 / strength.tensile_strength_pa),
    )
