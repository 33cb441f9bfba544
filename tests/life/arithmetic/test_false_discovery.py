"""False discovery rates: what must hold whatever the p."""

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.suspects import false_discovery, smallest_of
from service.platform.arithmetic.errors import OutOfRange

PS = st.lists(st.floats(0, 1), min_size=1, max_size=30)


@given(PS)
def test_q_are_those_of_another_library(ps: list[float]) -> None:
    assert false_discovery(ps).q == pytest.approx(tuple(scipy.stats.false_discovery_control(ps)))


@given(PS)
def test_no_q_lies_below_its_p_and_order_is_kept(ps: list[float]) -> None:
    q = false_discovery(ps).q

    assert all(one >= p - 1e-12 for one, p in zip(q, ps, strict=True))
    in_order = [one for _, one in sorted(zip(ps, q, strict=True))]
    assert in_order == sorted(in_order)


@given(PS)
def test_more_looks_never_make_a_q_smaller(ps: list[float]) -> None:
    few, many = false_discovery(ps), false_discovery(ps, looks=len(ps) + 7)

    assert many.looked_at == few.looked_at + 7
    assert all(a <= b + 1e-12 for a, b in zip(few.q, many.q, strict=True))


def test_nothing_looked_at_finds_nothing() -> None:
    assert false_discovery([]).q == ()
    assert false_discovery([]).by_chance == 0.0
    assert smallest_of([], 3) == 1.0


def test_what_is_no_probability_is_refused() -> None:
    with pytest.raises(OutOfRange):
        false_discovery([0.5, 1.2])
    with pytest.raises(OutOfRange):
        false_discovery([0.5, 0.2], looks=1)
