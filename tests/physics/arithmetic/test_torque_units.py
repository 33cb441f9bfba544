"""Torque in the units that stand on tools, against the published factors."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.clamping import (
    IN_NEWTON_METRES,
    likely_units,
    read_torque_text,
    torque_unit,
)
from service.platform.arithmetic.errors import OutOfRange


@pytest.mark.parametrize(
    ("unit", "published_nm"),
    [
        # NIST Special Publication 811 (2008), appendix B.8, "moment of force or torque":
        # pound-force foot 1.355 818 E+00, pound-force inch 1.129 848 E-01 N·m.
        ("ft·lbf", 1.355818),
        ("in·lbf", 0.1129848),
    ],
)
def test_factors_are_the_published_ones_to_all_printed_digits(
    unit: str, published_nm: float
) -> None:
    assert IN_NEWTON_METRES[unit] == pytest.approx(published_nm, rel=5e-7)


@pytest.mark.parametrize(
    ("text", "nm", "unit"),
    [
        ("8.5", 8.5, "N·m"),
        ("8,5", 8.5, "N·m"),
        ("8.5 Nm", 8.5, "N·m"),
        ("850 cN·m", 8.5, "cN·m"),
        ("75 in-lbs", 8.4739, "in·lbf"),
        ("6.3 lbf.ft", 8.5417, "ft·lbf"),
        (" 12\u2009N·m ", 12.0, "N·m"),
    ],
)
def test_a_torque_is_read_as_people_write_it(text: str, nm: float, unit: str) -> None:
    value, read = read_torque_text(text)

    assert value == pytest.approx(nm, abs=5e-5)
    assert read == unit


@pytest.mark.parametrize("text", ["", "tight", "-3", "0", "8 bar", "8.5 N·m 4", "1,234", "--5"])
def test_what_is_no_torque_is_refused(text: str) -> None:
    with pytest.raises(OutOfRange):
        read_torque_text(text)


@given(st.floats(0.01, 500), st.sampled_from(sorted(IN_NEWTON_METRES)))
def test_unit_written_and_unit_given_apart_mean_the_same(value: float, unit: str) -> None:
    text = f"{value:.4f}"

    assert read_torque_text(f"{text} {unit}") == read_torque_text(text, unit)
    assert torque_unit(unit.replace("·", "-").lower()) == unit


def test_a_number_far_off_is_told_in_which_unit_it_would_fit() -> None:
    assert likely_units(75, 8.5) == ("in·lbf",)
    assert likely_units(850, 8.5) == ("cN·m",)
    assert likely_units(8.5, 8.5) == ("N·m", "ft·lbf")
