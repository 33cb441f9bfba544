"""Lines with intervals: against a reference library, with steps, and what is refused."""

from itertools import combinations, permutations

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.voltage_trend import theil_sen, variance_of_order
from service.platform.arithmetic.errors import Inconsistent, NoSolution, OutOfRange
from service.platform.arithmetic.regression import least_squares, line_columns, stretches

points = st.lists(
    st.tuples(st.integers(0, 40), st.integers(-9, 9)), min_size=3, max_size=30
).filter(lambda rows: len({x for x, _y in rows}) > 1)


@given(points)
def test_without_steps_the_median_slope_is_the_reference_librarys(
    rows: list[tuple[int, int]],
) -> None:
    x, y = np.asarray(list(dict(rows).items()), dtype=float).T  # no x twice

    found, other = theil_sen(x, y), scipy.stats.theilslopes(y, x, 0.95)

    assert found.slope == pytest.approx(other.slope, abs=1e-12)
    assert (found.low, found.high) == pytest.approx((other.low_slope, other.high_slope), abs=1e-12)


@given(points)
def test_without_steps_the_line_is_the_reference_librarys(rows: list[tuple[int, int]]) -> None:
    x, y = np.asarray(rows, dtype=float).T

    found, other = least_squares(line_columns(x), y), scipy.stats.linregress(x, y)

    assert found.coefficients == pytest.approx([other.slope, other.intercept], abs=1e-9)
    if len(set(y)) > 1:  # all the same leaves the other one without an answer
        assert found.standard_errors[0] == pytest.approx(other.stderr, abs=1e-7)


@given(points, st.floats(-100, 100), st.integers(1, 39))
def test_a_step_of_any_height_leaves_the_slope_alone(
    rows: list[tuple[int, int]], height: float, at: int
) -> None:
    x, y = np.asarray(rows, dtype=float).T
    raised = np.where(x >= at, y + height, y)
    stretch = stretches(x, [at])
    try:
        before = theil_sen(x, y, stretch)
    except NoSolution:
        with pytest.raises(NoSolution):
            theil_sen(x, raised, stretch)
        return

    after = theil_sen(x, raised, stretch)

    assert after.slope == pytest.approx(before.slope, abs=1e-9)
    columns = line_columns(x, stretch)
    if len(x) > columns.shape[1]:
        slopes = [least_squares(columns, values).coefficients[0] for values in (y, raised)]
        assert slopes[1] == pytest.approx(slopes[0], abs=1e-9)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=2, max_size=6))
def test_the_variance_with_ties_is_that_of_all_orders(rows: list[tuple[int, int]]) -> None:
    x, y = np.asarray(rows, dtype=float).T

    def rising_less_falling(values: tuple[float, ...]) -> float:
        pairs = combinations(range(len(x)), 2)
        return float(sum(np.sign((x[i] - x[j]) * (values[i] - values[j])) for i, j in pairs))

    counts = [rising_less_falling(order) for order in permutations(y)]

    assert variance_of_order(x, y) == pytest.approx(np.var(counts), abs=1e-9)


def test_the_interval_covers_the_slope_as_often_as_it_says() -> None:
    dice = np.random.default_rng(7)
    x = np.arange(24.0)
    stretch = stretches(x, [11])
    inside = {"least squares": 0, "median": 0}
    for _turn in range(600):
        y = 0.3 * x + np.where(x >= 11, 4.0, 0.0) + dice.normal(0, 1, 24)
        fit, robust = least_squares(line_columns(x, stretch), y), theil_sen(x, y, stretch)
        inside["least squares"] += fit.lows[0] <= 0.3 <= fit.highs[0]
        inside["median"] += robust.low <= 0.3 <= robust.high

    assert inside["least squares"] / 600 == pytest.approx(0.95, abs=0.025)
    assert inside["median"] / 600 == pytest.approx(0.95, abs=0.035)


def test_one_wild_reading_hardly_moves_the_median_slope() -> None:
    x = np.arange(15.0)
    y = -0.5 * x
    y[4] = 900.0

    assert theil_sen(x, y).slope == pytest.approx(-0.5)
    assert abs(least_squares(line_columns(x), y).coefficients[0] + 0.5) > 5


def test_a_reading_at_a_step_belongs_behind_it() -> None:
    assert stretches([1.0, 2.0, 3.0], [2.0]).tolist() == [0, 1, 1]


def test_what_is_no_line_is_refused() -> None:
    with pytest.raises(NoSolution, match="3 readings for 3 coefficients"):
        least_squares(line_columns([0.0, 1.0, 2.0], [1, 1, 2]), [1.0, 2.0, 3.0])
    with pytest.raises(NoSolution, match="depend on each other"):
        least_squares([[1, 2], [2, 4], [3, 6]], [1.0, 2.0, 3.0])
    with pytest.raises(NoSolution, match="differ in x"):
        theil_sen([1.0, 2.0], [1.0, 2.0], [1, 2])
    with pytest.raises(Inconsistent, match="without gaps"):
        theil_sen([1.0, float("nan")], [1.0, 2.0])
    with pytest.raises(Inconsistent, match="2 x and 3 y"):
        theil_sen([1.0, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(Inconsistent, match="as many rows"):
        least_squares([[1.0]], [1.0, 2.0])
    with pytest.raises(NoSolution, match="all zero"):
        least_squares([[0.0], [0.0]], [1.0, 2.0])
    with pytest.raises(Inconsistent, match="the stretch of each"):
        line_columns([1.0, 2.0], [1])
    with pytest.raises(OutOfRange, match="the level"):
        theil_sen([1.0, 2.0], [1.0, 2.0], level=95)
