"""Regression against certified values, and the median of slopes against a worked example."""

import numpy as np
import pytest
import scipy

from service.life.arithmetic.voltage_trend import theil_sen
from service.platform.arithmetic.regression import least_squares, line_columns
from tests.published.cases import cases

CASES = cases("trends")


def test_longley_which_is_badly_matched() -> None:
    case = CASES["ST-20"]
    rows = np.asarray(case["x_rows"])

    fit = least_squares(np.column_stack([np.ones(len(rows)), rows]), case["y"])

    for at in range(7):
        case.check("B", fit.coefficients[at], at)
        case.check("SE", fit.standard_errors[at], at)
    case.check("RSD", fit.residual_sd)
    case.check("R2", fit.r_squared)
    assert (fit.n, fit.freedom) == (16, 9)


def test_norris_a_straight_line() -> None:
    case = CASES["NORRIS"]

    fit = least_squares(line_columns(case["x"]), case["y"])

    for at, column in ((0, 1), (1, 0)):  # the slope stands first here
        case.check("B", fit.coefficients[column], at)
        case.check("SE", fit.standard_errors[column], at)
    case.check("RSD", fit.residual_sd)
    case.check("R2", fit.r_squared)


def test_the_median_of_pairwise_slopes() -> None:
    case = CASES["ST-10"]

    found = theil_sen(case["x"], case["y"])

    case.check("slope", found.slope)
    case.check("lo95", found.low)
    case.check("hi95", found.high)


@pytest.mark.parametrize("cell", range(5))
def test_five_cells_over_991_hours(cell: int) -> None:
    case = CASES["FIVE-CELLS"]
    volts = np.asarray(case["U_rows"])[:, cell]

    fit = least_squares(line_columns(case["t"]), volts)
    robust = theil_sen(case["t"], volts)

    case.check("least_squares", fit.coefficients[0] * 1e6, cell)
    case.check("standard_error", fit.standard_errors[0] * 1e6, cell)
    case.check("theil_sen", robust.slope * 1e6, cell)
    assert fit.standard_errors[0] == pytest.approx(
        scipy.stats.linregress(case["t"], volts).stderr, rel=1e-9
    )
