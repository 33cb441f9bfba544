"""Degradation arithmetic against published targets and real cells."""

import numpy as np
import pytest

from service.life.arithmetic.voltage_trend import (
    loss_for_life_uv_h,
    mean_loss_uv_h,
    percent_lost,
    voltage_trend,
)
from tests.published.cases import cases

CASES = cases("trends")


@pytest.mark.parametrize("cell", range(5))
def test_five_real_cells_lose_what_their_table_says(cell: int) -> None:
    case = CASES["FIVE-CELLS"]
    volts = np.asarray(case["U_rows"])[:, cell]

    trend = voltage_trend(case["t"], volts, [1] * len(volts))

    assert trend.least_squares is not None
    assert trend.median_of_slopes is not None
    case.check("least_squares", trend.least_squares.slope_uv_h, cell)
    case.check("theil_sen", trend.median_of_slopes.slope_uv_h, cell)
    assert trend.least_squares.high_uv_h < 0
    assert trend.median_of_slopes.high_uv_h < 0


@pytest.mark.parametrize("cell", range(5))
def test_two_readings_give_a_rate_but_no_interval(cell: int) -> None:
    case = CASES["DG-10"]
    hours = [case["t1"], case["t2"]]
    volts = [case["U_cells_1"][cell], case["U_cells_2"][cell]]

    trend = voltage_trend(hours, volts, [1, 1])

    assert (trend.least_squares, trend.median_of_slopes) == (None, None)
    case.check("rate_per_cell", mean_loss_uv_h(*volts, trend.to_h - trend.from_h), cell)


def test_the_rate_that_uses_up_a_tenth_in_the_wanted_life() -> None:
    case = CASES["DG-04"]

    for at, life_h in enumerate(case["t"]):
        found = loss_for_life_uv_h(case["U0"] / 1e3, case["f"] * 100, life_h)
        case.check("rate", found, at)
        lost_v = found / 1e6 * life_h
        assert percent_lost(case["U0"] / 1e3, case["U0"] / 1e3 - lost_v) == pytest.approx(10)
