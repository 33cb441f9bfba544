"""Failing ones against those that had run as long: tables of a factor's levels by hours.

A unit that has run 10 h says nothing of what fails at 400 h. So every failing unit is compared with
those that were running at its own hours, and with what was around them then: a unit may have
several rows, one for each stretch of its life. The strata are groups of failing hours.

Source: Mantel 1966, Cancer Chemother. Rep. 50, 163; Cox 1972, J. R. Stat. Soc. B 34, 187 (6);
stretches with a late entry: Andersen & Gill 1982, Ann. Stat. 10, 1100.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.life.arithmetic.factors import UNKNOWN, wide
from service.platform.arithmetic.errors import Inconsistent

# Chosen: sixteen groups of failing hours keep like with like (a sixteenth of the failing in each),
# and the convolution of their laws quick.
MOST_STRATA = 16
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Exposure:
    """Stretches of units' lives by the hours at which others fail.

    ``from_h`` (s,): where each stratum begins. Of each row (n,): at risk in the strata from
    ``entered`` up to but not ``reached``; ``stands`` for its unit in plain counts; ``fails``: the
    rows that end with failing, and ``stratum`` of each of those, s where its hours are not known.
    """

    from_h: NDArray[np.float64]
    entered: Counts
    reached: Counts
    stands: Flags
    fails: Counts
    stratum: Counts
    way: Counts
    """which of the ways to have been at risk that occur each row has, from 0"""
    at_risk: NDArray[np.float64]
    """(ways, s + 1): 1 where a row of this way is at risk in a stratum; last: where it stands"""

    @property
    def units(self) -> int:
        """How many units there are."""
        return int(self.stands.sum())

    @property
    def comparable(self) -> int:
        """How many units not failing were running when a failing one failed."""
        at_risk = (self.reached > self.entered) & self.stands
        at_risk[self.fails] = False
        return int(at_risk.sum())


def exposure(
    left_h: ArrayLike,
    failing: ArrayLike,
    entered_h: ArrayLike | None = None,
    stands: ArrayLike | None = None,
) -> Exposure:
    """Return the strata each was at risk in, and the one in which a failing one fails.

    ``left_h``: own hours when the stretch ended: by failing, otherwise, or now; NaN where not
    known: at risk in none. ``entered_h``: own hours when it began (left out: none). ``stands``: one
    stretch of each unit, the failing one if it fails (left out: each row is a unit). A stretch
    without hours counts only where it stands for its unit.

    >>> found = exposure([100.0, 400.0, 90.0, 500.0], [True, True, False, False])
    >>> found.from_h.tolist(), found.reached.tolist()
    ([100.0, 400.0], [1, 2, 0, 2])

    Raises Inconsistent for arrays of different lengths, and for stretches that end before they
    began.
    """
    exit_h, down = np.asarray(left_h, dtype=float), np.asarray(failing, dtype=bool)
    begun = np.zeros(exit_h.shape) if entered_h is None else np.asarray(entered_h, dtype=float)
    counted = np.ones(exit_h.shape, bool) if stands is None else np.asarray(stands, dtype=bool)
    if not exit_h.shape == down.shape == begun.shape == counted.shape:
        raise Inconsistent("hours, judgements and units must have one entry for each stretch.")
    if (exit_h < begun).any() or (begun < 0).any():
        raise Inconsistent("a stretch ends before it began, or hours are negative.")
    fails = np.flatnonzero(down)
    has_exit = np.isfinite(exit_h)
    failing_h = exit_h[fails][has_exit[fails]]
    starts = np.unique(failing_h)
    if starts.size > MOST_STRATA:
        parts = np.arange(MOST_STRATA) / MOST_STRATA
        starts = np.unique(np.quantile(failing_h, parts, method="lower"))
    # Strata begin at failing hours: a row that left at 400 h is at risk in all that begin at 400 h
    # or before. Rows begun at 0 h are taken as begun before everything (-1), for one that fails at
    # once.
    reached = np.searchsorted(starts, np.where(has_exit, exit_h, -1.0), side="right")
    entered = np.searchsorted(starts, np.where(begun > 0, begun, -1.0), side="right")
    stratum = np.where(has_exit[fails], reached[fails] - 1, starts.size)
    # A failing row is at risk where it fails, though strata are wider than single hours; a stretch
    # without hours that does not stand for its unit is at risk nowhere (entered = reached).
    entered[fails] = np.minimum(entered[fails], stratum)
    entered[(exit_h == begun) & ~counted] = starts.size
    np.minimum(entered, reached, out=entered)
    return Exposure(
        starts, entered, reached, counted, fails, stratum, *_ways(entered, reached, counted, starts)
    )


def _ways(
    entered: Counts, reached: Counts, stands: Flags, starts: NDArray[np.float64]
) -> tuple[Counts, NDArray[np.float64]]:
    """Rows by the few ways to have been at risk: then a level is counted in one go."""
    strata, width = np.arange(starts.size), starts.size + 1
    # One number for each way, digits to the base s + 1: stands (0 or 1), entered, reached (0 to s).
    # At most 2 (s + 1)² = 578 codes, few of which occur; `//` and `%` read the digits back.
    codes = (stands * width + entered) * width + reached
    occur = np.flatnonzero(np.bincount(codes, minlength=1))
    places = np.zeros(2 * width * width, dtype=np.int64)
    places[occur] = np.arange(occur.size)
    begun, ended = occur // width % width, occur % width
    inside = (begun[:, None] <= strata) & (strata < ended[:, None])
    stand = (occur // width**2)[:, None]
    return places[codes], np.concatenate([inside, stand], axis=1).astype(float)


@dataclass(frozen=True, slots=True)
class LevelCounts:
    """Counts of each level: (levels,) all and failing of those known; (s, levels) by stratum."""

    all: Counts
    failing: Counts
    at_risk: Counts
    failing_in: Counts
    all_at_risk: Counts
    all_failing_in: Counts
    known_count: int
    known_failing: int

    @property
    def vary(self) -> Counts:
        """The levels of which some units are and some are not: only those can be compared."""
        plain = (self.all > 0) & (self.all < self.known_count)
        at_risk = (self.at_risk > 0) & (self.at_risk < self.all_at_risk[:, None])
        return np.flatnonzero(plain | at_risk.any(axis=0))

    @property
    def comparisons(self) -> int:
        """How many comparisons that makes: two levels that are each other's rest make one."""
        levels = self.vary
        if levels.size != 2:
            return int(levels.size)
        together = self.at_risk[:, levels].sum(axis=1)
        is_rest = (
            self.all[levels].sum() == self.known_count and (together == self.all_at_risk).all()
        )
        return 1 if is_rest else 2

    def strata(self, level: int) -> Counts:
        """Return the tables of one level against the rest, as `exact_test` takes them, (s, 4)."""
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
        """Return the one table of a level against the rest, hours not considered."""
        return (
            int(self.failing[level]),
            int(self.all[level]),
            self.known_failing,
            self.known_count,
        )

    def scores(self) -> NDArray[np.float64]:
        """Say how far each level's failing are from what is expected, in standard deviations.

        Source: Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22, 719, without correction.
        """
        n = np.maximum(self.all_at_risk, 1)[:, None].astype(float)
        down = self.all_failing_in[:, None]
        expected = down * self.at_risk / n
        spread = expected * (n - down) * (n - self.at_risk) / n / np.maximum(n - 1, 1)
        off = self.failing_in.sum(axis=0) - expected.sum(axis=0)
        # A level of all or none at risk has no spread and is nowhere off: 0 over a small number, 0.
        return np.asarray(off / np.sqrt(np.maximum(spread.sum(axis=0), 1e-12)))


