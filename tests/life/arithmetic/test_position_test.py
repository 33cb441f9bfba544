"""Place within the stack: all ways of dealing the failing to the cells."""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.position_test import from_nearer_end, position_test
from service.platform.arithmetic.errors import Inconsistent

STACK = st.integers(2, 6).flatmap(
    lambda cells: st.lists(st.booleans(), min_size=cells, max_size=cells)
)


@given(st.lists(STACK, min_size=1, max_size=3))
def test_p_is_that_of_every_way_written_out(stacks: list[list[bool]]) -> None:
    number = [at for at, down in enumerate(stacks) for _ in down]
    far = [d for down in stacks for d in from_nearer_end(range(1, len(down) + 1), len(down))]
    fails = [one for down in stacks for one in down]
    ways = []
    for at, down in enumerate(stacks):
        here = [d for d, its in zip(far, number, strict=True) if its == at]
        ways.append([sum(way) for way in combinations(here, sum(down))])
    sums = np.array([sum(way) for way in product(*ways)])
    seen = sum(d for d, down in zip(far, fails, strict=True) if down)

    found = position_test(number, far, fails)

    extreme = np.abs(sums - sums.mean()) >= abs(seen - sums.mean()) - 1e-9
    assert found.p == pytest.approx(extreme.mean())
    assert found.counted


def test_of_many_the_normal_law_agrees_with_all_ways(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(7)
    stack, far = np.repeat(np.arange(30), 20), np.tile(from_nearer_end(range(1, 21), 20), 30)
    fails = rng.random(600) < np.where(far < 2, 0.35, 0.2)

    counted = position_test(stack, far, fails)
    monkeypatch.setattr("service.life.arithmetic.position_test.MOST_COUNTED", 0)
    normal = position_test(stack, far, fails)

    assert counted.counted
    assert not normal.counted
    assert normal.p == pytest.approx(counted.p, abs=0.01)


@pytest.mark.parametrize(("cells", "failing"), [(600, 200), (601, 199), (41, 40)])
def test_many_in_one_large_stack_are_counted(cells: int, failing: int) -> None:
    rng = np.random.default_rng(cells)
    far = from_nearer_end(range(1, cells + 1), cells)
    fails = np.isin(np.arange(cells), rng.choice(cells, failing, replace=False))

    all_ways = position_test([1] * cells, far, fails)
    of_others = position_test([1] * cells, far, ~fails)

    assert all_ways.counted == (failing * cells**2 <= 200 * 600**2)
    assert all_ways.p == pytest.approx(of_others.p, abs=0.01)


def test_the_failing_lie_as_oddly_as_those_that_do_not_fail() -> None:
    """Counted both ways: dealing 70 of 180 cells leaves 110, whose sum is as far from its mean."""
    far = from_nearer_end(range(1, 181), 180)
    fails = np.isin(np.arange(180), np.random.default_rng(3).choice(180, 70, replace=False))

    assert position_test([1] * 180, far, fails).p == pytest.approx(
        position_test([1] * 180, far, ~fails).p, rel=1e-9
    )


def test_the_same_seen_again_within_each_stack_tells_more() -> None:
    down = [True, False, False, False, False, False, False, True]
    far = from_nearer_end(range(1, 9), 8)
    once = position_test([1] * 8, far, down)
    twice = position_test([1] * 8 + [2] * 8, np.tile(far, 2), down * 2)

    assert twice.p < once.p
    assert twice.stacks == 2
    assert twice.at_ends == 4
    assert twice.mean == 0
    assert twice.expected == pytest.approx(1.5)


def test_stacks_that_all_fail_tell_nothing() -> None:
    found = position_test([1, 1, 2, 2], [0, 1, 0, 1], [True, True, False, False])

    assert found.failing == 0
    assert found.p == 1.0
    assert found.ends is None


def test_arrays_must_fit() -> None:
    with pytest.raises(Inconsistent):
        position_test([1, 1], [0], [True, False])
