"""The trend of an MEA: jumps at openings, few and many readings."""

import numpy as np
import pytest

from service.life.arithmetic.voltage_trend import (
    MOST_READINGS,
    NEWEST_ALONE,
    drawn_together,
    voltage_trend,
)
from service.platform.arithmetic.errors import Inconsistent


def a_life(noise_v: float = 0.0, each: int = 20) -> tuple[list[np.ndarray], float]:
    """Three builds, −30 µV/h, level +4 mV and −2 mV at the two openings."""
    dice = np.random.default_rng(3)
    hours = np.linspace(0, 900, 3 * each)
    builds = np.repeat([1, 2, 3], each)
    volts = 0.68 - 30e-6 * hours + np.array([0.0, 0.004, 0.002])[builds - 1]
    return [hours, volts + dice.normal(0, noise_v, 3 * each), builds], -30.0


def test_openings_do_not_count_as_ageing() -> None:
    rows, slope = a_life()

    trend = voltage_trend(*rows)

    assert trend.least_squares is not None
    assert trend.median_of_slopes is not None
    assert trend.least_squares.slope_uv_h == pytest.approx(slope)
    assert trend.median_of_slopes.slope_uv_h == pytest.approx(slope)
    assert [round(jump.rise_v, 6) for jump in trend.jumps] == [0.004, -0.002]
    assert [(jump.before, jump.after) for jump in trend.jumps] == [(1, 2), (2, 3)]
    assert trend.now_by_median_v == pytest.approx([rows[1][-1]] * 3)


def test_without_the_jumps_the_rate_would_be_another() -> None:
    rows, slope = a_life(noise_v=0.0005)

    wrong = voltage_trend(rows[0], rows[1], [1] * len(rows[0]))
    right = voltage_trend(*rows)

    assert wrong.least_squares is not None
    assert right.least_squares is not None
    assert right.least_squares.low_uv_h < slope < right.least_squares.high_uv_h
    assert wrong.least_squares.low_uv_h > slope


def test_readings_may_come_in_any_order() -> None:
    rows, _slope = a_life(noise_v=0.001)
    shuffled = np.random.default_rng(9).permutation(len(rows[0]))

    assert (
        voltage_trend(*(row[shuffled] for row in rows)).median_of_slopes
        == voltage_trend(*rows).median_of_slopes
    )


def test_an_opening_right_after_another_leaves_a_build_without_readings_out() -> None:
    trend = voltage_trend([0, 10, 20, 20, 30], [0.7, 0.69, 0.68, 0.68, 0.67], [1, 1, 1, 3, 3])

    assert [(it.build, it.n) for it in trend.stretches] == [(1, 3), (3, 2)]


def test_one_reading_has_a_place_but_no_rate() -> None:
    trend = voltage_trend([120.0], [0.66], [4])

    assert (trend.least_squares, trend.median_of_slopes, trend.jumps) == (None, None, ())
    assert (trend.from_h, trend.to_h, trend.n, trend.now_by_median_v) == (120.0, 120.0, 1, None)
    assert trend.stretches[0].from_v is None


def test_many_readings_are_drawn_together_and_both_numbers_said() -> None:
    rows, slope = a_life(noise_v=0.001, each=2000)

    trend = voltage_trend(*rows)

    assert trend.readings == 6000
    assert MOST_READINGS * 0.9 <= trend.n <= MOST_READINGS * 1.1
    assert trend.median_of_slopes is not None
    assert trend.median_of_slopes.slope_uv_h == pytest.approx(slope, abs=1.0)
    assert [it.build for it in trend.stretches] == [1, 2, 3]


def test_drawing_together_keeps_builds_apart_and_the_newest_alone() -> None:
    builds = np.repeat([1, 2, 3], 500)

    blocks = drawn_together(builds)

    assert np.concatenate(blocks).tolist() == list(range(1500))
    assert all(len(set(builds[block])) == 1 for block in blocks)
    assert [len(block) for block in blocks[-NEWEST_ALONE:]] == [1] * NEWEST_ALONE
    assert len(blocks) <= MOST_READINGS + 3


def test_what_was_drawn_together_before_keeps_its_number() -> None:
    assert voltage_trend([0.0, 1.0, 2.0], [0.7, 0.7, 0.69], [1, 1, 1], readings=900).readings == 900


def test_a_fall_that_gets_faster_is_told_and_an_even_one_not() -> None:
    hours = np.linspace(0, 1000, 40)
    noise = np.random.default_rng(5).normal(0, 0.0005, 40)
    even = voltage_trend(hours, 0.68 - 30e-6 * hours + noise, [1] * 40)
    faster = voltage_trend(hours, 0.68 - 10e-6 * hours - 6e-8 * hours**2 + noise, [1] * 40)

    assert even.bend is None
    assert faster.bend is not None
    assert faster.bend.is_faster_of_late
    assert faster.bend.split_h == pytest.approx(2000 / 3)
    assert faster.bend.early_uv_h == pytest.approx(-10 - 0.06 * 2000 / 3, abs=4)
    assert faster.bend.late_uv_h == pytest.approx(-10 - 0.06 * 5000 / 3, abs=4)


def test_an_even_fall_over_jumps_is_no_bend() -> None:
    rows, _slope = a_life(noise_v=0.0005)

    assert voltage_trend(*rows).bend is None


def test_a_sudden_fall_is_not_told_as_a_step_at_an_opening() -> None:
    """One slope for all builds would see the level rise by what fell much later."""
    hours = np.linspace(0, 1500, 60)
    volts = 0.67 - 15e-6 * hours - np.where(hours > 1300, 0.15, 0.0)
    builds = np.where(hours < 700, 1, 2)

    fallen = voltage_trend(hours, volts, builds)
    even = voltage_trend(hours[:50], volts[:50], builds[:50])

    assert fallen.bend is not None
    assert fallen.jumps == ()
    assert [it.rise_v for it in even.jumps] == pytest.approx([0.0], abs=1e-9)


def test_nothing_read_and_rows_of_unequal_length_are_refused() -> None:
    with pytest.raises(Inconsistent, match="no reading"):
        voltage_trend([], [], [])
    with pytest.raises(Inconsistent, match="as many as each other"):
        voltage_trend([1.0], [0.7, 0.6], [1])
