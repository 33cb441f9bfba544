"""How many of the failing would be exposed by chance alone, strata taken together?

In each stratum the margins are held: how many there are, how many are exposed, how many fail. The
count of exposed failing ones then follows Fisher's hypergeometric law, tilted by an odds ratio; the
sum over independent strata follows the convolution of their laws.

Source: Fisher 1935, J. R. Stat. Soc. 98, 39 (one table); Gart 1970, Biometrika 57, 471 (strata).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isinf, log

import numpy as np
import scipy  # optimize takes long to load: with the first call
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import within

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]
# e^-70 is 4e-31: a million such terms together stay far below `LEAST_P` and below the last digit of
# a float, so that no probability told from zero changes.
FARTHEST = 70.0
"""Terms whose share lies this far below the greatest, as a natural logarithm, are left out."""

WIDE = 300
"""Counts up to which nothing is left out of a sum: looking for it would take longer."""


@dataclass(frozen=True, slots=True)
class Law:
    """The law of a count: ``shares[i]`` is the probability of ``first + i``, at ``log_odds``."""

    first: int
    shares: Numbers
    log_odds: float
    logs: Numbers
    """natural logarithms of the shares, −∞ where one is too small to be told from zero"""

    def at(self, log_odds: float) -> Numbers:
        """Return the same law tilted to another odds ratio, given by its natural logarithm."""
        steps = self.logs + np.arange(self.shares.size) * (log_odds - self.log_odds)
        tilted: Numbers = np.exp(steps - steps.max())
        return np.asarray(tilted / tilted.sum())


def checked(strata: ArrayLike) -> Counts:
    """Return strata as whole numbers (s, 4): exposed and failing, exposed, failing, all.

    Raises Inconsistent where the counts of a stratum contradict each other.
    """
    rows = np.asarray(strata, dtype=np.int64).reshape(-1, 4)
    both, exposed, failing, total = rows.T
    least = np.maximum(0, exposed + failing - total)
    wrong = (both < least) | (both > np.minimum(exposed, failing))
    wrong |= (exposed > total) | (failing > total)
    if wrong.any():
        raise Inconsistent(
            f"of {total[wrong][0]}, {exposed[wrong][0]} are exposed and {failing[wrong][0]} fail: "
            f"{both[wrong][0]} cannot be both."
        )
    return rows


def telling(strata: Counts) -> Counts:
    """Return the strata which tell something: some exposed, some not, some failing, some not."""
    _, exposed, failing, total = strata.T
    tells = (exposed > 0) & (exposed < total) & (failing > 0) & (failing < total)
    return np.asarray(strata[tells])


def law(strata: Counts, log_odds: float = 0.0) -> Law:
    """Compute the law of the number of exposed failing units, summed over strata (s, 4).

    Terms of less than e⁻⁷⁰ of the greatest are left out.

    >>> [round(float(share), 3) for share in law(np.array([[3, 4, 4, 8]])).shares]
    [0.014, 0.229, 0.514, 0.229, 0.014]
    """
    _, exposed, failing, total = strata.T
    least = np.maximum(0, exposed + failing - total)
    most = np.minimum(exposed, failing)
    # Only a band about the commonest count is computed: (strata, widest band). A narrower stratum's
    # row is filled up with its last count, and those places are taken out again as log 0.
    middle = np.clip(_middles(strata, log_odds), least, most)
    reach = _reach(exposed, failing, total)
    least, most = np.maximum(least, middle - reach), np.minimum(most, middle + reach)
    k = least[:, None] + np.arange(int((most - least).max(initial=0)) + 1)
    outside = k > most[:, None]
    k = np.where(outside, most[:, None], k)
    n, f, x = total[:, None], failing[:, None], exposed[:, None]
    # log of C(x, k) C(n - x, f - k) without what does not depend on k; the greatest is taken off
    # before exp, so that nothing overflows.
    logs = k * log_odds - (
        gammaln(k + 1) + gammaln(x - k + 1) + gammaln(f - k + 1) + gammaln(n - x - f + k + 1)
    )
    logs[outside] = -np.inf
    # ``initial`` gives a stratum of no outcome a greatest value too; any real one is above it.
    shares = np.exp(logs - logs.max(axis=1, keepdims=True, initial=-1e300))
    shares /= shares.sum(axis=1, keepdims=True)
    return _together(least, most, shares, log_odds)


def _together(least: Counts, most: Counts, shares: Numbers, log_odds: float) -> Law:
    first, whole = 0, np.ones(1)
    for its_first, width, row in zip(least, most - least + 1, shares, strict=True):
        whole = np.convolve(whole, row[:width])
        first += int(its_first)
        if whole.size > WIDE:
            near = np.flatnonzero(whole > whole.max() * np.exp(-FARTHEST))
            whole = whole[near[0] : near[-1] + 1]
            first += int(near[0])
    shares = whole / whole.sum()
    logs = np.full(shares.size, -np.inf)
    np.log(shares, out=logs, where=shares > 0)
    return Law(first, shares, log_odds, logs)


def _middles(strata: Counts, log_odds: float) -> Counts:
    """About the commonest count of each stratum.

    There the odds ratio is k (n − x − f + k) / ((x − k)(f − k)), a quadratic equation of k.
    """
    _, exposed, failing, total = strata.T
    # k (n - x - f + k) = odds (x - k)(f - k) is a k² - b k + c = 0. The root is written with b + √
    # below the line: no digits are lost, and odds of 1 (a = 0) need no case of their own. e^±40 is
    # beyond any count: the answer is clipped to the least or most count there anyway.
    odds = float(np.exp(np.clip(log_odds, -40, 40)))
    a = odds - 1
    b = odds * (exposed + failing) + total - exposed - failing
    c = odds * exposed.astype(np.float64) * failing
    root = 2 * c / (b + np.sqrt(np.maximum(b * b - 4 * a * c, 0)))
    return np.asarray(np.rint(root), dtype=np.int64)


def _reach(exposed: Counts, failing: Counts, total: Counts) -> Counts:
    """How far from its middle a stratum's law is followed: far beyond what is left out."""
    # With s = the smallest margin, the count is least + a sum of s independent yes/no trials (its
    # generating polynomial has s real roots), tilted or not; so its variance is s/4 at most.
    # Bernstein: a share d from the mean is below exp(-d² / (2 (s/4 + d/3))). With d = 60 + 14 √s
    # the exponent is 109 at s = 1 and rises towards 392: beyond FARTHEST, with room for a middle
    # that is off by one.
    smallest = np.minimum(
        np.minimum(exposed, failing), np.minimum(total - exposed, total - failing)
    )
    return np.asarray(60 + 14 * np.sqrt(smallest), dtype=np.int64)


