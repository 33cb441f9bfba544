"""Lives against published tables, and against a second library on public data sets.

That library takes a second to load, so a test which needs it loads it.
"""

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest
import scipy

from service.life.arithmetic.kaplan_meier import kaplan_meier
from service.life.arithmetic.life_by_group import failure_rate
from service.life.arithmetic.lifetimes import Lives, at_risk
from service.life.arithmetic.log_rank import log_rank
from service.life.arithmetic.weibull import weibull
from tests.published.cases import cases

CASES = cases("lifetimes")


def lives(exits: list[float], failed: list[int], entries: list[float] | None = None) -> Lives:
    entry = np.zeros(len(exits)) if entries is None else np.array(entries, dtype=float)
    return Lives(entry, np.array(exits, dtype=float), np.array(failed, dtype=bool))


SIX_MP = lives(CASES["ST-01"]["times"], CASES["ST-01"]["event"])
PLACEBO = lives(CASES["ST-02"]["group2_times"], [1] * 21)


def test_the_share_in_remission_under_6_mp() -> None:
    case = CASES["ST-01"]

    curve = kaplan_meier(SIX_MP)

    assert curve.times_h.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    for at, share in enumerate(curve.shares):
        case.check("S_at_6_7_10_13_16_22_23", share, at)
    case.check("se_at_6", curve.standard_errors[0])
    assert curve.median_h == case.value("median")


def test_6_mp_against_placebo() -> None:
    case = CASES["ST-02"]

    test = log_rank([SIX_MP, PLACEBO])

    case.check("chi2", test.chi_square)
    case.check("p", test.p)
    case.check("expected_6MP", test.expected[0])
    assert test.observed.tolist() == [9, 21]
    assert kaplan_meier(PLACEBO).median_h == case.value("median_placebo")


def test_a_weibull_law_with_ten_of_twenty_unfailed() -> None:
    case = CASES["ST-04"]
    ends = case["failures"]

    law = weibull(lives([*ends, *[500] * 10], [1] * 10 + [0] * 10))

    case.check("beta", law.shape)
    case.check("eta", law.scale_h)
    case.check("lnL", law.log_likelihood)


def test_the_interval_of_a_rate_from_two_failures() -> None:
    case = CASES["ST-18"]

    found = failure_rate(case["r"], case["T"], case["level"])
    mean, low, high = (1000 / each for each in (found.per_1000_h, found.high, found.low))

    case.check("MTBF", mean)
    case.check("lo", low)
    case.check("hi", high)
    case.check("factor_lo", low / mean)
    case.check("factor_hi", high / mean)


def test_numbers_at_risk_of_people_watched_from_an_age_on() -> None:
    case = CASES["LATE"]
    watched = lives(case["exit"], case["died"], case["entry"])

    curve = kaplan_meier(watched)

    assert curve.at_risk[:2].tolist() == case.value("at_risk_at_60_62")
    assert curve.failures[:2].tolist() == case.value("died_at_60_62")
    case.check("hazard_at_60", 1 - curve.shares[0])
    assert at_risk(watched, np.array([60.0]))[0] == 3


def macs() -> Lives:
    """78 people after a diagnosis, watched from some years after it: Cole & Hudgens 2010."""
    from lifelines.datasets import load_multicenter_aids_cohort_study

    table = load_multicenter_aids_cohort_study()
    return lives(table["T"].tolist(), table["D"].tolist(), table["W"].tolist())


def larynx(at: int) -> Lives:
    """Patients in one of four stages, 90 in all: Kardaun 1983."""
    from lifelines.datasets import load_larynx

    table = load_larynx()
    stage = np.where(
        table["Stage_II"] == 1, 2, np.where(table["Stage_III"] == 1, 3,
                                            np.where(table["Stage_IV"] == 1, 4, 1))
    )  # fmt: skip
    return lives(table["time"][stage == at].tolist(), table["death"][stage == at].tolist())


def lung() -> Lives:
    """228 patients: Loprinzi et al. 1994."""
    from lifelines.datasets import load_lung

    table = load_lung()
    return lives(table["time"].tolist(), table["status"].tolist())


def censored(group: Lives) -> Any:
    """Say of people's lives to scipy what is known."""
    return scipy.stats.CensoredData(group.exit_h[group.failed], right=group.exit_h[~group.failed])


