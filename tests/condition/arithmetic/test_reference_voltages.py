"""Which readings can be set beside each other."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.reference_voltages import (
    checked_reference,
    densities_read,
    is_near,
    usual_density,
    voltage_on_curve,
)
from service.platform.arithmetic.errors import OutOfRange


def test_the_density_that_most_readings_share_is_the_reference() -> None:
    assert usual_density([0.698, 0.702, 0.5, 0.501, 0.7]) == 0.7


@given(st.lists(st.floats(0.0, 3.0), max_size=40))
def test_every_reading_under_load_is_counted_at_one_density(densities: list[float]) -> None:
    counted = densities_read(densities)

    assert sum(count for _density, count in counted) == sum(it > 0 for it in densities)
    assert [density for density, _count in counted] == sorted(density for density, _ in counted)


def test_readings_that_scatter_about_a_rounding_edge_stay_together() -> None:
    scattered = [0.7044, 0.7052, 0.7046, 0.7056, 0.7049]

    assert usual_density(scattered) == 0.7
    assert densities_read(scattered) == ((0.7, 5),)


def test_of_two_as_frequent_the_greater_is_taken() -> None:
    assert usual_density([0.3, 0.5]) == 0.5


def test_without_current_there_is_no_reference() -> None:
    assert usual_density([0.0, 0.0]) is None
    assert usual_density([]) is None


def test_readings_within_two_percent_count() -> None:
    near = [is_near(it, 0.7) for it in (0.685, 0.686, 0.714, 0.715, None)]

    assert near == [False, True, True, False, False]


def test_a_curve_is_read_between_its_points_in_either_direction() -> None:
    density, volts = [0.2, 0.6, 1.0], [0.80, 0.70, 0.60]

    assert voltage_on_curve(density, volts, 0.7) == pytest.approx(0.675)
    assert voltage_on_curve(density[::-1], volts[::-1], 0.7) == pytest.approx(0.675)


def test_a_curve_that_does_not_reach_so_far_says_nothing() -> None:
    assert voltage_on_curve([0.2, 0.6], [0.8, 0.7], 0.7) is None
    assert voltage_on_curve([0.2, 0.8], [0.8, float("nan")], 0.7) is None
    assert voltage_on_curve([], [], 0.7) is None


def test_what_no_cell_is_run_at_is_no_reference() -> None:
    with pytest.raises(OutOfRange):
        checked_reference(70.0)
    with pytest.raises(OutOfRange):
        voltage_on_curve([0.1], [0.8], 0.0)
