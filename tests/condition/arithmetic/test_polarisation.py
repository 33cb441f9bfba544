"""Curves: the fit finds what a curve was made of, its band holds, comparisons add up."""

from math import log10

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.curve_comparison import (
    CurveConditions,
    Direction,
    compare_curves,
    differences,
    what_differs,
)
from service.condition.arithmetic.polarisation import (
    CurvePoint,
    Densities,
    How,
    band,
    design,
    fit_curve,
    merged,
    voltage_at,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

AT = (0.06, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)
CONSTANTS = st.tuples(st.floats(0.8, 1.0), st.floats(0.02, 0.12), st.floats(0.05, 0.4))


def a_curve(e0: float, b: float, r: float, at: tuple[float, ...] = AT) -> list[CurvePoint]:
    return [CurvePoint(i, e0 - b * log10(i) - r * i) for i in at]


@given(CONSTANTS)
def test_a_curve_of_the_form_gives_its_own_constants(constants: tuple[float, ...]) -> None:
    fit = fit_curve(a_curve(*constants))

    found = (fit.e0_v.value, fit.b_v_decade.value, fit.r_ohm_cm2.value)
    assert found == pytest.approx(constants, rel=1e-6)
    assert fit.spread_v < 1e-9
    assert fit.degrees == len(AT) - 3


def test_the_fit_agrees_with_the_normal_equations() -> None:
    rng = np.random.default_rng(7)
    points = [
        CurvePoint(it.density_a_cm2, it.voltage_v + float(rng.normal(0, 2e-3)))
        for it in a_curve(0.9, 0.06, 0.15)
    ]

    fit = fit_curve(points, level=0.9)

    rows = design(np.array(AT))
    wanted = np.array([point.voltage_v for point in points])
    values = np.linalg.inv(rows.T @ rows) @ rows.T @ wanted
    left = wanted - rows @ values
    error = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows)) * (left @ left) / (len(AT) - 3))
    factor = scipy.stats.t.ppf(0.95, len(AT) - 3)
    for constant, value, wide in zip(
        (fit.e0_v, fit.b_v_decade, fit.r_ohm_cm2), values, error, strict=True
    ):
        assert constant.value == pytest.approx(value)
        assert constant.error == pytest.approx(wide)
        assert (constant.low, constant.high) == pytest.approx(
            (value - factor * wide, value + factor * wide)
        )


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    """2,000 noisy curves at 90 %: between 88 and 92 of 100 intervals hold the resistance."""
    rng = np.random.default_rng(11)
    truth = a_curve(0.9, 0.06, 0.15)
    held = in_band = 0
    for _ in range(2000):
        noise = rng.normal(0, 2e-3, len(truth)).tolist()
        fit = fit_curve(
            [
                CurvePoint(it.density_a_cm2, it.voltage_v + away)
                for it, away in zip(truth, noise, strict=True)
            ],
            level=0.9,
        )
        held += fit.r_ohm_cm2.low <= 0.15 <= fit.r_ohm_cm2.high
        drawn = band(fit, [0.7])
        in_band += drawn.low_v[0] <= truth[5].voltage_v <= drawn.high_v[0]

    assert 1760 <= held <= 1840
    assert 1760 <= in_band <= 1840


def test_the_band_is_narrowest_among_the_points() -> None:
    points = a_curve(0.9, 0.06, 0.15)
    points[3] = CurvePoint(points[3].density_a_cm2, points[3].voltage_v + 0.004)

    found = band(fit_curve(points), [0.06, 0.4, 1.0])

    widths = [high - low for high, low in zip(found.high_v, found.low_v, strict=True)]
    assert widths[1] < widths[0]
    assert widths[1] < widths[2]


def test_a_fit_leaves_out_what_lies_near_open_circuit() -> None:
    crossing = [CurvePoint(0.0, 0.95), CurvePoint(0.01, 0.9)]

    fit = fit_curve(crossing + a_curve(0.9, 0.06, 0.15))

    assert fit.points == len(AT)
    assert fit.from_a_cm2 == AT[0]


@pytest.mark.parametrize(
    "at", [(0.1, 0.2, 0.3), (0.1, 0.1, 0.2, 0.2, 0.2), (0.01, 0.02, 0.3, 0.4, 0.5)]
)
def test_too_few_points_are_refused(at: tuple[float, ...]) -> None:
    with pytest.raises(Inconsistent, match="at least 4 points"):
        fit_curve(a_curve(0.9, 0.06, 0.15, at))


