"""What a tightened rod bears: its stress, share of the proof load, stretch, and the most it may.

SI units. Sources: VDI 2230 part 1:2015; ISO 898-1:2013.
"""

from dataclasses import dataclass
from math import pi, sqrt

from service.physics.arithmetic.clamping import Law, ThreadFriction, torque_for
from service.physics.arithmetic.threads import Strength, Thread
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import not_below_zero, within


@dataclass(frozen=True, slots=True)
class Tightening:
    """The preload in N and the torque in N·m that use up a share of the yield strength."""

    preload_n: float
    torque_nm: float


def greatest_tightening(
    law: ThreadFriction, strength: Strength, utilisation: float = 0.9
) -> Tightening:
    """Compute how far a rod may be tightened, pull and twist together, at a share of its yield.

    >>> from service.physics.arithmetic.threads import hexagon_bearing, strength, thread
    >>> m8 = thread("M8x1")
    >>> law = ThreadFriction(m8, hexagon_bearing(m8), 0.12, 0.12)
    >>> found = greatest_tightening(law, strength("8.8", m8))
    >>> round(found.preload_n / 1e3, 1), round(found.torque_nm, 1)
    (20.2, 26.1)

    Source: VDI 2230 part 1, tables A1 and A2 (M8x1, 8.8, µ = 0.12).
    """
    within("the share of the yield strength", utilisation, "", 0.01, 1.0, "utilisation")
    area = law.thread.stress_area_m2
    twist = twist_per_pull(law)
    force = utilisation * strength.yield_strength_pa * area / sqrt(1 + 3 * twist**2)
    return Tightening(force, torque_for(force, law).value)


def twist_per_pull(law: ThreadFriction) -> float:
    """Compute shear stress per tensile stress while the nut turns.

    Fully plastic section (VDI 2230).
    """
    thread = law.thread
    slope = thread.pitch_m / (pi * thread.pitch_diameter_m) + 1.155 * law.thread_friction
    return 1.5 * thread.pitch_diameter_m / thread.stress_diameter_m * slope


@dataclass(frozen=True, slots=True)
class RodStress:
    """Stress of a rod in its thread, and what it is of the limit (shares of 1)."""

    axial_pa: Estimate
    while_turning_pa: Estimate | None
    """pull and twist together (von Mises), where the law of tightening says what the twist is"""
    proof_load_n: float
    share_of_proof: Estimate
    proof_by: str


def rod_stress(
    preload_n: float | Estimate, thread: Thread, strength: Strength, law: Law | None = None
) -> RodStress:
    """Compute the share of its proof load a rod bears at this preload.

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
    both = None
    if isinstance(law, ThreadFriction):
        both = axial.scaled(sqrt(1 + 3 * twist_per_pull(law) ** 2))
    share = load.scaled(1 / proof_load)
    return RodStress(axial, both, proof_load, share, strength.proof_by)
