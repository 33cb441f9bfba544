"""The usual accuracy of instruments."""

import pytest

from service.physics.arithmetic.clamping import permissible_deviation
from service.platform.arithmetic.errors import OutOfRange
from service.store.arithmetic.instruments import KINDS, instrument_accuracy


def test_every_kind_has_a_figure_and_says_where_it_is_from() -> None:
    for kind in KINDS:
        found = instrument_accuracy(kind)
        assert found.percent > 0 or found.least > 0
        assert found.source


@pytest.mark.parametrize("torque_nm", [2.0, 10.0, 10.1, 60.0])
def test_a_driver_is_as_good_as_its_class_at_this_torque(torque_nm: float) -> None:
    found = instrument_accuracy("torque driver", torque_nm)

    assert found.percent / 100 == pytest.approx(permissible_deviation(torque_nm))


def test_an_unknown_kind_is_refused_with_those_known() -> None:
    with pytest.raises(OutOfRange, match="spirit level; allowed: torque driver"):
        instrument_accuracy("spirit level")
