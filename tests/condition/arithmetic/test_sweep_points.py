"""Sweeps: no row lost or counted twice, ways kept apart, noise is no turn."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.sweep_points import (
    SweepDirection,
    around,
    bin_edges,
    legs_of,
    sweep_points,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange


def there_and_back(rows: int = 400, noise: float = 0.0, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    up = np.linspace(0.01, 1.0, rows)
    return np.abs(np.concatenate([up, up[::-1]]) + rng.normal(0, noise, 2 * rows))


@given(st.integers(50, 500), st.floats(0, 0.004), st.integers(0, 50))
def test_every_row_is_in_one_point_and_the_means_add_up(rows: int, noise: float, seed: int) -> None:
    densities = there_and_back(rows, noise, seed)
    volts = np.column_stack([0.9 - 0.3 * densities, 0.8 - 0.2 * densities])

    found = sweep_points(densities, volts)

    assert [leg.way for leg in found.legs] == [SweepDirection.RISING, SweepDirection.FALLING]
    assert sum(point.rows for point in found.points) == found.rows == len(densities)
    for channel in (0, 1):
        total = sum(point.rows * (point.voltages_v[channel] or 0.0) for point in found.points)
        assert total == pytest.approx(float(volts[:, channel].sum()))


@given(st.integers(50, 500), st.floats(0, 0.004))
def test_points_of_a_straight_line_lie_on_it(rows: int, noise: float) -> None:
    densities = there_and_back(rows, noise)

    for point in sweep_points(densities, 0.9 - 0.3 * densities[:, None]).points:
        assert point.voltages_v[0] == pytest.approx(0.9 - 0.3 * point.density_a_cm2)


def test_both_ways_are_kept_apart() -> None:
    densities = there_and_back()
    volts = np.where(np.arange(len(densities)) < 400, 0.70, 0.72)[:, None]

    found = sweep_points(densities, volts)

    assert all(
        point.voltages_v[0] == pytest.approx(0.70) for point in found.points if point.leg == 1
    )
    up, down = found.curve(0, 1), found.curve(0, 2)
    assert [it.density_a_cm2 for it in up] == sorted(it.density_a_cm2 for it in up)
    assert all(it.voltage_v == pytest.approx(0.72, abs=1e-3) for it in down)


def test_steps_that_are_held_are_points_of_one_way() -> None:
    densities = np.repeat([0.0, 0.1, 0.3, 0.6, 1.0], 30)

    found = sweep_points(densities, 0.9 - 0.3 * densities[:, None])

    assert [leg.way for leg in found.legs] == [SweepDirection.RISING]
    assert [(point.density_a_cm2, point.rows) for point in found.points] == [
        (pytest.approx(density), 30) for density in (0.0, 0.1, 0.3, 0.6, 1.0)
    ]


def test_a_channel_that_read_nothing_has_no_voltage() -> None:
    densities = np.linspace(1.0, 0.0, 300)
    volts = np.column_stack([0.9 - 0.3 * densities, np.full(300, np.nan)])
    volts[::2, 0] = np.nan

    found = sweep_points(densities, volts)

    assert found.legs[0].way is SweepDirection.FALLING
    assert {point.voltages_v[1] for point in found.points} == {None}
    assert sum(point.read[0] for point in found.points) == 150
    assert found.curve(1, 1) == ()


def test_rows_without_a_usable_current_are_counted() -> None:
    densities = np.concatenate([np.linspace(0.0, 1.0, 100), [np.nan, -0.4, -0.002]])

    found = sweep_points(densities, np.full((103, 1), 0.7))

    assert found.left_out == 2


def test_spreads_are_those_of_the_rows() -> None:
    rng = np.random.default_rng(5)
    densities = np.repeat([0.1, 0.5, 0.9], 50)
    volts = rng.normal(0.7, 0.002, (150, 1))

    point = sweep_points(densities, volts).points[1]

    assert point.spreads_v[0] == pytest.approx(float(volts[50:100, 0].std(ddof=1)))


def test_a_steady_current_is_no_sweep() -> None:
    with pytest.raises(Inconsistent, match="moves by"):
        legs_of(0.7 + 0.001 * np.sin(np.arange(100.0)))


@pytest.mark.parametrize(
    ("densities", "volts"),
    [
        (np.linspace(0, 1, 5), np.zeros((4, 1))),
        (np.linspace(0, 1, 5), np.zeros(5)),
        (np.full(5, np.nan), np.zeros((5, 1))),
    ],
)
def test_rows_that_do_not_belong_together_are_refused(
    densities: np.ndarray, volts: np.ndarray
) -> None:
    with pytest.raises(Inconsistent):
        sweep_points(densities, volts)


def test_amperes_for_a_density_are_refused() -> None:
    with pytest.raises(OutOfRange, match="is it a current"):
        sweep_points(np.linspace(0, 100, 50), np.full((50, 1), 0.7))


def test_bins_reach_beyond_the_greatest_density() -> None:
    edges = bin_edges(1.0)

    assert edges[-1] > 1.0
    assert np.all(np.diff(edges) > 0)
    assert np.diff(edges).max() == pytest.approx(0.05)


def test_around_needs_rows_there() -> None:
    with pytest.raises(Inconsistent, match="No row lies within"):
        around(np.linspace(0, 0.5, 20), np.zeros((20, 1)), 0.9, 0.01)
