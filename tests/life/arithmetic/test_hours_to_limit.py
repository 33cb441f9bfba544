"""Hours to a limit: the band itself, coverage, and what has no answer."""

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.hours_to_limit import Outlook, hours_to_limit
from service.life.arithmetic.voltage_trend import Method, VoltageTrend, voltage_trend


def falling(seed: int = 1, noise_v: float = 0.001, slope_v_h: float = -30e-6) -> VoltageTrend:
    """Two builds with a jump; the line of the second is 0.682 V at no hours."""
    hours = np.linspace(0, 1000, 40)
    builds = np.where(hours < 450, 1, 2)
    volts = 0.68 + slope_v_h * hours + np.where(builds == 2, 0.002, 0.0)
    noise = np.random.default_rng(seed).normal(0, noise_v, 40)
    return voltage_trend(hours, volts + noise, builds)


@pytest.mark.parametrize("method", list(Method))
def test_without_noise_both_ways_give_the_line(method: Method) -> None:
    found = hours_to_limit(falling(noise_v=0.0), 0.60, method)

    hours = (0.682 - 0.60) / 30e-6 - 1000
    assert (found.hours_h, found.low_h, found.high_h) == pytest.approx((hours, hours, hours))
    assert found.outlook is Outlook.REACHES


def test_the_band_of_the_line_touches_the_limit_at_both_ends() -> None:
    trend = falling()
    found = hours_to_limit(trend, 0.63)

    assert trend.fit is not None
    assert found.low_h is not None
    assert found.high_h is not None
    wide = scipy.stats.t.ppf(0.975, trend.fit.freedom)
    for hours_h, sign in ((found.low_h, -1), (found.high_h, 1)):
        value, error = trend.fit.at([trend.to_h + hours_h, 0.0, 1.0])
        assert value + sign * wide * error == pytest.approx(0.63, abs=1e-9)


@pytest.mark.parametrize(("method", "room"), [*zip(Method, (0.025, 0.06), strict=True)])
def test_the_interval_holds_the_true_hours_as_often_as_it_says(method: Method, room: float) -> None:
    true_h = (0.682 - 0.63) / 30e-6 - 1000
    inside = 0
    for seed in range(500):
        found = hours_to_limit(falling(seed, noise_v=0.002), 0.63, method)
        low, high = found.low_h, found.high_h
        inside += low is not None and low <= true_h and (high is None or true_h <= high)

    assert inside / 500 == pytest.approx(0.95, abs=room)


@given(st.integers(0, 40), st.floats(0.40, 0.64), st.floats(0.001, 0.1))
def test_a_lower_limit_is_reached_later_and_ends_stand_in_order(
    seed: int, limit_v: float, lower_by_v: float
) -> None:
    trend = falling(seed, noise_v=0.001)

    for method in Method:
        near = hours_to_limit(trend, limit_v, method)
        far = hours_to_limit(trend, limit_v - lower_by_v, method)
        assert near.hours_h is not None
        assert far.hours_h is not None
        assert far.hours_h > near.hours_h
        for one in (near, far):
            assert one.low_h is None or one.low_h <= one.hours_h + 1e-6
            assert one.high_h is None or one.high_h >= one.hours_h - 1e-6


def test_already_below_is_said() -> None:
    found = hours_to_limit(falling(), 0.67)

    assert (found.outlook, found.hours_h) == (Outlook.ALREADY_BELOW, None)


@pytest.mark.parametrize("method", list(Method))
def test_readings_that_fell_below_lately_are_below_whatever_the_line_says(method: Method) -> None:
    hours = np.linspace(0, 1000, 40)
    volts = np.where(hours < 920, 0.68 - 10e-6 * hours, 0.50)
    trend = voltage_trend(hours, volts, [1] * 40)

    assert trend.stretches[-1].to_v is not None
    assert trend.stretches[-1].to_v > 0.55
    assert hours_to_limit(trend, 0.55, method).outlook is Outlook.ALREADY_BELOW


def test_a_rising_voltage_reaches_no_limit() -> None:
    found = hours_to_limit(falling(slope_v_h=+20e-6), 0.60, Method.MEDIAN_OF_SLOPES)

    assert (found.outlook, found.hours_h) == (Outlook.NOT_FALLING, None)


def test_a_slope_that_may_be_none_has_no_upper_end() -> None:
    noisy = falling(noise_v=0.02, slope_v_h=-5e-6)

    for method in Method:
        found = hours_to_limit(noisy, 0.60, method)
        assert found.outlook in {Outlook.REACHES, Outlook.NOT_FALLING}
        assert found.high_h is None


def test_too_few_readings_tell_nothing() -> None:
    found = hours_to_limit(voltage_trend([1.0, 2.0], [0.7, 0.69], [1, 1]), 0.6)

    assert found.outlook is Outlook.CANNOT_TELL


def test_far_off_answers_are_marked() -> None:
    assert hours_to_limit(falling(noise_v=0.0), 0.40).far
    assert not hours_to_limit(falling(noise_v=0.0), 0.62).far