# Exact tests and odds ratios of fourfold tables, one or several strata together.
#
# A stratum is (exposed and failing, exposed, failing, all). Strata without both exposed and not
# exposed, or without both failing and not failing, tell nothing and are passed over.
#
# Sources: Fisher 1935, J. R. Stat. Soc. 98, 39; Gart 1970, Biometrika 57, 471 (strata);
# Lancaster 1961, J. Am. Stat. Assoc. 56, 223 (mid-p); Haldane 1956, Ann. Hum. Genet. 20, 309 (½).


LEAST_P = 1e-15
"""A p is not told apart from zero below this."""


# Odds ratios between e^-60 and e^60 are sought: a stratum of a thousand million units could not
# show a finite one beyond.
_FARTHEST_LOG_ODDS = 60.0


# Two tables equally probable on paper differ by rounding of the log gamma; far below any real
# difference between two tables.
_EQUAL = 1 + 1e-7


@dataclass(frozen=True, slots=True)
class ExactTest:
    """Probabilities of a table at least as far out, were exposure and failing not associated.

    ``greater``: as many exposed failing ones or more; ``less``: as many or fewer; ``two_sided``:
    any count not more probable than the one seen; the mid-p count half of the equally probable.
    Below `LEAST_P` they are not told apart from zero.
    """

    greater: float
    less: float
    two_sided: float
    mid_greater: float
    mid_two_sided: float


@dataclass(frozen=True, slots=True)
class OddsRatio:
    """Odds of failing with exposure over odds without; ``n``: sum of the strata that tell.

    ``value`` by conditional maximum likelihood, zero or infinite where one corner is empty;
    ``with_half`` stays finite: a half added to each corner (several strata: Mantel–Haenszel with
    the half in each). The interval is exact, with equal tails, at ``level``.
    """

    value: float
    low: float
    high: float
    with_half: float
    level: float
    n: int

    @property
    def finite(self) -> bool:
        """Say whether the likeliest value is neither zero nor infinite."""
        return self.value > 0 and not isinf(self.value)


