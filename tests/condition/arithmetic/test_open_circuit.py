"""Open circuit: phases without load, settled level, drift, and the fall once gas is off."""

from math import log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.open_circuit import decays, open_levels, open_phases
from service.platform.arithmetic.errors import Inconsistent, OutOfRange


def test_phases_end_at_load_at_gaps_and_where_the_current_is_unknown() -> None:
    times = np.arange(0.0, 600.0, 10.0)
    density = np.zeros(60)
    density[10:15] = 0.5
    density[40] = np.nan
    times[50:] += 500.0

    found = open_phases(times, density)

    assert [(it.first, it.end) for it in found] == [(0, 10), (15, 40), (41, 50), (50, 60)]
    assert found[0].lasted_s == 90.0


def test_a_short_zero_of_the_current_is_no_phase() -> None:
    times, density = np.arange(0.0, 100.0, 10.0), np.full(10, 0.5)
    density[4:6] = 0.0

    assert open_phases(times, density) == ()
    assert len(open_phases(times, density, least_s=10.0)) == 1


@given(st.floats(0.85, 1.0), st.floats(-1e-4, 1e-4))
def test_the_level_is_read_once_it_has_settled(level: float, drift: float) -> None:
    times = np.arange(0.0, 120.0)
    volts = level + drift * times
    volts[:20] -= 0.2

    found = open_levels(times, np.column_stack([volts, np.full(120, np.nan)]))

    assert found[1] is None
    assert found[0] is not None
    assert found[0].rows == 61
    assert found[0].voltage_v == pytest.approx(level + drift * 50)
    assert found[0].drift_v_s is not None
    assert found[0].drift_v_s.value == pytest.approx(drift, abs=1e-9)


def test_rows_far_apart_are_read_by_the_first_three() -> None:
    volts = np.array([0.7, 0.96, 0.95, 0.94, 0.5, 0.4])[:, None]

    (found,) = open_levels(np.arange(0.0, 720.0, 120.0), volts)

    assert found is not None
    assert (found.rows, found.voltage_v) == (3, pytest.approx(0.95))


def test_a_phase_that_ends_early_has_no_level() -> None:
    with pytest.raises(Inconsistent, match="off for 9 s only"):
        open_levels(np.arange(10.0), np.zeros((10, 1)))


@given(st.floats(20.0, 400.0), st.floats(0.85, 1.0))
def test_an_exponential_fall_crosses_the_threshold_when_it_must(
    constant_s: float, start: float
) -> None:
    times = np.arange(0.0, 1000.0)

    (found,) = decays(times, (start * np.exp(-times / constant_s))[:, None], 0.4)

    assert found is not None
    assert found.below_after_s == pytest.approx(constant_s * log(start / 0.4), abs=0.3)
    assert found.start_v == start


def test_a_dip_that_is_undone_is_no_crossing() -> None:
    volts = np.array([0.9, 0.3, 0.8, 0.5, 0.3])[:, None]

    (found,) = decays(np.arange(0.0, 50.0, 10.0), volts, 0.4)

    assert found is not None
    assert found.below_after_s == pytest.approx(35.0)


def test_what_never_falls_is_said_with_how_long_it_was_watched() -> None:
    low, high, single = decays(
        np.array([0.0, 60.0]), np.array([[0.1, 0.95, np.nan], [0.05, 0.93, 0.9]])
    )

    assert low is not None
    assert low.below_after_s == 0.0
    assert high is not None
    assert (high.below_after_s, high.watched_s) == (None, 60.0)
    assert high.rate_v_s == pytest.approx(-0.02 / 60)
    assert single is None


def test_times_that_do_not_rise_and_negative_settings_are_refused() -> None:
    with pytest.raises(Inconsistent, match="rise"):
        decays(np.array([0.0, 0.0]), np.zeros((2, 1)))
    with pytest.raises(Inconsistent, match="as many"):
        open_phases(np.arange(3.0), np.zeros(2))
    with pytest.raises(OutOfRange):
        open_levels(np.arange(3.0), np.zeros((3, 1)), settle_s=-1.0)
