"""Exact tests and odds ratios: what must hold of every table."""

from itertools import product
from math import comb, isinf

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.life.arithmetic.conditional_law import exact_test, odds_ratio
from service.platform.arithmetic.errors import Inconsistent, OutOfRange


@st.composite
def tables(draw: st.DrawFn, most: int = 30) -> tuple[int, int, int, int]:
    """A table whose counts agree."""
    total = draw(st.integers(2, most))
    exposed, failing = draw(st.integers(0, total)), draw(st.integers(0, total))
    least, most_both = max(0, exposed + failing - total), min(exposed, failing)
    return draw(st.integers(least, most_both)), exposed, failing, total


def by_hand(strata: list[tuple[int, int, int, int]]) -> dict[int, float]:
    """The law of the sum, every combination of strata counted with whole numbers."""
    laws = []
    for _, exposed, failing, total in strata:
        least, most = max(0, exposed + failing - total), min(exposed, failing)
        ways = comb(total, failing)
        laws.append(
            [
                (k, comb(exposed, k) * comb(total - exposed, failing - k) / ways)
                for k in range(least, most + 1)
            ]
        )
    whole: dict[int, float] = {}
    for choice in product(*laws):
        share = 1.0
        for _, its in choice:
            share *= its
        total_k = sum(k for k, _ in choice)
        whole[total_k] = whole.get(total_k, 0.0) + share
    return whole


@given(st.lists(tables(8), min_size=1, max_size=3))
def test_strata_are_summed_as_by_hand(strata: list[tuple[int, int, int, int]]) -> None:
    found = exact_test(strata)
    assume(found is not None)
    whole, seen = by_hand(strata), sum(stratum[0] for stratum in strata)

    assert found
    assert found.greater == pytest.approx(sum(p for k, p in whole.items() if k >= seen))
    assert found.less == pytest.approx(sum(p for k, p in whole.items() if k <= seen))
    rare = sum(p for p in whole.values() if p <= whole[seen] * (1 + 1e-7))
    assert found.two_sided == pytest.approx(rare)
    assert found.mid_greater == pytest.approx(found.greater - whole[seen] / 2)


@given(tables())
def test_whom_one_calls_exposed_does_not_matter(table: tuple[int, int, int, int]) -> None:
    both, exposed, failing, total = table
    other = (failing - both, total - exposed, failing, total)
    found, turned = exact_test(table), exact_test(other)

    assert (found is None) == (turned is None)
    if found and turned:
        assert found.two_sided == pytest.approx(turned.two_sided)
        assert found.greater == pytest.approx(turned.less)


@given(st.lists(tables(), min_size=1, max_size=4))
def test_the_interval_holds_the_likeliest_value(strata: list[tuple[int, int, int, int]]) -> None:
    odds = odds_ratio(strata)
    wider = odds_ratio(strata, level=0.99)
    assume(odds is not None)

    assert odds
    assert wider
    assert odds.low <= odds.value <= odds.high
    assert wider.low <= odds.low
    assert odds.high <= wider.high
    assert not isinf(odds.with_half)
    assert odds.with_half > 0


@given(tables())
def test_interval_and_one_sided_test_agree(table: tuple[int, int, int, int]) -> None:
    """The lower bound lies above one just where the tail's p is below half the rest."""
    found, odds = exact_test(table), odds_ratio(table)
    assume(found is not None and abs(found.greater - 0.025) > 1e-6)

    assert found
    assert odds
    assert (odds.low > 1) == (found.greater < 0.025)


def test_many_units_keep_their_far_tails() -> None:
    """100 000 MEAs, ten strata: an odds ratio of six is still found, with a finite interval."""
    odds = odds_ratio([(15, 300, 100, 10_000)] * 10)

    assert odds
    assert odds.value == pytest.approx(5.98, abs=0.1)
    assert 4.5 < odds.low < odds.value < odds.high < 8


def test_far_tails_of_several_strata_do_not_stop_the_search() -> None:
    """Small strata beside a wide one: shares at the end of the law are too small to be told."""
    odds = odds_ratio([(3, 900, 40, 60_000)] * 5 + [(1, 2, 3, 9)])

    assert odds
    assert 0 < odds.low < odds.value < odds.high


def test_strata_that_tell_nothing_change_nothing() -> None:
    alone = exact_test([3, 4, 4, 8])

    assert exact_test([(3, 4, 4, 8), (0, 0, 2, 9), (5, 5, 5, 5)]) == alone
    assert exact_test([0, 0, 2, 9]) is None
    assert odds_ratio([0, 0, 2, 9]) is None


def test_counts_must_agree() -> None:
    with pytest.raises(Inconsistent, match="cannot be both"):
        exact_test([5, 4, 4, 8])
    with pytest.raises(OutOfRange, match="level"):
        odds_ratio([3, 4, 4, 8], level=95)
