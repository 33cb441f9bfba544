"""Uncertainty: propagation against Monte Carlo, sources by name, digits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import (
    Estimate,
    Shape,
    combined,
    estimate,
    mean_of,
    spread,
    standard_uncertainty,
    tagged,
    written,
)


def test_propagation_agrees_with_monte_carlo() -> None:
    dice = np.random.default_rng(4)
    a, b, c = dice.normal(8.0, 0.2, 400_000), dice.normal(0.2, 0.008, 400_000), 0.008
    drawn = a / (b * c)

    found = estimate(tagged("torque", 8.0, 0.2) / (tagged("factor", 0.2, 0.008) * c))

    assert found.value == pytest.approx(drawn.mean(), rel=0.003)
    assert found.u == pytest.approx(drawn.std(), rel=0.02)
    assert [name for name, _part in found.parts] == ["factor", "torque"]


def test_half_widths_agree_with_monte_carlo() -> None:
    dice = np.random.default_rng(5)

    assert standard_uncertainty(0.6) == pytest.approx(
        dice.uniform(-0.6, 0.6, 200_000).std(), rel=0.01
    )
    triangle = dice.triangular(-0.6, 0, 0.6, 200_000)
    assert standard_uncertainty(0.6, Shape.TRIANGULAR) == pytest.approx(triangle.std(), rel=0.01)


@given(
    st.dictionaries(
        st.sampled_from(["gauge", "clock", "friction", "volume"]), st.floats(1e-6, 1e6), min_size=1
    )
)
def test_squares_of_the_parts_add_up(parts: dict[str, float]) -> None:
    found = combined(1.0, parts)

    assert found.u**2 == pytest.approx(sum(part**2 for part in parts.values()))
    again = estimate(spread(found))
    assert again.u == pytest.approx(found.u)
    assert dict(again.parts) == pytest.approx(dict(found.parts))


def test_what_is_shared_does_not_average_out() -> None:
    shared = tagged("driver", 0.0, 0.3)
    own = [tagged("reading", 5.0, 0.3) for _nut in range(9)]

    found = estimate(mean_of([value + shared for value in own]))

    assert dict(found.parts) == pytest.approx({"driver": 0.3, "reading": 0.1})


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (6250.4, 731.0, ("6300", "1500")),
        (0.56679, 0.0072, ("0.567", "0.014")),
        (2.0, 0.0, ("2", "0")),
        (123.456, 0.05, ("123.46", "0.10")),
    ],
)
def test_two_digits_of_uncertainty_count(value: float, u: float, text: tuple[str, str]) -> None:
    assert written(Estimate(value, u)) == text


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(OutOfRange, match="the uncertainty of gauge"):
        tagged("gauge", 1.0, -0.1)


def test_parts_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(Inconsistent, match="do not add up"):
        spread(Estimate(1.0, 0.5, (("gauge", 0.1),)))


def test_another_unit_keeps_the_parts() -> None:
    found = combined(2.0, {"gauge": 0.1}).scaled(-10.0)

    assert (found.value, found.u, found.parts) == (-20.0, 1.0, (("gauge", 1.0),))
    assert found.relative == pytest.approx(0.05)
    assert found.expanded == 2.0
