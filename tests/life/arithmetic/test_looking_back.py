"""An earlier forecast against what came."""

import numpy as np
import pytest

from service.life.arithmetic.forecast_backtest import looking_back
from service.life.arithmetic.voltage_trend import Method

HOURS = np.linspace(0, 900, 31)
ONE = [1] * 31


@pytest.mark.parametrize("method", list(Method))
def test_a_straight_fall_is_forecast_to_the_hour(method: Method) -> None:
    found = looking_back(HOURS, 0.68 - 30e-6 * HOURS, ONE, method)

    assert found is not None
    assert found.from_h == pytest.approx(600)
    assert found.actual_h == pytest.approx(300)
    assert found.forecast_h == pytest.approx(300)
    assert found.score == pytest.approx(1)


def test_a_fall_that_gets_faster_was_forecast_too_late() -> None:
    volts = 0.68 - 30e-6 * HOURS - np.where(HOURS > 600, 60e-6 * (HOURS - 600), 0)

    found = looking_back(HOURS, volts, ONE)

    assert found is not None
    assert found.error_percent is not None
    assert found.error_percent < -50
    assert found.score is not None
    assert found.score < 0.01


def test_a_voltage_that_did_not_fall_before_was_forecast_to_hold() -> None:
    volts = np.where(HOURS <= 600, 0.68 + 1e-6 * HOURS, 0.68 - 60e-6 * (HOURS - 600))

    found = looking_back(HOURS, volts, ONE)

    assert found is not None
    assert (found.forecast_h, found.score) == (None, None)


def test_a_reopened_stack_has_no_look_back_over_the_opening() -> None:
    builds = np.where(HOURS > 700, 2, 1)

    assert looking_back(HOURS, 0.68 - 30e-6 * HOURS, builds) is None


def test_few_readings_or_a_rise_give_none() -> None:
    assert looking_back(HOURS[:5], 0.68 - 30e-6 * HOURS[:5], ONE[:5]) is None
    falls_then_rises = 0.68 - 30e-6 * np.where(HOURS > 600, 1200 - 1.2 * HOURS, HOURS)
    assert looking_back(HOURS, falls_then_rises, ONE) is None
