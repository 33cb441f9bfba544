"""Tests of tightness as set up and read."""

import pytest

from service.limits.arithmetic.leak_paths import Circuit
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.pressures import Zero
from service.proof.arithmetic.leak_tests import Arrived, Method, instruments
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay


def test_gauge_and_absolute_readings_are_the_same_pressure() -> None:
    gauge = a_decay()
    absolute = a_decay(zero=Zero.ABSOLUTE, start_pressure_kpa=130.0, end_pressure_kpa=129.9)

    assert gauge.start.pressure_pa == pytest.approx(130e3)
    assert absolute.start == gauge.start
    assert absolute.end.pressure_pa == pytest.approx(gauge.end.pressure_pa)
    assert absolute.gauge_pressure_kpa == pytest.approx(30.0)


def test_the_barometer_at_the_end_counts_where_it_was_read() -> None:
    assert a_decay(end_barometer_kpa=99.0).end.pressure_pa == pytest.approx(99e3 + 29.9e3)


def test_all_that_was_lost_is_a_reading_too() -> None:
    assert a_decay(end_pressure_kpa=0.0).end.pressure_pa == pytest.approx(100e3)


def test_the_volume_is_as_given_or_by_the_figures() -> None:
    assert a_decay(volume_l=0.4).volume(None) == 0.4
    assert a_decay().volume(LEAK_FIGURES) == pytest.approx(0.15)
    assert a_decay(set_up=2, arrived=()).volume(LEAK_FIGURES) == pytest.approx(0.45)
    with pytest.raises(TradeError, match="volume under test in L is missing"):
        a_decay().volume(None)
    with pytest.raises(TradeError, match="set-up 1, rig alone"):
        a_decay(set_up=1, arrived=()).volume(LEAK_FIGURES)


def test_the_gauges_calibration_is_common_its_step_is_not() -> None:
    found = instruments(130e3, gauge_percent=1.0, gauge_step_kpa=0.02, thermometer_k=0.3)

    assert found.u_gauge_pa == pytest.approx(1300 / 3**0.5)
    assert found.u_pressure_pa == pytest.approx(10 / 3**0.5)
    assert found.u_temperature_k == pytest.approx(0.3 / 3**0.5)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"start_temperature_c": 295.0}, "295 °C; allowed: -60 to 200 °C (295 K would be 21.85"),
        ({"zero": Zero.ABSOLUTE}, "is 30 kPa; allowed: an absolute pressure above the air"),
        ({"zero": Zero.NOT_SAID}, "is gauge or absolute"),
        ({"start_pressure_kpa": -3.0}, "(gauge) is -3 kPa"),
        ({"end_pressure_kpa": -3.0}, "the pressure at the end (gauge) is -3 kPa"),
        ({"end_pressure_kpa": None}, "needs pressure and temperature at the end"),
        ({"duration_min": None}, "needs its duration"),
        ({"duration_min": 0.0}, "the duration is 0 min"),
        ({"volume_l": 0.0}, "volume under test is 0 L"),
        ({"gas": "hydrogen", "set_up": 2, "arrived": ()}, "test gas is hydrogen; allowed: nitro"),
        ({"barometer_kpa": 1.013}, "barometer is 1.013 kPa; allowed: 50 to 110 kPa"),
        ({"set_up": 6}, "the set-up is 6"),
        ({"method": Method.FLOW_METER}, "needs the meter and the flow"),
        ({"meter": None}, "need the meter they were read with"),
        ({"arrived": (Arrived(Circuit.ANODE, 0.1),)}, "is anode; allowed: cathode, coolant"),
        (
            {"arrived": (Arrived(Circuit.CATHODE, 0.1), Arrived(Circuit.CATHODE, 0.2))},
            "watched twice",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_field_value_and_what_is_right(
    wrong: dict[str, object], said: str
) -> None:
    with pytest.raises(TradeError) as trouble:
        a_decay(**wrong)

    assert said in str(trouble.value)
