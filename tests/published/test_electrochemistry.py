"""Curves and outliers against printed values and a real stack of five cells."""

from pathlib import Path

import numpy as np
import openpyxl
import pytest

from service.condition.arithmetic.cell_outliers import cell_outliers
from service.condition.arithmetic.curve_comparison import Direction, compare_curves
from service.condition.arithmetic.polarisation import CurvePoint, fit_curve, voltage_at
from service.condition.arithmetic.sweep_points import Sweep, SweepDirection, around, sweep_points
from tests.published.cases import cases

CASES = cases("electrochemistry")
OPEN_DATA = Path(__file__).parents[3] / "shared" / "data" / "five-cell-stack"
AREA_CM2 = 100.0
REVERSIBLE_AT_55_C_V = 1.204  # 1.229 V less 0.846 mV for each kelvin above 25 °C


def test_three_constants_of_a_published_curve() -> None:
    case = CASES["DG-07"]
    points = [CurvePoint(i, u) for i, u in zip(case["i"], case["U"], strict=True)]

    fit = fit_curve(points)

    case.check("E0", fit.e0_v.value)
    case.check("b", fit.b_v_decade.value)
    case.check("R", fit.r_ohm_cm2.value)
    case.check("rms", fit.rms_v)


def test_modified_z_score_of_ten_cells() -> None:
    case = CASES["ST-12"]
    volts = {cell: value / 1e3 for cell, value in enumerate(case["U"], start=1)}

    found = cell_outliers(volts)

    case.check("median", found.median_v * 1e3)
    case.check("MAD", found.mad_v * 1e3)
    score = found.cells[case["U"].index(621)].score
    assert score is not None
    case.check("M_621", score)
    assert [round(volts[cell] * 1e3) for cell in found.low + found.high] == case.value("flagged")


# A stack of five cells over 1,150 h: IEEE PHM 2014 Data Challenge, FCLAB research federation.

AT_70_A = {
    0: (0.6884, 0.6848, 0.6831, 0.6817, 0.6782),
    185: (0.6760, 0.6725, 0.6694, 0.6718, 0.6697),
    823: (0.6571, 0.6565, 0.6485, 0.6542, 0.6486),
    991: (0.6618, 0.6565, 0.6485, 0.6563, 0.6491),
}
AT_10_50_90_A = {
    (0, 0): (0.8419, 0.7294, 0.6436),
    (0, 2): (0.8408, 0.7259, 0.6361),
    (991, 0): (0.8248, 0.7069, 0.6127),
    (991, 2): (0.8195, 0.6976, 0.5957),
}


def a_sweep(hours: int) -> tuple[np.ndarray, np.ndarray]:
    """Current densities and the five cells' voltages of one sweep, row by row."""
    path = OPEN_DATA / f"FC1_Pola_T{hours:03d}.xlsx"
    if not path.exists():
        pytest.skip("the open data of the five-cell stack are not beside the project")
    book = openpyxl.load_workbook(path, read_only=True)
    rows = np.array([row[:7] for row in book.worksheets[0].iter_rows(min_row=2, values_only=True)])
    book.close()
    numbers = rows.astype(float)
    return numbers[:, 6] / AREA_CM2, numbers[:, :5]


def points_of(hours: int) -> Sweep:
    densities, voltages = a_sweep(hours)
    return sweep_points(densities, voltages)


@pytest.mark.parametrize("hours", AT_70_A)
def test_a_real_sweep_gives_the_voltages_at_70_a(hours: int) -> None:
    densities, voltages = a_sweep(hours)

    assert around(densities, voltages, 0.7, 0.006) == pytest.approx(AT_70_A[hours], abs=6e-5)


@pytest.mark.parametrize("hours", [0, 991])
def test_points_of_a_real_sweep_lie_on_it(hours: int) -> None:
    found = points_of(hours)

    assert [leg.way for leg in found.legs] == [SweepDirection.FALLING]
    assert found.left_out == 0
    assert sum(point.rows for point in found.points) == found.rows
    for channel in (0, 2):
        curve = found.curve(channel, 1)
        for density, volts in zip((0.1, 0.5, 0.9), AT_10_50_90_A[hours, channel], strict=True):
            assert voltage_at(curve, density).voltage_v == pytest.approx(volts, abs=1.5e-3)


def test_a_real_cell_lost_by_resistance_as_the_fits_of_both_curves_say() -> None:
    """The parts of the change add up to the change, and agree with two separate fits."""
    old, new = (points_of(hours).curve(2, 1) for hours in (0, 991))

    found = compare_curves(old, new, 0.7)

    was, now = fit_curve(old), fit_curve(new)
    parts = found.kinetic.change_v.value + found.ohmic.change_v.value + found.rest_v
    assert parts == pytest.approx(found.change_v, abs=1e-9)
    assert found.change_v == pytest.approx(0.6485 - 0.6831, abs=1e-3)
    assert found.ohmic.direction is Direction.LESS
    assert found.r_change_ohm_cm2.value == pytest.approx(
        now.r_ohm_cm2.value - was.r_ohm_cm2.value, abs=0.004
    )


def test_open_circuit_of_a_real_stack_is_near_a_volt_and_below_the_reversible() -> None:
    first = points_of(0).points[0]

    assert first.density_a_cm2 < 0.004
    for volts in first.voltages_v:
        assert volts is not None
        assert 0.9 < volts < REVERSIBLE_AT_55_C_V
