"""Lives with late entry: who counts when, by the definition and whatever way they are told."""

from math import exp, inf, isnan, log

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.life.arithmetic.kaplan_meier import kaplan_meier
from service.life.arithmetic.life_by_group import failure_rate, life_by_group
from service.life.arithmetic.lifetimes import End, Life, Lives, at_risk, lives_of
from service.life.arithmetic.log_rank import log_rank
from service.life.arithmetic.weibull import weibull
from service.platform.arithmetic.errors import Inconsistent, NoSolution, OutOfRange

ENDS = st.sampled_from([End.FAILED, End.REMOVED, End.RUNNING])
ONE = st.builds(
    lambda entry, lived, end: Life(float(entry), float(entry + lived), end),
    st.sampled_from([0, 0, 0, 3, 7]), st.integers(1, 12), ENDS,
)  # fmt: skip
MANY = st.lists(ONE, min_size=1, max_size=25)


def inside(life: Life, time: float) -> bool:
    return (life.entry_h < time or life.entry_h == 0) and time <= life.exit_h


@given(MANY)
def test_the_share_is_the_product_over_the_failures(told: list[Life]) -> None:
    curve = kaplan_meier(lives_of(told))

    share = 1.0
    for at, time in enumerate(sorted({life.exit_h for life in told if life.end is End.FAILED})):
        risk = sum(inside(life, time) for life in told)
        died = sum(life.exit_h == time and life.end is End.FAILED for life in told)
        share *= 1 - died / risk
        assert (curve.times_h[at], curve.at_risk[at], curve.failures[at]) == (time, risk, died)
        assert curve.shares[at] == pytest.approx(share, abs=1e-12)
        assert curve.share_at(time) == curve.shares[at]
        assert isnan(curve.lows[at]) or curve.lows[at] <= share <= curve.highs[at]


@given(MANY, st.integers(1, 10))
def test_a_life_told_in_two_pieces_is_the_same_life(told: list[Life], cut: int) -> None:
    pieces = []
    for life in told:
        if life.entry_h < cut < life.exit_h:
            pieces += [life._replace(exit_h=float(cut), end=End.REMOVED),
                       life._replace(entry_h=float(cut))]  # fmt: skip
        else:
            pieces.append(life)

    whole, split = kaplan_meier(lives_of(told)), kaplan_meier(lives_of(pieces))

    assert whole.shares == pytest.approx(split.shares)
    assert whole.lows == pytest.approx(split.lows, nan_ok=True)
    assert lives_of(told).watched_h == pytest.approx(lives_of(pieces).watched_h)


def by_definition(groups: list[list[Life]]) -> tuple[float, list[float]]:
    """Log-rank chi-square of two groups, one failure time after the other."""
    off, spread, expected = 0.0, 0.0, [0.0, 0.0]
    for time in sorted({one.exit_h for group in groups for one in group if one.end is End.FAILED}):
        risk = [sum(inside(one, time) for one in group) for group in groups]
        died = [
            sum(one.exit_h == time and one.end is End.FAILED for one in group) for group in groups
        ]
        n, d = sum(risk), sum(died)
        for at in (0, 1):
            expected[at] += d * risk[at] / n
        off += died[0] - d * risk[0] / n
        if n > 1:
            spread += d * (risk[0] / n) * (1 - risk[0] / n) * (n - d) / (n - 1)
    return (off**2 / spread if spread > 0 else inf), expected


@given(MANY, MANY)
def test_two_groups_with_late_entry_are_compared_by_the_definition(
    a: list[Life], b: list[Life]
) -> None:
    chi_square, expected = by_definition([a, b])
    assume(chi_square < inf)

    test = log_rank([lives_of(a), lives_of(b)])

    assert test.chi_square == pytest.approx(chi_square, rel=1e-6, abs=1e-9)
    assert test.expected == pytest.approx(expected)
    assert test.freedom == 1
    assert test.observed.sum() == pytest.approx(test.expected.sum())


@given(MANY, MANY, MANY)
def test_the_order_of_groups_does_not_matter(a: list[Life], b: list[Life], c: list[Life]) -> None:
    groups = [lives_of(lives) for lives in (a, b, c)]
    try:
        test = log_rank(groups)
    except NoSolution:
        with pytest.raises(NoSolution):
            log_rank(groups[::-1])
        return

    turned = log_rank(groups[::-1])

    assert test.chi_square == pytest.approx(turned.chi_square, rel=1e-6, abs=1e-9)
    assert (test.freedom, test.p) == (turned.freedom, pytest.approx(turned.p, rel=1e-6))
    assert 0 <= test.p <= 1


