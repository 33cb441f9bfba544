"""What failing MEAs share that comparable ones do not: every factor looked at, told as association.

Of each factor every level is set against the rest, among units that had run at least as long as
the failing (`exposure`). A factor's p is the smallest of its levels', times the comparisons made; q
is over all factors looked at. Torque, driver, pressure and people are judged by builds; so is every
factor that hardly varies within builds, for cells of one stack are not independent of each other.

Sources: those of `exact_test` and `exposure`; Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289
(q); Hurlbert 1984, Ecol. Monogr. 54, 187 (cells that are no repetitions); the share of builds is
common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.life.arithmetic.conditional_law import (
    Counts,
    ExactTest,
    OddsRatio,
    exact_test,
    judged,
    law,
    odds_ratio,
    telling,
)
from service.life.arithmetic.factors import UNKNOWN, Codes, Factor, FactorKind, Unit, wide
from service.life.arithmetic.risk_sets import Exposure, LevelCounts, exposure, level_counts
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import within


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


FORMULA = 1
MOST_LEVELS = 8
"""Levels of a factor tested exactly and told one by one: those farthest from expectation."""
ENOUGH_BUILDS = 120
"""Builds looked at, evenly spread, to see whether a factor varies within them."""
ONE_LEVEL_SHARE = 0.9
"""A factor with one level only in this share of builds is judged by builds."""


@dataclass(frozen=True, slots=True)
class Population:
    """The stays of all MEAs compared: one row for each MEA in each build, (n,) each.

    ``build`` counts builds from 0, the rows of one build together. ``entered_h`` and ``left_h``:
    own hours of the MEA when the build was closed, and when it failed in it, left it, or now; NaN
    where not known. ``failing``: the stay in which an MEA failed, its later ones are left out.
    ``stands``: one stay of each MEA for counting, the failing one or the last. ``ran_h`` (builds,):
    hours each build ran in all.
    """

    build: Counts
    entered_h: NDArray[np.float64]
    left_h: NDArray[np.float64]
    failing: NDArray[np.bool_]
    stands: NDArray[np.bool_]
    ran_h: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelFound:
    """One level against the rest.

    ``failing`` of ``all`` units of this level, ``rest_failing`` of ``rest_all`` others; ``odds``
    and ``test`` with hours considered (None: no failing one has comparable others on both sides);
    ``plain`` the same without regard to hours; ``least_p`` the smallest p so few units could give.
    """

    level: int
    failing: int
    all: int
    rest_failing: int
    rest_all: int
    odds: OddsRatio | None
    test: ExactTest | None
    plain: ExactTest | None
    least_p: float


@dataclass(frozen=True, slots=True)
class FactorFound:
    """One factor: ``unit`` counted, ``n`` of them known and ``failing`` of those, ``unknown``.

    ``levels_seen`` vary, in ``comparisons``; those farthest from expectation are the
    ``levels`` (none where levels are people); ``p``
    of the whole factor, None where nothing could be compared; ``q`` over all factors looked at;
    ``by_build_for_alikeness``: judged by builds since it hardly varies within them.
    """

    kind: FactorKind
    unit: Unit
    by_build_for_alikeness: bool
    n: int
    failing: int
    unknown: int
    levels_seen: int
    comparisons: int
    levels: tuple[LevelFound, ...]
    p: float | None
    q: float | None = None

    @property
    def varies(self) -> bool:
        """Say whether some units are of a level and some are not."""
        return self.levels_seen > 0


@dataclass(frozen=True, slots=True)
class Suspects:
    """All factors, those with the smallest q first; ``by_chance`` as in `FalseDiscovery`.

    ``comparable`` MEAs that do not fail and had run as long as the first failing one.
    """

    meas: int
    failing: int
    builds: int
    failing_builds: int
    comparable: int
    hours_unknown: int
    looked_at: int
    by_chance: float
    factors: tuple[FactorFound, ...]


def suspects(population: Population, factors: Sequence[Factor], level: float = 0.95) -> Suspects:
    """Find in what the failing differ from comparable MEAs. ``level`` of the intervals.

    Factors of the build have a row for each build, all others one for each stay. Raises
    Inconsistent where rows do not fit.
    """
    of_meas = exposure(
        population.left_h, population.failing, population.entered_h, population.stands
    )
    builds = _Builds.of(population)
    factors_found = [_factor(factor, of_meas, builds, level) for factor in factors]
    tested = [factor for factor in factors_found if factor.p is not None]
    q = dict(
        zip(
            (factor.kind for factor in tested),
            false_discovery([factor.p or 0.0 for factor in tested]).q,
            strict=True,
        )
    )
    ordered = sorted(
        (replace(factor, q=q.get(factor.kind)) for factor in factors_found),
        key=lambda factor: (factor.p is None, factor.q, factor.p),
    )
    return Suspects(
        meas=of_meas.units,
        failing=of_meas.fails.size,
        builds=builds.units.units,
        failing_builds=builds.units.fails.size,
        comparable=of_meas.comparable,
        hours_unknown=int((population.stands & ~np.isfinite(population.left_h)).sum()),
        looked_at=len(tested),
        by_chance=one_by_chance(len(tested)),
        factors=tuple(ordered),
    )


@dataclass(frozen=True, slots=True)
class _Builds:
    """The builds as units: failing where one of its MEAs failed in it, at the hours of the first.

    ``starts``: the first row of each build that has rows, ``numbers`` of those builds.
    """

    units: Exposure
    starts: Counts
    numbers: Counts
    rows: int

    @classmethod
    def of(cls, population: Population) -> "_Builds":
        build, hours = population.build, population.ran_h.astype(float)
        starts = np.flatnonzero(np.diff(build, prepend=-1))
        numbers = build[starts]
        if np.unique(numbers).size != numbers.size:
            raise Inconsistent("the rows of a build do not stand together.")
        failing = np.zeros(hours.size, dtype=bool)
        rows = np.flatnonzero(population.failing)
        hours_at_risk = population.left_h[rows] - population.entered_h[rows]
        failing[build[rows]] = True
        # A failed build ran as long as its first failing MEA; none known leaves ∞, told as not
        # known.
        hours[failing] = np.inf
        np.minimum.at(
            hours, build[rows], np.where(np.isfinite(hours_at_risk), hours_at_risk, np.inf)
        )
        hours[~np.isfinite(hours)] = np.nan
        return cls(exposure(hours, failing), starts, numbers, build.size)

    def alike(self, codes: Codes) -> Codes | None:
        """The codes by builds where nearly all builds have one level only; else None."""
        each = wide(codes)
        if each.shape[0] != self.rows or not self.rows:
            return None
        # a sample evenly over all builds tells as much as all of them
        few = np.linspace(0, self.starts.size - 1, min(ENOUGH_BUILDS, self.starts.size))
        ends = np.append(self.starts, self.rows)
        chosen = few.astype(np.int64)
        rows = [each[ends[index] : ends[index + 1]] for index in chosen]
        several = [levels for levels in rows if len(levels) > 1 and (levels >= 0).any()]
        one_level = sum(bool((levels == levels[0]).all()) for levels in several)
        if not several or one_level < ONE_LEVEL_SHARE * len(several):
            return None
        by_build = np.full((self.units.reached.size, each.shape[1]), UNKNOWN, dtype=np.int64)
        by_build[self.numbers] = np.maximum.reduceat(each, self.starts)
        return by_build


def _factor(factor: Factor, of_meas: Exposure, builds: _Builds, level: float) -> FactorFound:
    by_build = builds.alike(factor.codes) if factor.kind.unit is Unit.MEA else factor.codes
    units = of_meas if by_build is None else builds.units
    codes = factor.codes if by_build is None else by_build
    if codes.shape[0] != units.reached.size:
        raise Inconsistent(f"{factor.kind}: {codes.shape[0]} rows for {units.reached.size}.")
    counts = level_counts(codes, units)
    tested = [_tested(counts, level) for level in _farthest(counts)]
    ps = [level.test.two_sided for level in tested if level.test]
    return FactorFound(
        kind=factor.kind,
        unit=factor.kind.unit if by_build is None else Unit.BUILD,
        by_build_for_alikeness=by_build is not None and factor.kind.unit is Unit.MEA,
        n=counts.known_count,
        failing=counts.known_failing,
        unknown=units.units - counts.known_count,
        levels_seen=int(counts.vary.size),
        comparisons=counts.comparisons,
        levels=() if factor.kind.is_of_people else _in_order(tested, counts, level),
        p=smallest_of(ps, counts.comparisons) if ps else None,
    )


def _farthest(counts: LevelCounts) -> list[int]:
    """The levels told one by one: of those that vary the ones farthest from expectation."""
    levels = counts.vary
    score = np.abs(counts.scores()[levels])
    order = np.lexsort((-counts.all[levels], -score))[:MOST_LEVELS]
    return [int(level) for level in levels[order]]


def _tested(counts: LevelCounts, level: int) -> LevelFound:
    rows = telling(counts.strata(level))
    failing, every, all_failing, all_known = counts.plain(level)
    chance = law(rows) if rows.size else None
    return LevelFound(
        level=level,
        failing=failing,
        all=every,
        rest_failing=all_failing - failing,
        rest_all=all_known - every,
        odds=None,
        test=judged(chance, int(rows[:, 0].sum())) if chance else None,
        plain=None,
        least_p=float(min(chance.shares[0], chance.shares[-1])) if chance else 1.0,
    )


def _in_order(
    levels: list[LevelFound], counts: LevelCounts, level: float
) -> tuple[LevelFound, ...]:
    """Smallest p first (of equals the one that fails more), with odds ratio and plain test."""
    ordered = sorted(levels, key=_rank)
    return tuple(
        replace(
            found_level,
            odds=odds_ratio(counts.strata(found_level.level), level),
            plain=exact_test(counts.plain(found_level.level)),
        )
        for found_level in ordered
    )


def _rank(level: LevelFound) -> tuple[bool, float, bool, int]:
    fewer = level.failing * level.rest_all < level.rest_failing * level.all
    return (
        level.test is None,
        # nine digits: p equal on paper must not be ordered by rounding
        float(f"{level.test.two_sided:.9g}") if level.test else 1,
        fewer,
        -level.all,
    )
