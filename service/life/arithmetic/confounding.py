"""Which factors cannot be told apart in what was built, and the grid that shows it.

Where every MEA of a lot sat at an end, lot and end are one thing to all arithmetic: before any p,
people must see it. Source: Pearson's correlation ratio η² for the share left, Cramér 1946,
Mathematical Methods of Statistics, 21.9 (V); the limits are common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.platform.arithmetic.errors import Inconsistent

NOT_AT_ALL, HARDLY = 0.05, 0.3
UNKNOWN, OTHERS = -1, -2
Codes = NDArray[np.int64]


class Apart(StrEnum):
    """How far two things can be told apart."""

    YES = "can be told apart"
    HARDLY = "can hardly be told apart"
    NO = "cannot be told apart"


@dataclass(frozen=True, slots=True)
class Overlap:
    """How far the members of one level stand apart from the levels of another factor.

    ``within_share``: the share of the membership's variance within the other factor's levels, 0 to
    1; ``inside``: the one level of the other factor in which all members sit, if there is one;
    ``n`` units of which both are known.
    """

    within_share: float
    inside: int | None
    n: int

    @property
    def apart(self) -> Apart:
        """In one word."""
        if self.within_share <= NOT_AT_ALL:
            return Apart.NO
        return Apart.HARDLY if self.within_share <= HARDLY else Apart.YES


def overlap(members: ArrayLike, every: ArrayLike) -> Overlap:
    """Say whether members of a level can be told apart from the levels of another factor.

    ``members``: the codes of the other factor of all members, UNKNOWN where not known; ``every``:
    how many units, members and others, each code of it has.

    >>> overlap([1, 1], [0, 2, 2])
    Overlap(within_share=0.0, inside=1, n=4)

    Raises Inconsistent for more members of a code than there are units.
    """
    counts = np.asarray(every, dtype=np.int64)
    member_codes = np.asarray(members, dtype=np.int64)
    inside = np.bincount(member_codes[member_codes >= 0], minlength=counts.size)
    if inside.size > counts.size or (inside > counts).any():
        raise Inconsistent("more members than units of a level.")
    size, share = int(counts.sum()), float(inside.sum() / max(1, counts.sum()))
    if share in {0.0, 1.0}:
        return Overlap(0.0, None, size)
    within = inside / np.maximum(counts, 1)
    # 1 - η² of a yes/no membership: the mean variance p (1 - p) within levels over the whole one.
    within_share = float((counts * within * (1 - within)).sum() / size / (share * (1 - share)))
    places = np.flatnonzero(inside)
    return Overlap(within_share, int(places[0]) if places.size == 1 else None, size)


@dataclass(frozen=True, slots=True)
class Grid:
    """Failing and all MEAs, rows × columns × layers; levels may end in OTHERS and UNKNOWN."""

    rows: tuple[int, ...]
    columns: tuple[int, ...]
    layers: tuple[int, ...]
    failing: NDArray[np.int64]
    all: NDArray[np.int64]


def grid(
    rows: ArrayLike, columns: ArrayLike, layers: ArrayLike, failing: ArrayLike, most: int = 6
) -> Grid:
    """Count how many fail of how many, for each meeting of three factors.

    Of rows and layers the ``most`` levels with the most failing (then the most MEAs) stand alone,
    the rest together as OTHERS; columns keep all their levels in their order.
    """
    fails = np.asarray(failing, dtype=bool)
    kept_rows, at_rows = _leading(np.asarray(rows, dtype=np.int64), fails, most)
    kept_layers, at_layers = _leading(np.asarray(layers, dtype=np.int64), fails, most)
    columns_given = np.asarray(columns, dtype=np.int64)
    present = np.flatnonzero(np.bincount(columns_given + 1))
    ordered = [*(present[present > 0] - 1).tolist(), *([UNKNOWN] if 0 in present else [])]
    at_columns = _placed(columns_given, ordered)
    shape = (len(kept_rows), len(ordered), len(kept_layers))
    # Three places packed into one number, so that the whole grid is one count.
    flat = (at_rows * shape[1] + at_columns) * shape[2] + at_layers
    size = int(np.prod(shape))
    return Grid(
        tuple(kept_rows),
        tuple(ordered),
        tuple(kept_layers),
        np.bincount(flat[fails], minlength=size).reshape(shape),
        np.bincount(flat, minlength=size).reshape(shape),
    )


def _leading(codes: Codes, fails: NDArray[np.bool_], most: int) -> tuple[list[int], Codes]:
    """The levels that stand alone, and for each unit the place of its own."""
    levels = int(codes.max(initial=-1)) + 1
    has_level = codes >= 0
    down = np.bincount(codes[has_level & fails], minlength=levels)
    every = np.bincount(codes[has_level], minlength=levels)
    order = np.lexsort((np.arange(levels), -every, -down))
    present = order[every[order] > 0]
    leading = [int(level) for level in present[:most]]
    if present.size > most:
        leading.append(OTHERS)
    if not has_level.all():
        leading.append(UNKNOWN)
    return leading, _placed(codes, leading)


def _placed(codes: Codes, levels: list[int]) -> Codes:
    """For each unit the place of its level; those of no level of its own are OTHERS."""
    top = int(codes.max(initial=-1)) + 1
    others = levels.index(OTHERS) if OTHERS in levels else 0
    places = np.full(top + 1, others, dtype=np.int64)
    for place, level in enumerate(levels):
        if level >= 0:
            places[level] = place
    places[top] = levels.index(UNKNOWN) if UNKNOWN in levels else others
    return places[np.where(codes >= 0, codes, top)]