def test_groups_never_watched_at_the_same_hours_cannot_be_compared() -> None:
    early = lives_of([Life(0, 5, End.FAILED), Life(0, 6, End.RUNNING), Life(0, 6, End.RUNNING)])
    later = lives_of([Life(10, 15, End.FAILED), Life(10, 16, End.RUNNING)])

    with pytest.raises(NoSolution):
        log_rank([early, later])


def test_two_pairs_apart_have_two_degrees_of_freedom_not_three() -> None:
    early = [lives_of([Life(0, t, End.FAILED), Life(0, 9, End.RUNNING)]) for t in (3, 5)]
    later = [lives_of([Life(20, t, End.FAILED), Life(20, 40, End.RUNNING)]) for t in (23, 25)]

    assert log_rank(early + later).freedom == 2


def test_late_entry_left_out_would_flatter_the_share() -> None:
    """Ten came with 1 000 h behind them; that they had survived those is no evidence."""
    told = [Life(0, t, End.FAILED) for t in (200, 400, 600)] + [Life(0, 1500, End.RUNNING)]
    came = [Life(1000, 1500, End.RUNNING) for _ in range(10)]

    rightly = kaplan_meier(lives_of(told + came))
    naively = kaplan_meier(lives_of(told + [life._replace(entry_h=0.0) for life in came]))

    assert rightly.share_at(1500) == pytest.approx(1 / 4)
    assert naively.share_at(1500) > 0.7


def test_unknown_lives_are_counted_and_left_out() -> None:
    lives = lives_of(
        [Life(0, 10, End.FAILED), Life(0, None, End.RUNNING), Life(0, 9, End.UNKNOWN),
         Life(4, 4, End.FAILED), Life(0, 0, End.REMOVED), Life(0, 0, End.FAILED)]
    )  # fmt: skip

    assert (lives.n, lives.failures, lives.unknown, lives.unwatched) == (2, 2, 2, 2)
    assert kaplan_meier(lives).shares.tolist() == [0.5, 0.0]


def test_a_life_cannot_end_before_it_begins() -> None:
    with pytest.raises(Inconsistent):
        lives_of([Life(10, 9, End.RUNNING)])
    with pytest.raises(OutOfRange):
        lives_of([Life(-1, 9, End.RUNNING)])


def test_an_early_small_risk_set_is_told() -> None:
    """The only one watched at 50 h fails: everything after stands at zero."""
    lives = lives_of([Life(0, 50, End.FAILED), *[Life(100, 900, End.RUNNING)] * 8])

    curve = kaplan_meier(lives)

    assert curve.emptied_h == 50
    assert curve.few_from_h == 50
    assert curve.share_at(800) == 0


def test_the_median_lies_within_its_interval() -> None:
    curve = kaplan_meier(lives_of([Life(0, t, End.FAILED) for t in range(10, 400, 10)]))

    assert curve.median_low_h < curve.median_h < curve.median_high_h
    assert kaplan_meier(lives_of([Life(0, 9, End.RUNNING)])).median_h is None


def drawn(shape: float, scale: float, n: int, late: bool) -> Lives:
    """Evenly spread quantiles of a law, as they would be seen with late entry and an end."""
    rng = np.random.default_rng(7)
    ends = scale * rng.weibull(shape, n)
    entry = np.where(rng.random(n) < 0.5, rng.random(n) * scale, 0.0) if late else np.zeros(n)
    seen = ends > entry
    stop = entry + scale
    return Lives(entry[seen], np.minimum(ends, stop)[seen], (ends <= stop)[seen])


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("shape", [0.8, 2.5])
def test_a_weibull_law_is_found_again(shape: float, late: bool) -> None:
    law = weibull(drawn(shape, 3000.0, 4000, late), level=0.99)

    assert law.shape_low < shape < law.shape_high
    assert law.scale_low_h < 3000 < law.scale_high_h
    share, low, high = law.share_at(1500)
    assert low < share < high
    assert share == pytest.approx(exp(-((1500 / law.scale_h) ** law.shape)))
    until, least, most = law.hours_until(0.1)
    assert least < until < most
    assert law.share_at(until)[0] == pytest.approx(0.9)