def exact_test(strata: ArrayLike) -> ExactTest | None:
    """Test whether so many exposed fail by chance alone; None where no stratum tells.

    >>> found = exact_test([3, 4, 4, 8])
    >>> round(found.greater, 4), round(found.two_sided, 4)
    (0.2429, 0.4857)

    Source: Fisher 1935, the lady tasting tea; two-sided by probabilities as in Agresti,
    Categorical Data Analysis. Raises Inconsistent where counts contradict each other.
    """
    rows = telling(checked(strata))
    if not rows.size:
        return None
    return judged(law(rows), int(rows[:, 0].sum()))


def judged(chance: Law, count: int) -> ExactTest:
    """Return the test of a count whose law by chance is known."""
    outcome = count - chance.first
    if not 0 <= outcome < chance.shares.size:
        above = outcome < 0
        return ExactTest(1.0 if above else 0.0, 0.0 if above else 1.0, 0.0, float(above), 0.0)
    share_at_count = float(chance.shares[outcome])
    greater, less = float(chance.shares[outcome:].sum()), float(chance.shares[: outcome + 1].sum())
    as_rare = chance.shares <= share_at_count * _EQUAL
    equal = as_rare & (chance.shares >= share_at_count / _EQUAL)
    two = float(chance.shares[as_rare].sum())
    return ExactTest(
        greater=min(1.0, greater),
        less=min(1.0, less),
        two_sided=min(1.0, two),
        mid_greater=greater - share_at_count / 2,
        mid_two_sided=min(1.0, two - float(chance.shares[equal].sum()) / 2),
    )


def odds_ratio(strata: ArrayLike, level: float = 0.95) -> OddsRatio | None:
    """Estimate the factor of the odds of failing with exposure; None where no stratum tells.

    >>> found = odds_ratio([3, 4, 4, 8])
    >>> round(found.value, 4), round(found.low, 4), round(found.high, 1)
    (6.4083, 0.2117, 626.2)

    Source: Cornfield 1956, Proc. 3rd Berkeley Symp. 4, 135 (exact conditional interval).
    Raises Inconsistent and OutOfRange (``level`` outside 0.5 to 0.9999).
    """
    within("the level of the interval", level, "", 0.5, 0.9999)
    rows = telling(checked(strata))
    if not rows.size:
        return None
    half = _with_half(rows)
    exposed_failing = int(rows[:, 0].sum())
    least = int(np.maximum(0, rows[:, 1] + rows[:, 2] - rows[:, 3]).sum())
    most = int(np.minimum(rows[:, 1], rows[:, 2]).sum())
    around = law(rows, log(half))
    tail = (1 - level) / 2
    outcome = exposed_failing - around.first
    return OddsRatio(
        value=0.0
        if exposed_failing == least
        else inf
        if exposed_failing == most
        else _likeliest(around, exposed_failing),
        low=0.0 if exposed_failing == least else _bound(around, slice(outcome, None), tail),
        high=inf if exposed_failing == most else _bound(around, slice(0, outcome + 1), tail),
        with_half=half,
        level=level,
        n=int(rows[:, 3].sum()),
    )


def _with_half(rows: Counts) -> float:
    both, exposed, failing, total = (column.astype(float) for column in rows.T)
    # Mantel–Haenszel: Σ a d / n over Σ b c / n; a half in each corner makes n + 2 of n.
    product = (both + 0.5) * (total - exposed - failing + both + 0.5)
    crossed = (exposed - both + 0.5) * (failing - both + 0.5)
    return float((product / (total + 2)).sum() / (crossed / (total + 2)).sum())


def _likeliest(around: Law, count: int) -> float:
    counts = around.first + np.arange(around.shares.size)
    return _solved(lambda log_odds: float(around.at(log_odds) @ counts) - count)


def _bound(around: Law, tail: slice, share: float) -> float:
    """The odds ratio at which the tail from the seen count on has this probability."""
    return _solved(lambda log_odds: float(around.at(log_odds)[tail].sum()) - share)


def _solved(off: Callable[[float], float]) -> float:
    # Ten digits of the log of the odds: nine of the odds ratio, far more than are shown.
    log_odds = scipy.optimize.brentq(
        off, -_FARTHEST_LOG_ODDS, _FARTHEST_LOG_ODDS, xtol=1e-10, rtol=1e-12
    )
    return float(np.exp(log_odds))
