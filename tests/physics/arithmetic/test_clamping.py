"""Torque and preload: there and back, monotony, uncertainty against Monte Carlo, refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.clamping import (
    Law,
    NutFactor,
    ThreadFriction,
    TorqueValue,
    from_scatter,
    nut_factor_of,
    preload,
    preloads,
    relaxation,
    torque_for,
)
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.threads import BearingFace, hexagon_bearing, strength, thread
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

M8 = thread("M8")
FRICTIONS = st.floats(0.04, 0.4)
TORQUES = st.floats(0.5, 40.0)


def a_law(friction: float = 0.12, under_nut: float | None = None, **u: float) -> ThreadFriction:
    head = friction if under_nut is None else under_nut
    return ThreadFriction(M8, hexagon_bearing(M8), friction, head, **u)


@given(TORQUES, FRICTIONS, FRICTIONS)
def test_torque_from_preload_is_the_torque_again(torque: float, a: float, b: float) -> None:
    for law in (a_law(a, b), NutFactor(0.2, 0.008)):
        force = preload(TorqueValue(torque), law)

        assert torque_for(force.value, law).value == pytest.approx(torque, rel=1e-12)


@given(TORQUES, FRICTIONS)
def test_both_laws_agree_at_the_same_nut_factor(torque: float, friction: float) -> None:
    law = a_law(friction)
    same = NutFactor(min(max(nut_factor_of(law), 0.05), 0.6), 0.008)

    assert preload(TorqueValue(torque), law).value == pytest.approx(
        preload(TorqueValue(torque), same).value, rel=1e-9
    )


@given(TORQUES, FRICTIONS, st.floats(1.01, 2.0))
def test_more_torque_more_preload_more_friction_less(
    torque: float, friction: float, more: float
) -> None:
    base = preload(TorqueValue(torque), a_law(friction)).value

    assert preload(TorqueValue(torque * more), a_law(friction)).value > base
    assert preload(TorqueValue(torque), a_law(min(friction * more, 0.5))).value < base


@pytest.mark.parametrize(
    ("law", "draw"),
    [
        (
            NutFactor(0.18, 0.008, 0.01, 0.015),
            lambda dice, n: (
                (0.18 + dice.normal(0, 0.01, (n, 1)) + dice.normal(0, 0.015, (n, 8))) * 0.008
            ),
        ),
        (
            a_law(0.12, 0.14, u_common=0.008, u_each=0.01),
            lambda dice, n: (
                0.16 * M8.pitch_m
                + 0.58
                * M8.pitch_diameter_m
                * (0.12 + dice.normal(0, 0.008, (n, 1)) + dice.normal(0, 0.01, (n, 8)))
                + hexagon_bearing(M8).friction_diameter_m
                / 2
                * (0.14 + dice.normal(0, 0.008, (n, 1)) + dice.normal(0, 0.01, (n, 8)))
            ),
        ),
    ],
    ids=["nut factor", "thread and head friction"],
)
def test_uncertainty_agrees_with_monte_carlo(law: Law, draw: object) -> None:
    """Driver ± 6 % for all nuts alike, readings to 0.1 N·m, friction shared and of each nut."""
    dice, many = np.random.default_rng(8), 60_000
    driver = 1 + dice.uniform(-0.06, 0.06, (many, 1))
    torque = 8.0 * driver + dice.uniform(-0.05, 0.05, (many, 8))
    drawn = torque / draw(dice, many)  # type: ignore[operator]

    found = preloads([TorqueValue(8.0, 0.06, 0.1)] * 8, law)

    assert found.rods[0].u == pytest.approx(drawn[:, 0].std(), rel=0.04)
    assert found.total.u == pytest.approx(drawn.sum(axis=1).std(), rel=0.04)
    assert found.total.value == pytest.approx(drawn.sum(axis=1).mean(), rel=0.02)


def test_what_the_rods_share_does_not_average_out() -> None:
    shared = preloads([TorqueValue(8.0)] * 16, NutFactor(0.2, 0.008, u_common=0.02)).total
    each = preloads([TorqueValue(8.0)] * 16, NutFactor(0.2, 0.008, u_each=0.02)).total

    assert shared.relative == pytest.approx(0.1)
    assert each.relative == pytest.approx(0.1 / 4)


def test_stress_while_turning_is_more_than_the_pull_alone() -> None:
    found = rod_stress(10e3, M8, strength("8.8", M8), a_law())

    assert found.while_turning_pa.value > found.axial_pa.value
    assert found.axial_pa.value * M8.stress_area_m2 == pytest.approx(10e3)


@given(FRICTIONS, st.floats(0.1, 1.0))
def test_the_greatest_tightening_uses_the_share_of_the_yield_strength(
    friction: float, share: float
) -> None:
    law, grade = a_law(friction), strength("10.9", M8)
    found = greatest_tightening(law, M8, grade, share)

    stress = rod_stress(found.preload_n, M8, grade, law).while_turning_pa

    assert stress.value == pytest.approx(share * grade.yield_strength_pa, rel=1e-9)


def test_scatter_as_a_standard_uncertainty_of_the_factor() -> None:
    dice = np.random.default_rng(3)
    u = from_scatter(NutFactor(0.2, 0.008), 0.23)

    preloads_drawn = 1 / dice.normal(0.2, u, 200_000)
    inside = np.abs(preloads_drawn * 0.2 - 1) <= 0.23

    assert inside.mean() == pytest.approx(0.95, abs=0.015)


def test_relaxation_does_not_ask_for_friction() -> None:
    """The same driver and the same friction cancel in the share lost; the reading does not."""
    first, again = TorqueValue(8.0, 0.06, 0.1), TorqueValue(7.0, 0.06, 0.1)

    found = relaxation(first, again, NutFactor(0.2, 0.008, 0.03))

    assert found.lost.value == pytest.approx(0.125)
    assert [name for name, _part in found.lost.parts] == ["reading"]
    assert relaxation(first, again, NutFactor(0.2, 0.008), same_driver=False).lost.u > found.lost.u
    assert found.preload_left.value == pytest.approx(7.0 / 0.0016)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: TorqueValue(0.0), "the torque is 0 N·m; allowed: more than zero"),
        (lambda: TorqueValue(-3.0), "the torque is -3 N·m"),
        (lambda: TorqueValue(3.0, 0.7), "the driver's deviation is 0.7"),
        (lambda: NutFactor(1.5, 0.008), r"the nut factor is 1.5; allowed: 0.05 to 0.6"),
        (lambda: NutFactor(0.2, 0.0), "the thread's diameter is 0 m"),
        (
            lambda: a_law(1.2),
            r"the friction coefficient in the thread is 1.2; allowed: 0.02 to 0.5",
        ),
        (lambda: a_law(0.1, 0.0), "the friction coefficient under the nut is 0"),
        (lambda: torque_for(-1.0, a_law()), "the preload is -1 N"),
        (lambda: rod_stress(-1.0, M8, strength("8.8", M8), a_law()), "the preload is -1 N"),
        (lambda: thread("8"), "a size such as M8"),
        (lambda: thread("M7"), "or with a pitch"),
        (lambda: thread("M8x3"), "up to a quarter of the diameter"),
        (lambda: strength("9.9", M8), "the strength class is 9.9; allowed: 4.6"),
        (lambda: hexagon_bearing(thread("M7x1")), "or diameters of one's own"),
    ],
)
def test_bad_input_is_told(make: object, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        make()  # type: ignore[operator]


def test_no_reading_and_no_bearing_face_are_told() -> None:
    with pytest.raises(Inconsistent, match="No torque is given"):
        preloads([], a_law())
    with pytest.raises(Inconsistent, match="no wider than the hole"):
        ThreadFriction(M8, BearingFace(0.008, 0.009), 0.1, 0.1)
