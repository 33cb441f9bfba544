"""What the desk promises of a torque, tried on nuts whose friction scatters as typed."""

import numpy as np
import pytest

from service.physics.arithmetic.clamping import (
    LEAST_FRICTION,
    Law,
    NutFactor,
    ThreadFriction,
    TorqueValue,
    from_scatter,
    preload,
    torque_for,
)
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.threads import hexagon_bearing, strength, thread
from tests.claims.claims import Rate, rate

M8 = thread("M8")
CLASS_8_8 = strength("8.8", M8)
BY_FACTOR = NutFactor(0.18, 0.008)
BY_FRICTION = ThreadFriction(M8, hexagon_bearing(M8), 0.12, 0.14)
LAWS = pytest.mark.parametrize("certain", [BY_FACTOR, BY_FRICTION], ids=["factor", "friction"])


def scattering(certain: Law, share: float) -> Law:
    """Let the preload scatter from nut to nut by ± ``share``."""
    u = from_scatter(certain, share)
    if isinstance(certain, NutFactor):
        return NutFactor(certain.factor, certain.diameter_m, 0.0, u)
    return ThreadFriction(
        certain.thread,
        certain.bearing,
        certain.thread_friction,
        certain.bearing_friction,
        0.0,
        u,
    )


def nuts(certain: Law, share: float, n: int, seed: int) -> list[Law]:
    """Draw nuts of that scatter."""
    dice, u = np.random.default_rng(seed), from_scatter(certain, share)
    if isinstance(certain, NutFactor):
        drawn = dice.normal(certain.factor, u, n)
        return [NutFactor(float(factor), certain.diameter_m) for factor in drawn]
    pairs = dice.normal((certain.thread_friction, certain.bearing_friction), u, (n, 2))
    return [
        ThreadFriction(certain.thread, certain.bearing, *map(float, pair))
        for pair in np.maximum(pairs, LEAST_FRICTION)
    ]


def preloads_of(torque_nm: float, laws: list[Law]) -> list[float]:
    """Compute what one torque makes of each nut."""
    return [preload(TorqueValue(torque_nm), law).value for law in laws]


@LAWS
@pytest.mark.parametrize("share", [0.08, 0.15, 0.23])
def test_both_laws_give_the_scatter_that_was_typed(certain: Law, share: float) -> None:
    """Promised: 95 of 100 nuts within ± the scatter, and the page prints that scatter."""
    found = preload(TorqueValue(12.0), scattering(certain, share))
    drawn = preloads_of(12.0, nuts(certain, share, 3000, 21))

    within: Rate = rate(abs(load / found.value - 1) <= share for load in drawn)

    assert 1.96 * found.relative == pytest.approx(share, rel=1e-6)
    assert within.found == pytest.approx(0.95, abs=0.02), str(within)


@LAWS
@pytest.mark.parametrize("share", [0.08, 0.15, 0.23])
def test_the_greatest_torque_holds_for_the_scatter(certain: Law, share: float) -> None:
    """Promised: at that torque a nut in 40 at the most goes beyond 90 % of the yield strength."""
    greatest = greatest_tightening(scattering(certain, share), M8, CLASS_8_8, 0.9)
    laws = nuts(certain, share, 3000, 22)

    stresses = [
        rod_stress(load, M8, CLASS_8_8, certain).share_of_yield.value
        for load in preloads_of(greatest.torque_nm, laws)
    ]
    keeps = rate(stress <= 0.9 for stress in stresses)

    assert keeps.at_least(0.96), str(keeps)
    assert keeps.at_most(0.995), f"needlessly low: {keeps}"


@LAWS
def test_the_torque_for_a_least_preload_gives_it(certain: Law) -> None:
    """Promised: 39 of 40 nuts reach the preload that was wanted at least."""
    law, wanted = scattering(certain, 0.15), 5000.0
    mean_nm = torque_for(wanted, law).value
    scatter = preload(TorqueValue(mean_nm), law)

    drawn = preloads_of(mean_nm / (1 - 2 * scatter.relative), nuts(certain, 0.15, 3000, 23))
    reached = rate(load >= wanted for load in drawn)

    assert reached.at_least(0.97), str(reached)
