"""Gauge and absolute pressure: which is meant, and what is refused."""

import pytest

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import absolute_pressure, barometer, kelvin
from service.platform.arithmetic.pressures import Zero, from_gauge, read_pressure


@pytest.mark.parametrize(
    ("text", "pa", "zero"),
    [
        ("50 kPa g", 50e3, Zero.GAUGE),
        ("50 kPa(g)", 50e3, Zero.GAUGE),
        ("50 kPa gauge", 50e3, Zero.GAUGE),
        ("1.5 bara", 150e3, Zero.ABSOLUTE),
        ("1.5 bar abs", 150e3, Zero.ABSOLUTE),
        ("7 psig", 7 * 6894.757, Zero.GAUGE),
        ("121.3 kPa (absolute)", 121.3e3, Zero.ABSOLUTE),
        ("50 mbar", 5e3, Zero.NOT_SAID),
        ("20", 20e3, Zero.NOT_SAID),
        ("100 Pa", 100.0, Zero.NOT_SAID),
    ],
)
def test_the_zero_is_read(text: str, pa: float, zero: Zero) -> None:
    found = read_pressure(text, "kPa")

    assert (found.pa, found.zero) == (pytest.approx(pa, rel=1e-6), zero)


def test_absolute_is_gauge_and_barometer() -> None:
    assert read_pressure("50 kPa g").absolute(98e3) == 148e3
    assert read_pressure("148 kPa abs").absolute(98e3) == 148e3
    assert read_pressure("50 kPa").absolute(98e3, Zero.GAUGE) == from_gauge(50e3, 98e3)


def test_neither_said_is_asked_for() -> None:
    with pytest.raises(Inconsistent, match="Say whether 50 kPa is gauge or absolute"):
        read_pressure("50 kPa").absolute(98e3)


def test_negative_pressure_is_refused() -> None:
    with pytest.raises(OutOfRange, match="more than zero"):
        absolute_pressure("the pressure", -1.0)
    with pytest.raises(OutOfRange, match="more than zero"):
        from_gauge(-150e3, 98e3)


def test_a_gauge_pressure_for_an_absolute_one_is_told() -> None:
    with pytest.raises(OutOfRange, match=r"20 kPa gauge would be 121\.325 kPa absolute"):
        absolute_pressure("the pressure", 20e3, 101_325.0)


def test_celsius_for_kelvin_is_told() -> None:
    with pytest.raises(OutOfRange, match=r"22 °C would be 295\.15 K"):
        kelvin("the temperature", 22.0)
    with pytest.raises(OutOfRange, match="200 to 500 K"):
        kelvin("the temperature", 900.0)


def test_a_barometer_in_hectopascal_is_refused() -> None:
    with pytest.raises(OutOfRange, match="50 to 110 kPa"):
        barometer(1013.0)
