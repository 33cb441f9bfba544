"""How many of the failing would be exposed by chance alone, strata taken together?

In each stratum the margins are held: how many there are, how many are exposed, how many fail. The
count of exposed failing ones then follows Fisher's hypergeometric law, tilted by an odds ratio; the
sum over independent strata follows the convolution of their laws.

Source: Fisher 1935, J. R. Stat. Soc. 98, 39 (one table); Gart 1970, Biometrika 57, 471 (strata).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from service.platform.arithmetic.errors import Inconsistent

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]
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
        """The same law tilted to another odds ratio, given by its natural logarithm."""
        steps = self.logs + np.arange(self.shares.size) * (log_odds - self.log_odds)
        tilted: Numbers = np.exp(steps - steps.max())
        return np.asarray(tilted / tilted.sum())


def checked(strata: ArrayLike) -> Counts:
    """Strata as whole numbers (s, 4): exposed and failing, exposed, failing, all.

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
    """The strata which tell something: some exposed, some not, some failing, some not."""
    _, exposed, failing, total = strata.T
    tells = (exposed > 0) & (exposed < total) & (failing > 0) & (failing < total)
    return np.asarray(strata[tells])


def law(strata: Counts, log_odds: float = 0.0) -> Law:
    """How is the number of exposed failing ones distributed, summed over strata (s, 4)?

    Terms of less than e⁻⁷⁰ of the greatest are left out.

    >>> [round(float(share), 3) for share in law(np.array([[3, 4, 4, 8]])).shares]
    [0.014, 0.229, 0.514, 0.229, 0.014]
    """
    _, exposed, failing, total = strata.T
    least = np.maximum(0, exposed + failing - total)
    most = np.minimum(exposed, failing)
    middle = np.clip(_middles(strata, log_odds), least, most)
    reach = _reach(exposed, failing, total)
    least, most = np.maximum(least, middle - reach), np.minimum(most, middle + reach)
    k = least[:, None] + np.arange(int((most - least).max(initial=0)) + 1)
    outside = k > most[:, None]
    k = np.where(outside, most[:, None], k)
    n, f, x = total[:, None], failing[:, None], exposed[:, None]
    logs = k * log_odds - (
        gammaln(k + 1) + gammaln(x - k + 1) + gammaln(f - k + 1) + gammaln(n - x - f + k + 1)
    )
    logs[outside] = -np.inf
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
    odds = float(np.exp(np.clip(log_odds, -40, 40)))
    a = odds - 1
    b = odds * (exposed + failing) + total - exposed - failing
    c = odds * exposed.astype(np.float64) * failing
    root = 2 * c / (b + np.sqrt(np.maximum(b * b - 4 * a * c, 0)))
    return np.asarray(np.rint(root), dtype=np.int64)


def _reach(exposed: Counts, failing: Counts, total: Counts) -> Counts:
    """How far from its middle a stratum's law is followed: far beyond what is left out."""
    smallest = np.minimum(
        np.minimum(exposed, failing), np.minimum(total - exposed, total - failing)
    )
    return np.asarray(60 + 14 * np.sqrt(smallest), dtype=np.int64)