def test_densities_nearly_alike_settle_nothing() -> None:
    at = tuple(0.5 + n * 1e-9 for n in range(6))

    with pytest.raises(Inconsistent, match="too alike"):
        fit_curve(a_curve(0.9, 0.06, 0.15, at))


def test_a_range_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"below 0\.1"):
        Densities(0.5, 0.1)


@pytest.mark.parametrize(("density", "volts"), [(-0.1, 0.7), (0.1, 7.0), (0.1, float("nan"))])
def test_what_is_no_point_of_a_curve_is_refused(density: float, volts: float) -> None:
    with pytest.raises(OutOfRange):
        CurvePoint(density, volts)


def test_a_voltage_is_read_on_between_and_by_the_fit() -> None:
    points = [CurvePoint(0.1, 0.8), CurvePoint(0.12, 0.79), CurvePoint(1.0, 0.5)]
    curve = a_curve(0.9, 0.06, 0.15)

    assert voltage_at(points, 0.12).how is How.MEASURED
    between = voltage_at(points, 0.11)
    assert (between.how, between.voltage_v) == (How.BETWEEN, pytest.approx(0.795))
    fitted = voltage_at(curve, 0.15, fit=fit_curve(curve))
    assert (fitted.how, fitted.low_v) == (How.FIT, pytest.approx(fitted.voltage_v))
    assert fitted.voltage_v == pytest.approx(0.9 - 0.06 * log10(0.15) - 0.15 * 0.15)


@pytest.mark.parametrize("density", [0.05, 1.2])
def test_no_voltage_is_told_beyond_the_points(density: float) -> None:
    with pytest.raises(OutOfRange, match="where points are"):
        voltage_at(a_curve(0.9, 0.06, 0.15), density)


def test_points_of_one_density_become_their_mean_by_rows() -> None:
    points = [CurvePoint(0.5, 0.7, rows=3), CurvePoint(0.5, 0.66), CurvePoint(0.2, 0.8)]

    found = merged(points)

    assert [(it.density_a_cm2, it.rows) for it in found] == [(0.2, 1), (0.5, 4)]
    assert found[1].voltage_v == pytest.approx(0.69)


@given(CONSTANTS, st.floats(-0.03, 0.01), st.floats(-0.01, 0.02), st.floats(-0.02, 0.1))
def test_a_change_is_told_apart_into_what_made_it(
    constants: tuple[float, ...], e0: float, b: float, r: float
) -> None:
    before = a_curve(*constants)
    after = a_curve(constants[0] + e0, constants[1] + b, constants[2] + r)

    found = compare_curves(before, after, 0.7)

    assert found.ohmic.change_v.value == pytest.approx(-r * 0.7, abs=1e-6)
    assert found.kinetic.change_v.value == pytest.approx(e0 - b * log10(0.7), abs=1e-6)
    assert found.rest_v == pytest.approx(0, abs=1e-6)
    assert found.change_v == pytest.approx(
        found.kinetic.change_v.value + found.ohmic.change_v.value, abs=1e-6
    )


def test_noise_alone_shows_no_change() -> None:
    rng = np.random.default_rng(3)
    before = a_curve(0.9, 0.06, 0.15)
    after = [
        CurvePoint(it.density_a_cm2, it.voltage_v + float(rng.normal(0, 2e-3))) for it in before
    ]

    found = compare_curves(before, after, 0.7)

    assert found.ohmic.direction is Direction.NOT_SEEN
    assert found.kinetic.direction is Direction.NOT_SEEN


def test_curves_are_compared_only_where_both_have_points() -> None:
    before, after = a_curve(0.9, 0.06, 0.15), a_curve(0.9, 0.06, 0.15, (0.05, 0.3, 0.9, 1.2))

    assert [it.density_a_cm2 for it in differences(before, after)] == [0.3, 0.9]
    with pytest.raises(Inconsistent, match="there are 2"):
        compare_curves(before, after, 0.5)
    with pytest.raises(Inconsistent, match="in common"):
        differences(before, a_curve(0.9, 0.06, 0.15, (1.1, 1.2)))
    with pytest.raises(OutOfRange, match="both curves"):
        compare_curves(before, a_curve(0.88, 0.06, 0.15), 1.5)


def test_what_else_differs_is_said() -> None:
    warm = CurveConditions(80.0, 150.0, 150.0, "falling")

    assert what_differs(warm, warm) == ()
    said = what_differs(warm, CurveConditions(65.0, 150.0, 120.0, "rising"))
    assert len(said) == 3
    assert said[0] == "The curves were taken at 80 °C and 65 °C."
    assert "not written down" in what_differs(warm, CurveConditions())[0]
