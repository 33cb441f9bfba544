"""The usual accuracy of instruments."""

import pytest

from service.platform.arithmetic.errors import OutOfRange
from service.store.arithmetic.instruments import KINDS, driver_percent, instrument_accuracy
from service.store.tables import Instrument


def test_every_kind_has_a_figure_and_says_where_it_is_from() -> None:
    for kind in KINDS:
        found = instrument_accuracy(kind)
        assert found.percent > 0 or found.least > 0
        assert found.source


def test_a_driver_is_as_good_as_the_class_of_its_range() -> None:
    """A 60 N·m driver may be 4 % off at 8 N·m too; without a range the torque says the class."""
    drivers = [
        Instrument(kind="torque driver", label="TD", unit=unit, range_most=most)
        for unit, most in (("N·m", 60.0), ("N·m", 10.0), ("cN·m", 900.0), ("", None))
    ]

    assert [driver_percent(driver, 8.0) for driver in drivers] == [4.0, 6.0, 6.0, 6.0]
    assert driver_percent(drivers[-1], 12.0) == 4.0


def test_an_unknown_kind_is_refused_with_those_known() -> None:
    with pytest.raises(OutOfRange, match="spirit level; allowed: torque driver"):
        instrument_accuracy("spirit level")
