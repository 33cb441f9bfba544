"""Curves as one line of text."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.curve_text import CurveOf, read_curve, write_curve
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.material_curves import Curve, Densifying, Points, Power, RubberCord

POSITIVE = st.floats(0.01, 50.0)


@st.composite
def points(draw: st.DrawFn) -> Points:
    xs = sorted(draw(st.sets(st.integers(1, 900), min_size=1, max_size=6)))
    ys = sorted(draw(st.sets(st.integers(1, 10**6), min_size=len(xs), max_size=len(xs))))
    return Points(tuple((x / 1000, float(y)) for x, y in zip(xs, ys, strict=True)))


CURVES = st.one_of(
    points(),
    st.builds(Densifying, POSITIVE.map(lambda e: e * 1e6), st.floats(0.1, 1.0)),
    st.builds(Power, POSITIVE.map(lambda e: e * 1e6), st.floats(1.0, 9.0), st.floats(0.1, 0.9)),
)


@given(CURVES)
def test_a_curve_written_and_read_carries_the_same_load(curve: Curve) -> None:
    again = read_curve(write_curve(curve, CurveOf.STRESS), CurveOf.STRESS)

    assert type(again) is type(curve)
    assert again.greatest == pytest.approx(curve.greatest, rel=1e-9)
    at = [curve.greatest * share for share in (0.1, 0.5, 0.9)]
    assert again.load(np.array(at)) == pytest.approx(curve.load(np.array(at)), rel=1e-6)


def test_points_are_shares_and_the_unit_of_the_load() -> None:
    stress = read_curve("points: 0 0; 0.1 0.4; 0,2 1.1", CurveOf.STRESS)
    line = read_curve("Points:\n0.1 0.4\n0.2 1.1", CurveOf.LINE_LOAD)

    assert stress == Points(((0.1, 0.4e6), (0.2, 1.1e6)))
    assert line == Points(((0.1, 400.0), (0.2, 1100.0)))


def test_a_cord_has_its_diameter_in_mm_and_its_modulus_in_mpa() -> None:
    text = "rubber cord: diameter 1.2; modulus 4"

    assert read_curve(text, CurveOf.LINE_LOAD) == RubberCord(1.2e-3, 4e6)
    assert read_curve(write_curve(RubberCord(1.2e-3, 4e6), CurveOf.LINE_LOAD), CurveOf.LINE_LOAD)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the curve is empty; allowed: one of points"),
        ("0 0; 1 2", "one of points"),
        ("spline: 0 0", "one of points"),
        ("rubber cord: diameter 1; modulus 4", "one of points, densifying, power with"),
        ("points: 0.1", "a share and a load in MPa"),
        ("points: 0.2 1; 0.1 2", "must grow"),
        ("points: 0.1 x", "digits"),
        ("points: 1.2 3", "below a strain of 1"),
        ("densifying: limit 0.5", "needs its modulus"),
        ("densifying: hardness 3", "densifying: modulus …; limit …"),
        ("power: scale -1", "more than zero"),
    ],
)
def test_what_is_no_curve_is_refused_with_what_would_be_right(text: str, said: str) -> None:
    with pytest.raises(TradeError) as trouble:
        read_curve(text, CurveOf.STRESS)

    assert said in str(trouble.value)
