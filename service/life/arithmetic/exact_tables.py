"""Exact tests and odds ratios of fourfold tables, one or several strata together.

A stratum is (exposed and failing, exposed, failing, all). Strata without both exposed and not
exposed, or without both failing and not failing, tell nothing and are passed over.

Sources: Fisher 1935, J. R. Stat. Soc. 98, 39; Gart 1970, Biometrika 57, 471 (strata);
Lancaster 1961, J. Am. Stat. Assoc. 56, 223 (mid-p); Haldane 1956, Ann. Hum. Genet. 20, 309 (½).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isinf, log

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from service.life.arithmetic.conditional_law import Counts, Law, checked, law, telling
from service.platform.arithmetic.preconditions import within

FORMULA = 1
LEAST_P = 1e-15
"""A p is not told apart from zero below this."""
_FARTHEST_LOG_ODDS = 60.0
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
        """Be true where the likeliest value is neither zero nor infinite."""
        return self.value > 0 and not isinf(self.value)


def exact_test(strata: ArrayLike) -> ExactTest | None:
    """Would this many exposed failing ones come by chance alone? None where no stratum tells.

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


def judged(chance: Law, seen: int) -> ExactTest:
    """The test of a count whose law by chance is known."""
    at = seen - chance.first
    if not 0 <= at < chance.shares.size:
        above = at < 0
        return ExactTest(1.0 if above else 0.0, 0.0 if above else 1.0, 0.0, float(above), 0.0)
    here = float(chance.shares[at])
    greater, less = float(chance.shares[at:].sum()), float(chance.shares[: at + 1].sum())
    as_rare = chance.shares <= here * _EQUAL
    equal = as_rare & (chance.shares >= here / _EQUAL)
    two = float(chance.shares[as_rare].sum())
    return ExactTest(
        greater=min(1.0, greater),
        less=min(1.0, less),
        two_sided=min(1.0, two),
        mid_greater=greater - here / 2,
        mid_two_sided=min(1.0, two - float(chance.shares[equal].sum()) / 2),
    )


def odds_ratio(strata: ArrayLike, level: float = 0.95) -> OddsRatio | None:
    """By which factor are the odds of failing greater with exposure? None where no stratum tells.

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
    seen = int(rows[:, 0].sum())
    least = int(np.maximum(0, rows[:, 1] + rows[:, 2] - rows[:, 3]).sum())
    most = int(np.minimum(rows[:, 1], rows[:, 2]).sum())
    around = law(rows, log(half))
    tail = (1 - level) / 2
    at = seen - around.first
    return OddsRatio(
        value=0.0 if seen == least else inf if seen == most else _likeliest(around, seen),
        low=0.0 if seen == least else _bound(around, slice(at, None), tail),
        high=inf if seen == most else _bound(around, slice(0, at + 1), tail),
        with_half=half,
        level=level,
        n=int(rows[:, 3].sum()),
    )


def _with_half(rows: Counts) -> float:
    both, exposed, failing, total = (column.astype(float) for column in rows.T)
    product = (both + 0.5) * (total - exposed - failing + both + 0.5)
    crossed = (exposed - both + 0.5) * (failing - both + 0.5)
    return float((product / (total + 2)).sum() / (crossed / (total + 2)).sum())


def _likeliest(around: Law, seen: int) -> float:
    counts = around.first + np.arange(around.shares.size)
    return _solved(lambda log_odds: float(around.at(log_odds) @ counts) - seen)


def _bound(around: Law, tail: slice, share: float) -> float:
    """The odds ratio at which the tail from the seen count on has this probability."""
    return _solved(lambda log_odds: float(around.at(log_odds)[tail].sum()) - share)


def _solved(off: Callable[[float], float]) -> float:
    found = brentq(off, -_FARTHEST_LOG_ODDS, _FARTHEST_LOG_ODDS, xtol=1e-10, rtol=1e-12)
    return float(np.exp(found))
