"""Which factors can be told apart, and the grid."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.life.arithmetic.confounding import OTHERS, UNKNOWN, Apart, grid, overlap
from service.platform.arithmetic.errors import Inconsistent

CODES = st.lists(st.tuples(st.integers(-1, 3), st.integers(-1, 3)), min_size=1, max_size=40)


def test_a_lot_only_ever_at_the_ends_cannot_be_told_apart() -> None:
    """24 cells, lot A only in cells 1 to 6, and nothing else there."""
    found = overlap([0] * 6, [6, 18])

    assert found.apart is Apart.NO
    assert found.inside == 0


def test_a_lot_spread_over_all_places_can() -> None:
    found = overlap([0, 1, 2], [2, 2, 2])

    assert found.apart is Apart.YES
    assert found.inside is None
    assert found.within_share == pytest.approx(1.0)


def test_where_nothing_varies_nothing_can_be_told_apart() -> None:
    assert overlap([0, 1], [1, 1]).apart is Apart.NO
    assert overlap([UNKNOWN], []).n == 0
    with pytest.raises(Inconsistent):
        overlap([0, 0], [1])


@given(CODES)
def test_what_is_left_is_one_less_the_correlation_ratio(codes: list[tuple[int, int]]) -> None:
    """η² by sums of squares between and within, as textbooks define it."""
    pairs = [(a == 0, b) for a, b in codes if b >= 0]
    y = np.array([float(member) for member, _ in pairs])
    other = np.array([b for _, b in pairs], dtype=int)
    assume(y.size > 0 and 0 < y.mean() < 1)
    between = sum(
        (other == b).sum() * (y[other == b].mean() - y.mean()) ** 2 for b in set(other.tolist())
    )

    found = overlap(other[y > 0], np.bincount(other))

    assert found.within_share == pytest.approx(1 - between / ((y - y.mean()) ** 2).sum(), abs=1e-9)


@given(CODES, st.integers(1, 3))
def test_the_grid_loses_nobody(codes: list[tuple[int, int]], most: int) -> None:
    a, b = (np.array(column) for column in zip(*codes, strict=True))
    fails = (a + b) % 2 == 0

    found = grid(a, b, a, fails, most=most)

    assert found.all.sum() == a.size
    assert found.failing.sum() == fails.sum()
    assert (found.failing <= found.all).all()


def test_the_lots_with_failing_stand_first_and_the_rest_together() -> None:
    lots, fails = np.array([0, 0, 1, 2, 3, -1]), np.array([0, 0, 0, 1, 0, 0], dtype=bool)

    found = grid(lots, np.zeros(6, dtype=int), np.zeros(6, dtype=int), fails, most=2)

    assert found.rows == (2, 0, OTHERS, UNKNOWN)
    assert found.all[:, 0, 0].tolist() == [1, 2, 2, 1]
    assert found.failing[:, 0, 0].tolist() == [1, 0, 0, 0]
