"""Do groups live equally long? Failures of each group against those expected if they did.

At each time of failure every one at risk is as likely to be the one that fails; expectation and
covariance are those of the hypergeometric law, which takes ties. Late entry changes only who is at
risk. A small p says that the groups differ, not why; it sees best a difference that keeps its sign.

Source: Mantel 1966; Peto & Peto 1972; Kalbfleisch & Prentice, section 1.5 (k groups); from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from service.life.arithmetic.lifetimes import Bools, Floats, Lives, at_risk
from service.platform.arithmetic.errors import NoSolution

FEW_FAILURES = 5
"""With fewer in a group the chi-square law is rough; common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """Observed and expected failures by group, and how unlikely that is if all live alike.

    ``compared`` says which groups were at risk with another one when a part failed; ``n`` are the
    lives of those. ``is_rough`` where one of them has fewer than five failures, seen as well as
    expected: p is then an indication only.
    """

    observed: Floats
    expected: Floats
    chi_square: float
    freedom: int
    p: float
    n: int
    is_rough: bool
    compared: tuple[bool, ...]

    @property
    def is_solid(self) -> tuple[bool, ...]:
        """Which of the compared groups have five failures, seen or expected."""
        most = np.maximum(self.expected, self.observed)
        return tuple((np.array(self.compared) & (most >= FEW_FAILURES)).tolist())


def log_rank(groups: Sequence[Lives]) -> LogRank:
    """Compare two or more groups.

    Raises NoSolution with fewer than two groups that were at risk together at a failure.
    """
    failed = [group.exit_h[group.failed] for group in groups]
    times = np.unique(np.concatenate(failed)) if failed else np.array([])
    if not len(times):
        raise NoSolution("log-rank test", "no failure in any group")
    risk = np.array([at_risk(group, times) for group in groups], dtype=float)
    deaths = np.array([_counts(times, ends) for ends in failed], dtype=float)
    total, died = risk.sum(axis=0), deaths.sum(axis=0)
    share = risk / total
    expected = (share * died).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(total > 1, died * (total - died) / (total - 1), 0.0)
    # Σ over failures: share_i (δij - share_j) died (total - died) / (total - 1), the hypergeometric
    # one.
    covariance = np.diag((share * spread).sum(axis=1)) - (share * spread) @ share.T
    observed = deaths.sum(axis=1)
    compared = np.diag(covariance) > 1e-12
    group_indices = _one_less_of_each(risk, spread, compared)
    if not group_indices:
        raise NoSolution("log-rank test", "no two groups were at risk together at a failure")
    off = (observed - expected)[group_indices]
    chi_square = float(off @ np.linalg.solve(covariance[np.ix_(group_indices, group_indices)], off))
    freedom = len(group_indices)
    return LogRank(
        observed,
        expected,
        chi_square,
        freedom,
        float(chdtrc(freedom, chi_square)),
        sum(group.n for group, is_compared in zip(groups, compared, strict=True) if is_compared),
        bool((np.maximum(expected, observed)[compared] < FEW_FAILURES).any()),
        tuple(compared.tolist()),
    )


def _counts(times: Floats, ends: Floats) -> Floats:
    ends = np.sort(ends)
    until = np.searchsorted(ends, times, side="right")
    return (until - np.searchsorted(ends, times, side="left")).astype(float)


def _one_less_of_each(risk: Floats, spread: Floats, compared: Bools) -> list[int]:
    """The groups compared, without one of each set of groups that were ever at risk together.

    Within such a set the differences sum to nothing, so that one of them is told by the others;
    without it the covariance has an inverse.
    """
    together = ((risk > 0) & (spread > 0)).astype(float)
    linked = (together @ together.T) > 0
    remaining = set(np.flatnonzero(compared).tolist())
    group_indices: list[int] = []
    while remaining:
        reached = [remaining.pop()]
        while reached:
            group = reached.pop()
            near = remaining & set(np.flatnonzero(linked[group]).tolist())
            remaining -= near
            reached += near
            group_indices += near
    return sorted(group_indices)
