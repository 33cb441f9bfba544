"""Failing ones against those that had run at least as long: tables of a factor's levels by hours.

A unit that has run 10 h says nothing of what fails at 400 h. So every failing unit is compared with
those that had reached its own hours: the strata are groups of failing hours, at most `MOST_STRATA`.

Source: Mantel 1966, Cancer Chemother. Rep. 50, 163; Cox 1972, J. R. Stat. Soc. B 34, 187 (6).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.trade.errors import Inconsistent
from service.trade.factors import UNKNOWN, wide

FORMULA = 1
MOST_STRATA = 16
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Exposure:
    """Units by the hours they ran.

    ``from_h`` (s,): where each stratum begins; ``stratum`` (n,): the one a failing unit fails in,
    s where its hours are not known; ``reached`` (n,): in how many it was at risk; ``failing`` (n,).
    """

    from_h: NDArray[np.float64]
    stratum: Counts
    reached: Counts
    failing: NDArray[np.bool_]

    @property
    def comparable(self) -> int:
        """How many not failing had run as long as the first failing one."""
        return int(((self.reached > 0) & ~self.failing).sum())


def exposure(hours_h: ArrayLike, failing: ArrayLike) -> Exposure:
    """In which stratum does each fail, and in how many was each at risk?

    ``hours_h``: own hours, at failing or until now; NaN where not known: at risk in none.

    >>> exposure([100.0, 400.0, 90.0, 500.0], [True, True, False, False]).reached.tolist()
    [1, 2, 0, 2]

    Raises Inconsistent for arrays of different lengths or negative hours.
    """
    hours, fails = np.asarray(hours_h, dtype=float), np.asarray(failing, dtype=bool)
    if hours.shape != fails.shape or (hours < 0).any():
        raise Inconsistent("hours must be zero or more, one for each unit judged.")
    known = np.isfinite(hours)
    own = hours[fails & known]
    starts = np.unique(own)
    if starts.size > MOST_STRATA:
        parts = np.arange(MOST_STRATA) / MOST_STRATA
        starts = np.unique(np.quantile(own, parts, method="lower"))
    reached = np.searchsorted(starts, np.where(known, hours, -1.0), side="right")
    return Exposure(starts, np.where(known, reached - 1, starts.size), reached, fails)


@dataclass(frozen=True, slots=True)
class LevelCounts:
    """Counts of each level: (levels,) all and failing of those known; (s, levels) by stratum."""

    all: Counts
    failing: Counts
    at_risk: Counts
    failing_in: Counts
    all_at_risk: Counts
    all_failing_in: Counts
    known: int
    known_failing: int

    def strata(self, level: int) -> Counts:
        """The tables of one level against the rest, as `exact_tables` takes them, (s, 4)."""
        return np.stack(
            [
                self.failing_in[:, level],
                self.at_risk[:, level],
                self.all_failing_in,
                self.all_at_risk,
            ],
            axis=1,
        )

    def plain(self, level: int) -> tuple[int, int, int, int]:
        """The one table of a level against the rest, hours not considered."""
        return (int(self.failing[level]), int(self.all[level]), self.known_failing, self.known)

    def scores(self) -> NDArray[np.float64]:
        """How far each level's failing are from what is expected, in standard deviations.

        Source: Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22, 719, without correction.
        """
        n = np.maximum(self.all_at_risk, 1)[:, None].astype(float)
        down = self.all_failing_in[:, None]
        expected = down * self.at_risk / n
        spread = expected * (n - down) * (n - self.at_risk) / n / np.maximum(n - 1, 1)
        off = self.failing_in.sum(axis=0) - expected.sum(axis=0)
        return np.asarray(off / np.sqrt(np.maximum(spread.sum(axis=0), 1e-12)))


def level_counts(codes: Counts, units: Exposure) -> LevelCounts:
    """How many of each level are at risk and fail in each stratum? ``codes`` (n,) or (n, w).

    A unit with several levels counts once in each of them; one with none known counts nowhere.
    """
    each = wide(codes)
    if each.shape[1] > 1:
        each = np.sort(each, axis=1)
        each[:, 1:][each[:, 1:] == each[:, :-1]] = UNKNOWN
    known = (each >= 0).any(axis=1)
    levels, strata = int(each.max(initial=-1)) + 1, units.from_h.size
    width = strata + 1
    reach = np.zeros(levels * width, dtype=np.int64)
    down = np.zeros(levels * width, dtype=np.int64)
    for column in each.T:
        has = column >= 0
        reach += np.bincount(column[has] * width + units.reached[has], minlength=levels * width)
        has &= units.failing
        down += np.bincount(column[has] * width + units.stratum[has], minlength=levels * width)
    reached, failing = reach.reshape(levels, width), down.reshape(levels, width)
    all_reach = np.bincount(units.reached[known], minlength=width)
    all_down = np.bincount(units.stratum[known & units.failing], minlength=width)
    return LevelCounts(
        all=reached.sum(axis=1),
        failing=failing.sum(axis=1),
        at_risk=_from_here_on(reached)[:, 1:].T,
        failing_in=failing[:, :strata].T,
        all_at_risk=_from_here_on(all_reach)[1:],
        all_failing_in=all_down[:strata],
        known=int(known.sum()),
        known_failing=int((known & units.failing).sum()),
    )


def _from_here_on(counts: Counts) -> Counts:
    return np.asarray(np.cumsum(counts[..., ::-1], axis=-1)[..., ::-1])