def test_the_interval_of_the_law_is_that_of_the_likelihood_on_its_top() -> None:
    """Second differences of the likelihood give the same covariance as the formula."""
    lives = drawn(1.7, 2000.0, 60, late=True)
    law = weibull(lives)

    def height(a: float, c: float) -> float:
        shape, scale = exp(a), exp(c)
        ends = lives.exit_h[lives.failed]
        late = lives.entry_h > 0
        return float(
            len(ends) * (log(shape) - shape * log(scale)) + (shape - 1) * np.log(ends).sum()
            - ((lives.exit_h / scale) ** shape).sum()
            + ((lives.entry_h[late] / scale) ** shape).sum()
        )  # fmt: skip

    a, c, by = log(law.shape), log(law.scale_h), 1e-4
    assert height(a, c) == pytest.approx(law.log_likelihood, abs=1e-6)
    second = np.array([
        [height(a + by, c) - 2 * height(a, c) + height(a - by, c), 0.0],
        [0.0, height(a, c + by) - 2 * height(a, c) + height(a, c - by)],
    ])  # fmt: skip
    mixed = (height(a + by, c + by) - height(a + by, c - by) - height(a - by, c + by)
             + height(a - by, c - by)) / 4  # fmt: skip
    second[0, 1] = second[1, 0] = mixed
    assert np.linalg.inv(-second / by**2) == pytest.approx(np.array(law.covariance), rel=1e-3)


def test_four_failures_are_not_fitted() -> None:
    with pytest.raises(NoSolution, match="at least 5"):
        weibull(lives_of([Life(0, t, End.FAILED) for t in (1, 2, 3, 4)]))
    with pytest.raises(NoSolution, match="one time"):
        weibull(lives_of([Life(0, 7, End.FAILED)] * 6))
    with pytest.raises(OutOfRange):
        weibull(lives_of([Life(0, t, End.FAILED) for t in (0, 1, 2, 3, 4)]))


def test_without_a_failure_the_rate_has_an_upper_end_only() -> None:
    found = failure_rate(0, 10_000.0)

    assert (found.per_1000_h, found.low) == (0, 0)
    assert found.high == pytest.approx(-log(0.025) / 10, rel=1e-9)


def test_groups_say_what_is_missing() -> None:
    found = life_by_group(
        {
            "A": lives_of([Life(0, 5, End.FAILED), Life(0, 9, End.RUNNING)]),
            "B": lives_of([]),
            "C": lives_of([Life(0, None, End.UNKNOWN)]),
        }
    )

    assert [group.curve is None for group in found.groups] == [False, True, True]
    assert found.test is None
    assert found.why_no_test == "A comparison needs two groups."
    assert found.groups[0].is_few
    assert found.groups[2].lives.unknown == 1


def test_two_like_groups_do_not_differ_and_two_unlike_ones_do() -> None:
    short = [Life(0, 100.0 + 10 * at, End.FAILED) for at in range(12)]
    longer = [Life(0, 300.0 + 10 * at, End.FAILED) for at in range(12)]

    assert life_by_group({"a": lives_of(short), "b": lives_of(short)}).test.p == pytest.approx(1.0)
    assert life_by_group({"a": lives_of(short), "b": lives_of(longer)}).test.p < 0.001
    assert not life_by_group({"a": lives_of(short), "b": lives_of(short)}).test.is_rough


def test_a_hundred_thousand_lives_are_one_pass() -> None:
    """By arrays: the risk set of many times comes from two sorted columns."""
    exits = np.arange(1.0, 100_001.0)
    lives = Lives(np.zeros(100_000), exits, np.ones(100_000, dtype=bool))

    assert at_risk(lives, exits).tolist() == list(range(100_000, 0, -1))


def test_the_median_does_not_hang_on_a_rounding() -> None:
    """All of n failed one after the other: the median is the first time half of them are gone."""
    for n in range(2, 61):
        ends = [100.0 * k for k in range(1, n + 1)]
        curve = kaplan_meier(lives_of([Life(0, end, End.FAILED) for end in ends]))
        assert curve.median_h == 100.0 * ((n + 1) // 2), n

    for half in range(2, 31):
        failed = [Life(0, 100.0 * k, End.FAILED) for k in range(1, half + 1)]
        running = [Life(0, 9000.0, End.RUNNING)] * half
        assert kaplan_meier(lives_of(failed + running)).median_h == 100.0 * half, half
