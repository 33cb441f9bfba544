"""Two gaskets one upon the other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.assembly import in_series
from service.physics.arithmetic.part_stiffness import Seal
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.material_curves import Power, RubberCord, Soft

SOFT = Soft(RubberCord(0.7e-3, 4e6), 0.1, 1.5, 0.1)
ONE = Seal(SOFT, 0.7, 0.5, 500.0, 2e-4, 0.008)


def test_two_alike_are_one_twice_as_high_with_the_same_curve() -> None:
    assert in_series((ONE, ONE)) == Seal(SOFT, 1.4, 1.0, 500.0, 2e-4, 0.016)


@given(st.floats(0.3, 1.5), st.floats(200.0, 900.0), st.floats(0.05, 0.35))
def test_two_unlike_are_squeezed_each_by_its_own_curve(
    height: float, length: float, x: float
) -> None:
    other = Seal(Soft(Power(3000.0, 2.0), 0.1, 1.5, 0.05), height, 0.1, length)
    whole = in_series((ONE, other))
    squeeze = np.array([x * whole.soft.loading.greatest])

    force = float(whole.soft.loading.load(squeeze)[0]) * whole.length_mm

    # each one by itself at that force, by bisection of its own curve
    total = sum(one.height_mm * _squeezed(one, force / one.length_mm) for one in (ONE, other))
    assert total == pytest.approx(float(squeeze[0]) * whole.height_mm, rel=2e-2)


def _squeezed(seal: Seal, line_load: float) -> float:
    low, high = 0.0, seal.soft.loading.greatest
    for _step in range(60):
        middle = (low + high) / 2
        if float(seal.soft.loading.load(np.array([middle]))[0]) < line_load:
            low = middle
        else:
            high = middle
    return low


def test_order_does_not_matter_for_what_they_bear_together() -> None:
    other = Seal(Soft(Power(3000.0, 2.0), 0.1, 1.5), 0.5, 0.1, 500.0)

    there, back = in_series((ONE, other)), in_series((other, ONE))

    assert there.height_mm == pytest.approx(back.height_mm)
    at = np.array([0.1])
    assert there.soft.loading.load(at) == pytest.approx(back.soft.loading.load(at), rel=1e-6)


def test_three_gaskets_and_unlike_ways_back_are_refused() -> None:
    with pytest.raises(Inconsistent, match="3 gas gaskets"):
        in_series((ONE, ONE, ONE))
    other = Seal(Soft(Power(3000.0)), 0.5, 0.1, 500.0)
    with pytest.raises(Inconsistent, match="come back differently"):
        in_series((ONE, other))
