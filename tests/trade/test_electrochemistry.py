"""Reversible voltages: derivatives, limits, and what the models refuse."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.trade.electrochemistry import (
    STANDARD_PA,
    gas_effect,
    nernst_voltage,
    reversible_voltage,
    tafel_slope,
    voltage_coefficient,
)
from service.trade.errors import OutOfRange
from service.trade.semi_empirical import ExponentialEnd, SemiEmpirical, semi_empirical

STACK = SemiEmpirical(24, 27.0, 0.0127, 0.86, -0.952, 3.04e-3, 7.7e-5, -1.88e-4, 1e-4, 0.0257, 22.7)
TEMPERATURES = st.floats(275.0, 398.0)


def test_the_coefficient_is_the_slope_of_the_voltage() -> None:
    slope = (reversible_voltage(299.15) - reversible_voltage(297.15)) / 2

    assert slope == pytest.approx(voltage_coefficient(), rel=1e-3)


@given(TEMPERATURES)
def test_gases_at_the_standard_pressure_change_nothing(temperature: float) -> None:
    assert nernst_voltage(temperature, STANDARD_PA, STANDARD_PA) == reversible_voltage(temperature)


@given(TEMPERATURES, st.floats(0.05, 5.0), st.floats(0.05, 5.0))
def test_effects_of_two_gases_add_up(temperature: float, hydrogen: float, oxygen: float) -> None:
    both = gas_effect(temperature, hydrogen, oxygen)

    assert both == pytest.approx(
        gas_effect(temperature, hydrogen) + gas_effect(temperature, 1.0, oxygen), abs=1e-12
    )


@given(st.floats(1.0, 10.0), st.floats(1.0, 10.0))
def test_more_current_gives_less_voltage(one: float, more: float) -> None:
    less, further = sorted((one, one + more))

    assert (
        semi_empirical(STACK, less, 353.15, 1.5, 0.21).cell_v
        > semi_empirical(STACK, further, 353.15, 1.5, 0.21).cell_v
    )


def test_the_parts_add_up_to_the_cell() -> None:
    found = semi_empirical(STACK, 10.0, 353.15, 1.5, 0.21)

    assert found.cell_v == pytest.approx(
        found.reversible_v - found.activation_v - found.ohmic_v - found.concentration_v
    )
    assert found.stack_v == pytest.approx(24 * found.cell_v)


def test_what_the_equations_do_not_hold_for_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"0\.86"):
        semi_empirical(STACK, 24.0, 353.15, 1.5, 0.21)
    with pytest.raises(OutOfRange, match="K"):
        reversible_voltage(80.0)
    with pytest.raises(OutOfRange, match="273 to 400"):
        reversible_voltage(450.0)
    with pytest.raises(OutOfRange):
        tafel_slope(353.15, 0.0)
    with pytest.raises(OutOfRange):
        gas_effect(353.15, 0.0)
    with pytest.raises(OutOfRange):
        semi_empirical(replace(STACK, cells=0), 10.0, 353.15, 1.5, 0.21)
    with pytest.raises(OutOfRange):
        ExponentialEnd(1.03, 0.03, 2.45e-4, 2.1e-5, 8e-3).voltage_v(0.0)
