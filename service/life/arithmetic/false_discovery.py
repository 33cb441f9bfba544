"""What a small p is worth when several factors were looked at.

Source: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.preconditions import within

FORMULA = 1


@dataclass(frozen=True, slots=True)
class FalseDiscovery:
    """Of each p in its order its q, and how many were looked at.

    Taking everything with q ≤ 0.05 as found, at most 5 in 100 of what is found is expected to be
    chance. ``by_chance``: the probability that at least one of as many independent looks shows
    p ≤ 0.05 though nothing is there.
    """

    q: tuple[float, ...]
    looked_at: int
    by_chance: float


def false_discovery(p: ArrayLike, *, looks: int | None = None) -> FalseDiscovery:
    """Compute q for each p. ``looks``: all looks, where more were taken than have a p.

    >>> [round(q, 3) for q in false_discovery([0.01, 0.04, 0.03, 0.5]).q]
    [0.04, 0.053, 0.053, 0.5]

    Raises OutOfRange: a p outside 0 to 1, fewer looks than p.
    """
    values = np.atleast_1d(np.asarray(p, dtype=float))
    if values.size and not ((values >= 0) & (values <= 1)).all():
        raise OutOfRange("p", values.tolist(), "", "0 to 1")
    count = values.size if looks is None else looks
    if count < values.size:
        raise OutOfRange("the number of looks", count, "", f"{values.size} or more")
    # From the largest p down: q of rank i is the least of p(j) n / j over all j ≥ i.
    order = np.argsort(values)[::-1]
    ranks = np.arange(values.size, 0, -1)
    q = np.empty(values.size)
    q[order] = np.minimum(1.0, np.minimum.accumulate(values[order] * count / ranks))
    return FalseDiscovery(tuple(q.tolist()), count, one_by_chance(count))


def one_by_chance(looks: int, level: float = 0.05) -> float:
    """Compute the chance of at least one p ≤ ``level`` in so many independent looks at nothing.

    >>> round(one_by_chance(12), 2)
    0.46

    Source: 1 − (1 − α)ⁿ; common practice, no source.
    """
    return float(1 - (1 - within("the level", level, "", 0.0, 1.0)) ** looks)


def smallest_of(p: ArrayLike, comparisons: int) -> float:
    """Return one p for a factor with several levels: the smallest, times the comparisons made.

    >>> smallest_of([0.01, 0.3, 0.8], 3)
    0.03

    Source: Bonferroni's inequality.
    """
    values = np.asarray(p, dtype=float)
    return float(min(1.0, values.min() * max(1, comparisons))) if values.size else 1.0