def level_counts(codes: Counts, units: Exposure) -> LevelCounts:
    """Count those of each level at risk and failing in each stratum. ``codes`` (n,) or (n, w).

    A row with several levels counts in each of them, and must name none twice; one with none
    known counts nowhere.
    """
    columns = list(wide(codes).T)
    levels = max((int(column.max(initial=-1)) for column in columns), default=-1) + 1
    every, strata = units.at_risk.shape[0], units.from_h.size
    tally = np.zeros((levels + 1) * every, dtype=np.int64)
    down = np.zeros((levels + 1) * (strata + 1), dtype=np.int64)
    for column in columns:
        # Level and way packed into one number and counted at once; UNKNOWN is -1, so row 0 gathers
        # the unknown and is dropped below. A product with (ways, strata) then spreads the counts
        # over strata: rows are gone through once, not once a stratum.
        places = (column + 1) * every
        places += units.way
        tally += np.bincount(places, minlength=tally.size)
        failed = (column[units.fails] + 1) * (strata + 1) + units.stratum
        down += np.bincount(failed, minlength=down.size)
    has_level = _rows_with_level(columns)
    everybody = units.way if has_level is None else units.way[has_level]
    fails = np.ones(units.fails.size, bool) if has_level is None else has_level[units.fails]
    at_risk = _rounded(tally.reshape(levels + 1, every)[1:] @ units.at_risk)
    all_at_risk = _rounded(np.bincount(everybody, minlength=every) @ units.at_risk)
    failing_in = down.reshape(levels + 1, strata + 1)[1:]
    return LevelCounts(
        all=at_risk[:, -1],
        failing=failing_in.sum(axis=1),
        at_risk=at_risk[:, :-1].T,
        failing_in=failing_in[:, :strata].T,
        all_at_risk=all_at_risk[:-1],
        all_failing_in=np.bincount(units.stratum[fails], minlength=strata + 1)[:strata],
        known_count=int(all_at_risk[-1]),
        known_failing=int(fails.sum()),
    )


def _rounded(numbers: NDArray[np.float64]) -> Counts:
    return np.rint(numbers).astype(np.int64)


def _rows_with_level(columns: list[Counts]) -> Flags | None:
    """The rows of which some level is known; None for all of them."""
    if columns and columns[0].min(initial=0) > UNKNOWN:
        return None
    return np.asarray(np.logical_or.reduce([column >= 0 for column in columns]))
