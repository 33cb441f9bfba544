"""Exact tests, odds ratios and false discovery rates against printed values."""

import pytest
import scipy

from service.life.arithmetic.conditional_law import exact_test, odds_ratio
from service.life.arithmetic.suspects import false_discovery, one_by_chance
from tests.published.cases import cases

CASES = cases("suspects")


def test_the_lady_tasting_tea() -> None:
    case = CASES["lady tasting tea"]
    found, odds = exact_test(case["stratum"]), odds_ratio(case["stratum"], level=0.90)

    assert found
    assert odds
    case.check("p_greater", found.greater)
    case.check("p_two_sided", found.two_sided)
    case.check("odds_ratio", odds.value)
    case.check("one_sided_low", odds.low)


def test_twins_and_convictions() -> None:
    case = CASES["twins and convictions"]
    found, odds = exact_test(case["stratum"]), odds_ratio(case["stratum"])
    one_sided = odds_ratio(case["stratum"], level=0.90)

    assert found
    assert odds
    assert one_sided
    case.check("p_less", found.less)
    case.check("p_two_sided", found.two_sided)
    case.check("odds_ratio", odds.value)
    case.check("low", odds.low)
    case.check("high", odds.high)
    case.check("one_sided_high", one_sided.high)


def test_strata_together() -> None:
    case = CASES["penicillin in rabbits"]
    found, odds = exact_test(case["strata"]), odds_ratio(case["strata"])

    assert found
    assert odds
    case.check("p_two_sided", found.two_sided)
    case.check("p_greater", found.greater)
    case.check("odds_ratio", odds.value)


def test_fifteen_hypotheses() -> None:
    case = CASES["fifteen hypotheses"]

    found = false_discovery(case["p"])

    for at, q in enumerate(found.q):
        case.check("adjusted", q, at)
    assert sum(q <= case["q"] for q in found.q) == case.value("rejected")


def test_numbers_the_trade_is_told() -> None:
    """2 of 6 against 0 of 18; 3 of 6 against 1 of 18; twelve looks. Common practice, no source."""
    striking, unadjusted = exact_test([2, 6, 2, 24]), exact_test([3, 6, 4, 24])

    assert striking
    assert striking.greater == pytest.approx(0.054, abs=5e-4)
    assert unadjusted
    assert unadjusted.greater == pytest.approx(0.035, abs=5e-4)
    assert one_by_chance(12) == pytest.approx(0.46, abs=5e-3)


@pytest.mark.parametrize(
    ("both", "exposed", "failing", "total"),
    [(3, 6, 4, 24), (0, 10, 5, 50), (7, 90, 11, 300), (40, 900, 300, 9000), (5, 5, 9, 20)],
)
def test_one_table_against_another_library(
    both: int, exposed: int, failing: int, total: int
) -> None:
    """scipy's Fisher test and its conditional odds ratio."""
    table = [[both, exposed - both], [failing - both, total - exposed - failing + both]]
    another = scipy.stats.contingency.odds_ratio(table, kind="conditional")
    bounds = another.confidence_interval(0.95)

    found = exact_test([both, exposed, failing, total])
    odds = odds_ratio([both, exposed, failing, total])

    assert found
    assert odds
    assert found.two_sided == pytest.approx(scipy.stats.fisher_exact(table).pvalue, rel=1e-6)
    assert found.less == pytest.approx(
        scipy.stats.fisher_exact(table, alternative="less").pvalue, rel=1e-6
    )
    assert odds.value == pytest.approx(another.statistic, rel=1e-6)
    assert odds.low == pytest.approx(bounds.low, rel=1e-6)
    assert odds.high == pytest.approx(bounds.high, rel=1e-6)
