"""Curves of soft layers: slopes, the way back, energy lost, as data and back."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.material_curves import (
    Densifying,
    Points,
    Power,
    RubberCord,
    Soft,
    soft_as_data,
    soft_from_data,
)

CURVES = [
    Points(((0.0, 0.0), (0.1, 0.4e6), (0.2, 1.2e6), (0.35, 4e6))),
    Power(8e6, 1.4),
    Densifying(3e6, 0.55),
    RubberCord(1.2e-3, 4e6),
]
SHARES = st.floats(0.02, 0.98)


def at(*x: float) -> np.ndarray:
    return np.array(x)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: type(curve).__name__)
@given(share=SHARES)
def test_the_slope_is_the_loads(curve: Points, share: float) -> None:
    x, step = share * curve.greatest, 1e-7
    knots = [point[0] for point in getattr(curve, "points", ())]
    if any(abs(x - knot) < 2 * step for knot in knots):
        return

    slope = (curve.load(at(x + step)) - curve.load(at(x - step))) / (2 * step)

    assert slope[0] == pytest.approx(curve.slope(at(x))[0], rel=1e-5)
    assert slope[0] > 0


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: type(curve).__name__)
@given(share=SHARES, set_share=st.floats(0.0, 0.8), exponent=st.floats(1.0, 4.0))
def test_the_way_back_meets_the_way_there_and_lies_below(
    curve: Points, share: float, set_share: float, exponent: float
) -> None:
    """A load cycle gives energy away, never takes it; what was pressed comes back to its set."""
    soft, top = Soft(curve, set_share, exponent), share * curve.greatest
    x = np.linspace(0.0, top, 400)

    there, _slope = soft.answer(x, np.zeros_like(x))
    back, slopes = soft.answer(x, np.full_like(x, top))

    assert back[-1] == pytest.approx(there[-1], rel=1e-9)
    assert (np.diff(back) >= 0).all()
    assert (slopes >= 0).all()
    assert back[x <= set_share * top] == pytest.approx(0.0)
    assert (back <= there * (1 + 1e-9)).all()
    assert np.trapezoid(back, x) <= np.trapezoid(there, x) * (1 + 1e-9)


def test_pressed_further_than_before_the_first_curve_holds() -> None:
    soft = Soft(Densifying(3e6, 0.55), 0.3, 2.0)

    fresh, _ = soft.answer(at(0.25, 0.3), at(0.0, 0.0))
    used, _ = soft.answer(at(0.25, 0.3), at(0.2, 0.2))

    assert used == pytest.approx(fresh)


def test_a_used_mea_carries_less_in_the_same_gap() -> None:
    soft = Soft(Densifying(3e6, 0.55), 0.3, 2.0)

    fresh, used = soft.answer(at(0.2, 0.2), at(0.0, 0.28))[0]

    assert used < fresh


def test_beyond_its_end_a_curve_goes_on_for_the_search_but_is_refused() -> None:
    soft = Soft(Points(((0.0, 0.0), (0.2, 1e6))))

    y, slope = soft.answer(at(0.3), at(0.0))

    assert (y[0], slope[0]) == pytest.approx((1.5e6, 5e6))
    with pytest.raises(OutOfRange, match=r"the strain is 30\.0 %; allowed: up to 20 %"):
        soft.check("the strain", 0.3)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: type(curve).__name__)
def test_as_data_and_back(curve: Points) -> None:
    soft = Soft(curve, 0.2, 2.0, 0.1)

    assert soft_from_data(json.loads(json.dumps(soft_as_data(soft)))) == soft


def test_points_begin_at_nought() -> None:
    assert Points(((0.1, 1.0),)).points == ((0.0, 0.0), (0.1, 1.0))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, "A curve's form is one of: points, power"),
        ({"loading": {"form": "spline"}}, "A curve's form is one of"),
        ({"loading": {"form": "power"}}, "The curve “power” is not complete"),
        ({"loading": {"form": "points", "points": [[0.1]]}}, "two numbers: strain, load"),
        ({"loading": {"form": "points", "points": []}}, "one point at least"),
        ({"loading": {"form": "points", "points": [[0.2, 1], [0.1, 2]]}}, "must grow"),
        ({"loading": {"form": "points", "points": [[0.2, 2], [0.3, 2]]}}, "must grow"),
        ({"loading": {"form": "power", "scale": 1.0}, "colour": 3}, "is not complete"),
    ],
)
def test_data_that_is_no_curve_is_told(data: dict[str, object], words: str) -> None:
    with pytest.raises(Inconsistent, match=words):
        soft_from_data(data)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Power(-1.0),
        lambda: Power(1.0, 0.5),
        lambda: Densifying(1e6, 1.5),
        lambda: RubberCord(0.0, 4e6),
        lambda: Soft(Power(1.0), set_share=1.2),
        lambda: Soft(Power(1.0), u_relative=-0.1),
    ],
)
def test_numbers_no_material_has_are_refused(make: object) -> None:
    with pytest.raises(OutOfRange):
        make()  # type: ignore[operator]
