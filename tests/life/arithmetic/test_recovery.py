"""Recoverable against lasting loss: what was put in comes out, and what cannot be told."""

import numpy as np
import pytest

from service.life.arithmetic.recovery import CannotTell, Recovery, recovery


def spelled(noise_v: float = 0.0, seed: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Four spells of 100 h at −60 µV/h; 4 mV of the 6 come back at each stop."""
    spells = np.repeat([1, 2, 3, 4], 11)
    hours = np.concatenate([np.linspace(100 * k, 100 * k + 100, 11) for k in range(4)])
    volts = 0.70 - 60e-6 * hours + 0.004 * (spells - 1)
    return hours, volts + np.random.default_rng(seed).normal(0, noise_v, 44), spells


def found_in(noise_v: float = 0.0, seed: int = 2) -> Recovery:
    """What is told apart."""
    found = recovery(*spelled(noise_v, seed))
    assert isinstance(found, Recovery)
    return found


def test_what_was_put_in_comes_out() -> None:
    found = found_in()

    assert found.running_uv_h.value == pytest.approx(60)
    assert found.lasting_uv_h is not None
    assert found.lasting_uv_h.value == pytest.approx(20)
    assert found.lost_v.value == pytest.approx(0.018)
    assert found.back_v.value == pytest.approx(0.012)
    assert found.lasting_v.value == pytest.approx(0.006)
    assert found.since_restart_v.value == pytest.approx(0.006)
    assert found.share_back == pytest.approx(0.6667, abs=1e-4)
    assert [stop.at_h for stop in found.stops] == [100, 200, 300]


def test_lost_less_back_is_lasting_whatever_the_noise() -> None:
    found = found_in(noise_v=0.003)

    assert found.lost_v.value - found.back_v.value == pytest.approx(found.lasting_v.value)
    assert sum(stop.back_v.value for stop in found.stops) == pytest.approx(found.back_v.value)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    inside = 0
    for seed in range(400):
        lasting = found_in(noise_v=0.002, seed=seed).lasting_uv_h
        assert lasting is not None
        inside += lasting.low <= 20 <= lasting.high

    assert inside / 400 == pytest.approx(0.95, abs=0.03)


def test_hours_run_between_what_was_read_count_as_run() -> None:
    """Only the first 40 h of each spell are read: the loss of the rest is not taken as a jump."""
    hours, volts, spells = spelled()
    read = hours - 100 * (spells - 1) <= 40

    found = recovery(hours[read], volts[read], spells[read])

    assert isinstance(found, Recovery)
    assert found.lost_v.value == pytest.approx(0.018)
    assert found.back_v.value == pytest.approx(0.012)
    assert found.lasting_v.value == pytest.approx(0.006)


def test_spells_of_few_hours_are_left_out() -> None:
    hours, volts, spells = spelled()

    found = recovery(hours / 20, volts, spells)

    assert isinstance(found, CannotTell)
    assert "no spells" in found.why


def test_one_spell_cannot_tell() -> None:
    hours, volts, _spells = spelled()

    found = recovery(hours, volts, [1] * len(hours))

    assert isinstance(found, CannotTell)
    assert "1 spell between stops" in found.why


def test_spells_of_few_readings_are_left_out() -> None:
    found = recovery([0, 1, 2, 3, 4], [0.7, 0.69, 0.68, 0.69, 0.68], [1, 1, 1, 2, 2])

    assert isinstance(found, CannotTell)


def test_readings_at_the_same_hours_cannot_tell() -> None:
    found = recovery([5] * 6, [0.7, 0.69, 0.68, 0.69, 0.68, 0.67], [1, 1, 1, 2, 2, 2])

    assert isinstance(found, CannotTell)


def test_a_voltage_that_does_not_fall_has_no_share() -> None:
    found = recovery(
        [0, 10, 20, 20, 30, 40], [0.6, 0.61, 0.62, 0.62, 0.63, 0.64], [1, 1, 1, 2, 2, 2]
    )

    assert isinstance(found, Recovery)
    assert found.share_back is None