def psychiatric() -> Lives:
    """26 patients by age, admitted at an age: Woolson 1981."""
    from lifelines.datasets import load_psychiatric_patients

    table = load_psychiatric_patients()
    return lives((table["Age"] + table["T"]).tolist(), table["C"].tolist(), table["Age"].tolist())


STAGES = [partial(larynx, at) for at in (1, 2, 3, 4)]


@pytest.mark.parametrize("group", [macs, lung, psychiatric, *STAGES, lambda: SIX_MP])
def test_shares_and_intervals_are_those_of_the_second_library(group: Callable[[], Lives]) -> None:
    from lifelines import KaplanMeierFitter

    watched = group()
    other = KaplanMeierFitter(alpha=0.05)
    entry = watched.entry_h if (watched.entry_h > 0).any() else None
    other.fit(watched.exit_h, watched.failed, entry=entry)

    curve = kaplan_meier(watched)

    theirs = other.survival_function_.iloc[:, 0]
    ends = other.confidence_interval_
    for at, time in enumerate(curve.times_h):
        assert curve.shares[at] == pytest.approx(theirs.loc[time], abs=1e-9)
        if 0 < curve.shares[at] < 1:
            assert curve.lows[at] == pytest.approx(ends.loc[time].iloc[0], abs=1e-6)
            assert curve.highs[at] == pytest.approx(ends.loc[time].iloc[1], abs=1e-6)
    assert len(curve.times_h) > 3


@pytest.mark.parametrize("group", [lung, *STAGES, lambda: SIX_MP])
def test_without_late_entry_shares_and_intervals_are_scipys(group: Callable[[], Lives]) -> None:
    watched = group()
    sample = censored(watched)
    theirs = scipy.stats.ecdf(sample).sf
    interval = theirs.confidence_interval(0.95, method="log-log")

    curve = kaplan_meier(watched)

    assert curve.shares == pytest.approx(theirs.evaluate(curve.times_h), abs=1e-12)
    inside = curve.shares > 0
    assert curve.lows[inside] == pytest.approx(
        interval.low.evaluate(curve.times_h)[inside], abs=1e-9
    )
    assert curve.highs[inside] == pytest.approx(
        interval.high.evaluate(curve.times_h)[inside], abs=1e-9
    )


def test_four_stages_are_compared_as_the_second_library_does() -> None:
    from lifelines.statistics import multivariate_logrank_test

    groups = [larynx(at) for at in (1, 2, 3, 4)]
    theirs = multivariate_logrank_test(
        np.concatenate([group.exit_h for group in groups]),
        np.concatenate([[at] * group.n for at, group in enumerate(groups)]),
        np.concatenate([group.failed for group in groups]),
    )

    test = log_rank(groups)

    assert test.chi_square == pytest.approx(theirs.test_statistic, rel=1e-9)
    assert test.p == pytest.approx(theirs.p_value, rel=1e-6)
    assert test.freedom == 3


def test_two_groups_are_compared_as_scipy_does() -> None:
    theirs = scipy.stats.logrank(censored(SIX_MP), censored(PLACEBO))

    test = log_rank([SIX_MP, PLACEBO])

    assert test.chi_square == pytest.approx(theirs.statistic**2, rel=1e-9)
    assert test.p == pytest.approx(theirs.pvalue, rel=1e-9)


@pytest.mark.parametrize("group", [macs, lung, STAGES[0], psychiatric])
def test_weibull_laws_are_those_of_the_second_library(group: Callable[[], Lives]) -> None:
    from lifelines import WeibullFitter

    watched = group()
    other = WeibullFitter()
    entry = watched.entry_h if (watched.entry_h > 0).any() else None
    other.fit(watched.exit_h, watched.failed, entry=entry)

    law = weibull(watched)

    assert law.shape == pytest.approx(other.rho_, rel=2e-4)
    assert law.scale_h == pytest.approx(other.lambda_, rel=2e-4)
    assert law.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-3)
    spread = np.sqrt(np.diag(np.array(law.covariance)))
    errors = other.summary["se(coef)"]
    assert spread[0] * law.shape == pytest.approx(errors["rho_"], rel=5e-3)
    assert spread[1] * law.scale_h == pytest.approx(errors["lambda_"], rel=5e-3)
