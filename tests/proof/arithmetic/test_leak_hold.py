"""The hold a set-up needs, told before."""

from dataclasses import replace

import pytest

from service.limits.arithmetic.leak_figures import mol_s
from service.physics.arithmetic.tightness import GasReading
from service.platform.arithmetic.errors import TradeError
from service.proof.arithmetic.hold_time import time_needed, time_under_pressure
from service.proof.arithmetic.leak_tests import instruments
from tests.proof.arithmetic.leaks import LEAK_FIGURES


def test_the_hold_is_that_of_the_bare_function() -> None:
    wanted = time_under_pressure(
        GasReading(130e3, 293.15),
        0.15e-3,
        mol_s(0.02),
        instruments(130e3, gauge_step_kpa=0.01),
    )

    found = time_needed(LEAK_FIGURES, 4, 10, barometer_kpa=100.0, gauge_step_kpa=0.01)

    assert found.duration_s == pytest.approx(wanted.duration_s)


def test_more_cells_need_a_longer_hold() -> None:
    assert time_needed(LEAK_FIGURES, 4, 20).duration_s > time_needed(LEAK_FIGURES, 4, 10).duration_s


def test_all_joined_is_held_for_the_sum_of_the_limits() -> None:
    joined, one = time_needed(LEAK_FIGURES, 2, 10), time_needed(LEAK_FIGURES, 3, 10)

    # three times the volume for three times the limit
    assert joined.duration_s == pytest.approx(one.duration_s)


def test_the_rig_needs_its_volume() -> None:
    assert time_needed(LEAK_FIGURES, 1, 10, volume_l=0.05).duration_s > 0
    with pytest.raises(TradeError, match="volume under test"):
        time_needed(LEAK_FIGURES, 1, 10)


def test_without_limits_no_hold_follows() -> None:
    with pytest.raises(TradeError, match="no limit or no test pressure for set-up 4, anode"):
        time_needed(replace(LEAK_FIGURES, limits=()), 4, 10)
