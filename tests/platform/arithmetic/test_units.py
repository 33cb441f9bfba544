"""Units: every factor against another library, there and back, and what is refused."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.units import (
    IN_SI,
    Measure,
    from_si,
    labels,
    read_quantity,
    to_si,
    unit_label,
)

EVERY = [(measure, label) for measure in Measure for label in labels(measure)]
IN_PINT = {
    "N·m": "N*m",
    "cN·m": "cN*m",
    "in·lbf": "inch*lbf",
    "ft·lbf": "foot*lbf",
    "lbf": "lbf",
    "kgf": "kgf",
    "N/mm²": "N/mm**2",
    "Torr": "torr",
    "µm": "micrometer",
    "in": "inch",
    "m²": "m**2",
    "cm²": "cm**2",
    "mm²": "mm**2",
    "in²": "inch**2",
    "m³": "m**3",
    "cm³": "cm**3",
    "Pa·m³/s": "Pa*m**3/s",
    "mbar·L/s": "mbar*L/s",
    "sccm": "atm*cm**3/min",
    "Torr·L/s": "torr*L/s",
    "atm·cm³/s": "atm*cm**3/s",
    "m³/s": "m**3/s",
    "cm³/min": "cm**3/min",
    "m³/h": "m**3/hour",
    "L/h": "L/hour",
    "lbf/in": "lbf/inch",
    "N/µm": "N/micrometer",
    "°C": "degC",
    "°F": "degF",
    "Ω": "ohm",
    "µΩ": "microohm",
    "mΩ": "milliohm",
    "kΩ": "kiloohm",
    "MΩ": "megaohm",
    "GΩ": "gigaohm",
    "µA": "microampere",
    "A/m²": "A/m**2",
    "A/cm²": "A/cm**2",
    "mA/cm²": "mA/cm**2",
    "kg/h": "kg/hour",
    "h": "hour",
    "°": "degree",
    "turns": "turn",
    "µm/(m·K)": "micrometer/m/K",
    "S/m": "siemens/m",
    "mS/cm": "millisiemens/cm",
    "µS/cm": "microsiemens/cm",
    "µS/m": "microsiemens/m",
}


@pytest.fixture(scope="module")
def registry() -> Any:
    """The other library's units, which take a second to load."""
    import pint

    return pint.UnitRegistry()


@pytest.mark.parametrize(("measure", "label"), EVERY)
def test_every_factor_is_that_of_another_library(
    registry: Any, measure: Measure, label: str
) -> None:
    si = labels(measure)[0]
    other, base = (IN_PINT.get(unit, unit) for unit in (label, si))
    if measure is Measure.TEMPERATURE_CHANGE:
        other = {"degC": "delta_degC", "degF": "delta_degF"}.get(other, other)

    found = registry.Quantity(3.7, other).to(base).magnitude

    assert to_si(3.7, label, measure) == pytest.approx(found, rel=1e-12)


@given(st.sampled_from(EVERY), st.floats(-1e9, 1e9))
def test_there_and_back(unit: tuple[Measure, str], si: float) -> None:
    measure, label = unit
    si = abs(si) if measure is Measure.TEMPERATURE else si

    assert math.isclose(
        to_si(from_si(si, label, measure), label, measure), si, rel_tol=1e-12, abs_tol=1e-9
    )


@pytest.mark.parametrize(
    ("text", "measure", "label"),
    [
        ("Nm", Measure.TORQUE, "N·m"),
        ("NM", Measure.TORQUE, "N·m"),
        ("lbs-in", Measure.TORQUE, "in·lbf"),
        ("ft lb", Measure.TORQUE, "ft·lbf"),
        ("mbar*l/s", Measure.LEAK_RATE, "mbar·L/s"),
        ("Pa m3/s", Measure.LEAK_RATE, "Pa·m³/s"),
        ("SCCM", Measure.LEAK_RATE, "sccm"),
        ("um", Measure.LENGTH, "µm"),
        ("μm", Measure.LENGTH, "µm"),
        ("MPA", Measure.PRESSURE, "MPa"),
        ("Mohm", Measure.RESISTANCE, "MΩ"),
        ("mohm", Measure.RESISTANCE, "mΩ"),
        ("\u2126", Measure.RESISTANCE, "Ω"),
        ("C", Measure.TEMPERATURE, "°C"),
        ("l/min", Measure.FLOW, "L/min"),
    ],
)
def test_spellings(text: str, measure: Measure, label: str) -> None:
    assert unit_label(text, measure) == label


@pytest.mark.parametrize(
    ("text", "measure"),
    [
        ("mPa", Measure.PRESSURE),
        ("bar", Measure.TORQUE),
        ("", Measure.LENGTH),
        ("Nm/s", Measure.TORQUE),
    ],
)
def test_other_units_are_refused_with_those_that_are_right(text: str, measure: Measure) -> None:
    with pytest.raises(OutOfRange, match=r"the unit is .*; allowed: .*, "):
        unit_label(text, measure)


@pytest.mark.parametrize(
    ("text", "si", "label"),
    [
        ("8,5 Nm", 8.5, "N·m"),
        ("75in-lb", 75 * IN_SI[Measure.TORQUE]["in·lbf"], "in·lbf"),
        ("12 500 cNm", 125.0, "cN·m"),
        ("8.5", 0.085, "cN·m"),
        ("1e1", 0.1, "cN·m"),
    ],
)
def test_a_quantity_as_typed(text: str, si: float, label: str) -> None:
    entry = read_quantity(text, Measure.TORQUE, "cN·m")

    assert (entry.si, entry.unit) == (pytest.approx(si), label)


@pytest.mark.parametrize("text", ["", "tight", "Nm", "1,234 Nm"])
def test_what_is_no_quantity_is_refused(text: str) -> None:
    with pytest.raises(OutOfRange):
        read_quantity(text, Measure.TORQUE, "N·m")


def test_nothing_is_colder_than_absolute_zero() -> None:
    with pytest.raises(OutOfRange, match="above absolute zero"):
        to_si(-300.0, "°C", Measure.TEMPERATURE)
    assert to_si(32.0, "°F", Measure.TEMPERATURE) == pytest.approx(273.15)


def test_no_number_is_refused() -> None:
    with pytest.raises(OutOfRange, match="allowed: a number"):
        to_si(math.nan, "N", Measure.FORCE)
