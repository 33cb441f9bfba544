"""Do the failing MEAs of a stack lie nearer its ends, or nearer its middle, than by chance?

Within each stack the failing are thought dealt anew to its cells, every way as likely as another;
stacks are independent. So neither the stack's own history nor its number of cells counts. All ways
are counted (no random draws) as long as the failing are few; of many the normal law tells, and
``counted`` says which.

Source: Pitman 1937, Suppl. J. R. Stat. Soc. 4, 119 (permutation); moments of a sample drawn without
replacement: Cochran, Sampling Techniques, 3rd ed. 1977, theorems 2.1 and 2.2.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import erfc, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.life.arithmetic.conditional_law import ExactTest, exact_test
from service.platform.arithmetic.errors import Inconsistent

# Chosen: 200 failing take 0.03 s in forty stacks and 1.2 s in one of 600; of more the normal law is
# near enough.
MOST_COUNTED, MOST_WORK = 200, 200 * 600**2
"""Failing MEAs, and these times the square of their stack's cells, up to which all ways count."""
# The mean is rounded: a sum exactly as far off on the other side must still count.
_EQUAL = 1e-9
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PositionTest:
    """Where the failing lie within their stacks; cells from the nearer end, 0 is the end cell.

    ``stacks``: those with both failing and other MEAs, the only ones that tell; ``failing`` in
    them; ``mean`` distance of the failing and ``expected`` by chance, in cells; ``p`` two-sided;
    ``counted`` where all ways were counted; ``at_ends`` failing in end cells, and the exact test of
    end cells against all others within the stacks (None: no stack tells).
    """

    stacks: int
    failing: int
    mean: float
    expected: float
    p: float
    counted: bool
    at_ends: int
    ends: ExactTest | None


def from_nearer_end(cells: ArrayLike, cell_count: ArrayLike) -> Counts:
    """Count cells between this cell and the nearer end. Cells count from 1.

    >>> from_nearer_end([1, 2, 3, 4, 5], 5).tolist()
    [0, 1, 2, 1, 0]
    """
    cell, most = np.asarray(cells, dtype=np.int64), np.asarray(cell_count, dtype=np.int64)
    return np.asarray(np.minimum(cell - 1, most - cell))


def position_test(stacks: ArrayLike, distances: ArrayLike, failing: ArrayLike) -> PositionTest:
    """Test whether the failing lie nearer the ends or the middle than by chance.

    ``stacks``, ``distances`` (whole cells from the nearer end) and ``failing`` (true or false) have
    one entry for each MEA.

    >>> position_test([1] * 6, [0, 1, 2, 2, 1, 0], [1, 0, 0, 0, 0, 1]).p
    0.13333333333333333

    Raises Inconsistent for arrays of different lengths.
    """
    stack, far = np.asarray(stacks, dtype=np.int64), np.asarray(distances, dtype=np.int64)
    fails = np.asarray(failing, dtype=bool)
    if not stack.shape == far.shape == fails.shape:
        raise Inconsistent(f"{stack.size} stacks, {far.size} distances, {fails.size} judgements.")
    which = _from_zero(stack)
    cells = np.bincount(which)
    down = np.bincount(which[fails], minlength=cells.size)
    tells = (down > 0) & (down < cells)
    inside = tells[which]
    which, far, fails = which[inside], far[inside], fails[inside]
    ends, size = far == 0, cells.size
    strata = np.stack(
        [
            np.bincount(which[ends & fails], minlength=size),
            np.bincount(which[ends], minlength=size),
            down,
            cells,
        ],
        axis=1,
    )[tells]
    if not strata.size:
        return PositionTest(0, 0, 0.0, 0.0, 1.0, True, 0, None)
    number, distance_sum = int(fails.sum()), int(far[fails].sum())
    mean, spread = _moments(strata[:, 3], strata[:, 2], which, far, tells)
    work = int((strata[:, 2] * strata[:, 3] ** 2).sum())
    off, counted = abs(distance_sum - mean), number <= MOST_COUNTED and work <= MOST_WORK
    if counted:
        p = _all_ways(_laws(which, far, fails), off)
    else:
        # Sums are whole numbers: half a step less is the usual correction for continuity.
        p = erfc(max(0.0, off - 0.5) / spread / sqrt(2)) if spread else 1.0
    return PositionTest(
        stacks=int(tells.sum()),
        failing=number,
        mean=distance_sum / number,
        expected=mean / number,
        p=min(1.0, p),
        counted=counted,
        at_ends=int(strata[:, 0].sum()),
        ends=exact_test(strata),
    )


def _from_zero(numbers: Counts) -> Counts:
    """The same stacks numbered from 0; numbers in use lie close together."""
    low = int(numbers.min(initial=0))
    is_used = np.bincount(numbers - low, minlength=1) > 0
    return np.asarray((np.cumsum(is_used) - 1)[numbers - low])


def _moments(
    cells: Counts, down: Counts, which: Counts, far: Counts, tells: NDArray[np.bool_]
) -> tuple[float, float]:
    """Mean and standard deviation of the sum of distances, drawn without replacement."""
    size = tells.size
    mean = np.bincount(which, weights=far, minlength=size)[tells] / cells
    square = np.bincount(which, weights=far.astype(float) ** 2, minlength=size)[tells] / cells
    spread = down * (cells - down) / (cells - 1) * np.maximum(0.0, square - mean**2)
    return float((down * mean).sum()), sqrt(float(spread.sum()))


def _laws(which: Counts, far: Counts, fails: NDArray[np.bool_]) -> Iterable[NDArray[np.float64]]:
    """The law of the sum of distances of each stack's failing."""
    order = np.argsort(which, kind="stable")
    starts = np.flatnonzero(np.diff(which[order], prepend=-1))
    for places in np.split(order, starts[1:]):
        yield _law(tuple(sorted(far[places].tolist())), int(fails[places].sum()))


@lru_cache(maxsize=4096)
def _law(distances: tuple[int, ...], down: int) -> NDArray[np.float64]:
    """The law of the sum of ``down`` of these rising numbers, less the least it can be.

    Of the first so many numbers each row holds the ways to take some: its entries are the sums less
    the sum of as many of the first, and only those that can be reached are gone through.
    """
    total = np.concatenate([[0], np.cumsum(distances)]).tolist()

    def reached(chosen: int, of: int) -> int:
        return int(total[of] - total[of - chosen] - total[chosen])

    ways = np.zeros((down + 1, reached(down, len(distances)) + 1))
    ways[0, 0] = 1.0
    for of, value in enumerate(distances):
        # Downwards, so that each cell is dealt once at most; not to where too few cells are left.
        for chosen in range(min(down, of + 1), max(0, down - len(distances) + of), -1):
            count, on = reached(chosen - 1, of) + 1, value - distances[chosen - 1]
            ways[chosen, on : on + count] += ways[chosen - 1, :count]
        # A cell doubles the ways at most. Only ratios matter; a float ends at 2 to the 1023.
        if of % 512 == 511:
            ways /= ways.max()
    return np.asarray(ways[down] / ways[down].sum())


def _all_ways(laws: Iterable[NDArray[np.float64]], off: float) -> float:
    """Probability of a sum at least as far from its mean."""
    whole = np.ones(1)
    for its_law in laws:
        whole = np.convolve(whole, its_law)
    sums = np.arange(whole.size)
    mean = float(whole @ sums)
    return float(whole[np.abs(sums - mean) >= off - _EQUAL * max(1.0, mean)].sum())
