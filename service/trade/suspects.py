"""What failing MEAs share that comparable ones do not: every factor looked at, told as association.

Of each factor every level is set against the rest, among units that had run at least as long as
the failing (`exposure`). A factor's p is the smallest of its levels', times the comparisons made; q
is over all factors looked at. Torque, driver, pressure and people are judged by builds; so is every
factor that hardly varies within builds, for cells of one stack are not independent of each other.

Sources: those of `exact_tables`, `exposure` and `false_discovery`; Hurlbert 1984, Ecol. Monogr. 54,
187 (cells that are no repetitions); the share of builds is common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.trade.conditional_law import Counts, law, telling
from service.trade.errors import Inconsistent
from service.trade.exact_tables import ExactTest, OddsRatio, exact_test, odds_ratio
from service.trade.exposure import Exposure, LevelCounts, exposure, level_counts
from service.trade.factors import UNKNOWN, Codes, Factor, FactorKind, Unit, wide
from service.trade.false_discovery import false_discovery, one_by_chance, smallest_of

FORMULA = 1
MOST_LEVELS = 8
"""Levels of a factor tested exactly and told one by one: those farthest from expectation."""
ONE_LEVEL_SHARE = 0.9
"""A factor with one level only in this share of builds is judged by builds."""


@dataclass(frozen=True, slots=True)
class Population:
    """The MEAs compared: failing ones and comparable ones, (n,) each.

    An MEA's build is the one it ran longest in; ``build`` counts builds from 0, below 0: in none.
    ``hours_h`` are its own hours, ``hours_in_build_h`` those in that build: until it failed, or
    until now. NaN: not known.
    """

    failing: NDArray[np.bool_]
    hours_h: NDArray[np.float64]
    build: Counts
    hours_in_build_h: NDArray[np.float64]


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

    ``levels_seen`` compared, the telling ones in ``levels`` (none where levels are people); ``p``
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
    levels: tuple[LevelFound, ...]
    p: float | None
    q: float | None = None


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
    """In what do the failing differ from comparable MEAs? ``level`` of the intervals.

    Factors of the build have a row for each build, all others one for each MEA. Raises Inconsistent
    where rows do not fit.
    """
    of_meas = exposure(population.hours_h, population.failing)
    builds = _Builds.of(population)
    found = [_factor(factor, of_meas, builds, level) for factor in factors]
    told = [one for one in found if one.p is not None]
    q = dict(
        zip(
            (one.kind for one in told),
            false_discovery([one.p or 0.0 for one in told]).q,
            strict=True,
        )
    )
    ordered = sorted(
        (replace(one, q=q.get(one.kind)) for one in found),
        key=lambda one: (one.p is None, one.q, one.p),
    )
    return Suspects(
        meas=population.failing.size,
        failing=int(population.failing.sum()),
        builds=builds.units.failing.size,
        failing_builds=int(builds.units.failing.sum()),
        comparable=of_meas.comparable,
        hours_unknown=int((~np.isfinite(population.hours_h)).sum()),
        looked_at=len(told),
        by_chance=one_by_chance(len(told)),
        factors=tuple(ordered),
    )


@dataclass(frozen=True, slots=True)
class _Builds:
    """The builds as units: failing where one of its MEAs fails, at the hours of the first."""

    units: Exposure
    order: Counts
    starts: Counts
    numbers: Counts

    @classmethod
    def of(cls, population: Population) -> "_Builds":
        build = population.build
        count = int(build.max(initial=-1)) + 1
        order = np.argsort(build, kind="stable")
        order = order[np.searchsorted(build[order], 0) :]
        ordered = build[order]
        starts = np.flatnonzero(np.diff(ordered, prepend=-1))
        numbers = ordered[starts]
        failing, hours = np.zeros(count, dtype=bool), np.full(count, np.nan)
        if order.size:
            down, ran = population.failing[order], population.hours_in_build_h[order]
            failing[numbers] = np.logical_or.reduceat(down, starts)
            first = np.minimum.reduceat(np.where(down & np.isfinite(ran), ran, np.inf), starts)
            longest = np.maximum.reduceat(np.where(np.isfinite(ran), ran, -np.inf), starts)
            own = np.where(failing[numbers], first, longest)
            hours[numbers] = np.where(np.isfinite(own), own, np.nan)
        return cls(exposure(hours, failing), order, starts, numbers)

    def alike(self, codes: Codes) -> Codes | None:
        """The codes by builds where nearly all builds have one level only; else None."""
        ordered = wide(codes)[self.order]
        if not ordered.size:
            return None
        low = np.minimum.reduceat(ordered, self.starts)
        high = np.maximum.reduceat(ordered, self.starts)
        several = np.diff(np.append(self.starts, self.order.size)) > 1
        several &= (high >= 0).any(axis=1)
        one_level = (low == high).all(axis=1)
        if not several.any() or one_level[several].mean() < ONE_LEVEL_SHARE:
            return None
        by_build = np.full((self.units.failing.size, ordered.shape[1]), UNKNOWN, dtype=np.int64)
        by_build[self.numbers] = high
        return by_build


def _factor(factor: Factor, of_meas: Exposure, builds: _Builds, level: float) -> FactorFound:
    by_build = builds.alike(factor.codes) if factor.kind.unit is Unit.MEA else factor.codes
    units = of_meas if by_build is None else builds.units
    codes = factor.codes if by_build is None else by_build
    if codes.shape[0] != units.failing.size:
        raise Inconsistent(f"{factor.kind}: {codes.shape[0]} rows for {units.failing.size} units.")
    counts = level_counts(codes, units)
    seen = int((counts.all > 0).sum())
    told = [_tested(counts, at) for at in _farthest(counts)] if seen > 1 else []
    ps = [one.test.two_sided for one in told if one.test]
    shown = () if factor.kind.is_of_people else _in_order(told, counts, level)
    return FactorFound(
        kind=factor.kind,
        unit=factor.kind.unit if by_build is None else Unit.BUILD,
        by_build_for_alikeness=by_build is not None and factor.kind.unit is Unit.MEA,
        n=counts.known,
        failing=counts.known_failing,
        unknown=units.failing.size - counts.known,
        levels_seen=seen,
        levels=shown,
        p=smallest_of(ps, 1 if seen == 2 and codes.shape[1:] in {(), (1,)} else seen)
        if ps
        else None,
    )


def _farthest(counts: LevelCounts) -> list[int]:
    score = np.where(counts.all > 0, np.abs(counts.scores()), -1.0)
    order = np.lexsort((-counts.all, -score))[:MOST_LEVELS]
    return [int(at) for at in order if counts.all[at] > 0]


def _tested(counts: LevelCounts, at: int) -> LevelFound:
    strata = counts.strata(at)
    failing, every, all_failing, known = counts.plain(at)
    return LevelFound(
        level=at,
        failing=failing,
        all=every,
        rest_failing=all_failing - failing,
        rest_all=known - every,
        odds=None,
        test=exact_test(strata),
        plain=None,
        least_p=_least_p(telling(strata)),
    )


def _least_p(strata: Counts) -> float:
    """The smallest two-sided p the margins allow: the rarer end of the law."""
    if not strata.size:
        return 1.0
    shares = law(strata).shares
    return float(min(shares[0], shares[-1]))


def _in_order(told: list[LevelFound], counts: LevelCounts, level: float) -> tuple[LevelFound, ...]:
    """Smallest p first (of equals the one that fails more), with odds ratio and plain test."""
    ordered = sorted(told, key=_rank)
    return tuple(
        replace(
            one,
            odds=odds_ratio(counts.strata(one.level), level),
            plain=exact_test(counts.plain(one.level)),
        )
        for one in ordered
    )


def _rank(one: LevelFound) -> tuple[bool, float, bool, int]:
    fewer = one.failing * one.rest_all < one.rest_failing * one.all
    return (
        one.test is None,
        float(f"{one.test.two_sided:.9g}") if one.test else 1,
        fewer,
        -one.all,
    )
