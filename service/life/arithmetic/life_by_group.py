"""Lives of several groups side by side: share surviving, law of life, rate, and do they differ?

Groups are compared as they are found; that one lives shorter is an association. The test takes
each part by itself: parts of one stack share its gases and its hours, so that it sees differences
rather too readily.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import chdtri

from service.life.arithmetic.kaplan_meier import FEW_AT_RISK, SurvivalCurve, kaplan_meier
from service.life.arithmetic.lifetimes import Lives
from service.life.arithmetic.log_rank import LogRank, log_rank
from service.life.arithmetic.weibull import LEAST_FAILURES, WeibullLife, weibull
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.preconditions import more_than_zero, within

PER_H = 1000.0


@dataclass(frozen=True, slots=True)
class FailureRate:
    """Failures in 1 000 part-hours with the ends of the interval."""

    per_1000_h: float
    low: float
    high: float
    failures: int
    watched_h: float
    level: float


def failure_rate(failures: int, watched_h: float, level: float = 0.95) -> FailureRate:
    """Estimate the rate of failures, watching ended at a time and not with a failure.

    For few failures the shape of a law of life cannot be seen; a rate can be stated at once, also
    with no failure at all. It takes failures as equally likely at every age, which wear
    contradicts. Source: exact Poisson interval, Garwood 1936; NIST/SEMATECH e-Handbook 8.4.5.1.

    >>> found = failure_rate(2, 800.0, level=0.9)
    >>> [round(rate, 2) for rate in (found.per_1000_h, found.low, found.high)]
    [2.5, 0.44, 7.87]
    """
    within("the level", level, "", 0.5, 0.9999)
    hours = more_than_zero("the hours watched", watched_h, "h")
    tail = (1 - level) / 2
    low = chdtri(2 * failures, 1 - tail) / 2 if failures else 0.0
    high = chdtri(2 * failures + 2, tail) / 2
    return FailureRate(
        PER_H * failures / hours,
        float(PER_H * low / hours),
        float(PER_H * high / hours),
        failures,
        hours,
        level,
    )


FEW_FAILURES = 5


@dataclass(frozen=True, slots=True, eq=False)
class GroupLife:
    """One group; ``why_no_weibull`` says what was missing where there is no fit."""

    name: str
    lives: Lives
    curve: SurvivalCurve | None
    weibull: WeibullLife | None
    why_no_weibull: str
    rate: FailureRate | None

    @property
    def is_few(self) -> bool:
        """Fewer than five failures: the curve is a first indication only."""
        return self.lives.failures < FEW_FAILURES


@dataclass(frozen=True, slots=True, eq=False)
class LifeByGroup:
    """All groups in the order given, and the test between those that can be compared.

    Where two groups or more have five failures, seen or expected, the test is between such groups
    only; ``too_few`` are the others, whose few failures would make it rough.
    """

    groups: tuple[GroupLife, ...]
    test: LogRank | None
    tested: tuple[str, ...]
    too_few: tuple[str, ...]
    why_no_test: str
    level: float


def life_by_group(groups: Mapping[str, Lives], level: float = 0.95) -> LifeByGroup:
    """Compute everything for each group by its name.

    >>> from service.life.arithmetic.lifetimes import End, Life, lives_of
    >>> a = lives_of([Life(0, 900, End.FAILED), Life(0, 1500, End.RUNNING)])
    >>> found = life_by_group({"lot A": a, "lot B": lives_of([Life(0, 1500, End.RUNNING)])})
    >>> [(group.name, group.lives.failures, group.why_no_weibull) for group in found.groups][0]
    ('lot A', 1, 'A law is fitted from 5 failures on.')
    """
    groups_counted = tuple(_group(name, lives, level) for name, lives in groups.items())
    counted = [group for group in groups_counted if group.lives.n]
    test, why = _test(counted)
    compared = _names(counted, test.compared if test else ())
    tested = compared
    solid = (
        [group for group, is_compared in zip(counted, test.is_solid, strict=True) if is_compared]
        if test
        else []
    )
    if test is not None and 2 <= len(solid) < len(compared):
        again, _ = _test(solid)
        if again is not None:
            test, tested = again, _names(solid, again.compared)
    too_few = tuple(name for name in compared if name not in tested)
    return LifeByGroup(groups_counted, test, tested, too_few, why, level)


def _names(groups: Sequence[GroupLife], chosen: Sequence[bool]) -> tuple[str, ...]:
    return tuple(group.name for group, is_chosen in zip(groups, chosen, strict=False) if is_chosen)


def _group(name: str, lives: Lives, level: float) -> GroupLife:
    if not lives.n:
        return GroupLife(name, lives, None, None, "There is no life to count.", None)
    law, why = _law(lives, level)
    watched = lives.watched_h
    rate = failure_rate(lives.failures, watched, level) if watched > 0 else None
    return GroupLife(name, lives, kaplan_meier(lives, level), law, why, rate)


def _law(lives: Lives, level: float) -> tuple[WeibullLife | None, str]:
    if lives.failures < LEAST_FAILURES:
        return None, f"A law is fitted from {LEAST_FAILURES} failures on."
    try:
        return weibull(lives, level), ""
    except TradeError as error:
        return None, str(error)


def _test(counted: Sequence[GroupLife]) -> tuple[LogRank | None, str]:
    if len(counted) < 2:
        return None, "A comparison needs two groups."
    if not any(group.lives.failures for group in counted):
        return None, "No part has failed in any group."
    try:
        return log_rank([group.lives for group in counted]), ""
    except TradeError:
        return None, "No two groups were watched at the same hours when a part failed."


# What a comparison of lives says in words: an association with its numbers, never a cause.


SMALL_P = 0.05


MOST_LISTED = 8


def p_in_words(p: float) -> str:
    """Return a p value with two digits that mean something.

    >>> p_in_words(0.21345), p_in_words(0.0321), p_in_words(0.0000417), p_in_words(1e-9)
    ('0.21', '0.032', '0.00004', 'less than 0.00001')
    """
    if p < 1e-5:
        return "less than 0.00001"
    digits = 2 if p >= 0.1 else 3 if p >= 0.001 else 5
    return f"{p:.{digits}f}"


def comparison_in_words(life: LifeByGroup) -> tuple[str, ...]:
    """Say whether the groups differ: a sentence a line, the last ones what to be careful with."""
    test = life.test
    if test is None:
        return (life.why_no_test,)
    failures = int(test.observed.sum())
    degrees = f"{test.freedom} {'degree' if test.freedom == 1 else 'degrees'} of freedom"
    sentences = [
        (
            f"Log-rank test of {len(life.tested)} groups, {test.n} lives and {_failures(failures)}:"
            f" χ² = {test.chi_square:.2f} with {degrees}, p = {p_in_words(test.p)}."
        )
    ]
    if test.is_rough:
        sentences.append(
            f"Too few failures for a firm answer: a group has fewer than {FEW_FAILURES}, seen and"
            " expected, so that p is an indication only."
        )
    elif test.p < SMALL_P:
        sentences.append(
            "If all groups lived alike, so large a difference would be rare. The groups go together"
            " with length of life; what else they do not share may stand behind it."
        )
    else:
        sentences.append(
            "A difference like this would be nothing unusual if all groups lived alike; with"
            f" {_failures(failures)} a real one may still not be seen."
        )
    if life.too_few:
        sentences.append(
            f"Left out of the test, with fewer than {FEW_FAILURES} failures seen and expected:"
            f" {_listed(life.too_few)}."
        )
    if len(life.tested) > 2:
        sentences.append(
            f"{len(life.tested)} groups are compared in one test; picking out two of them"
            " afterwards is another question than the one answered here."
        )
    return tuple(sentences)


def group_in_words(group: GroupLife) -> tuple[str, ...]:
    """Return what to be careful with in one group; nothing where there is nothing."""
    sentences = []
    curve = group.curve
    if curve is not None and group.is_few:
        sentences.append(
            "no failure yet" if not group.lives.failures else f"fewer than {FEW_FAILURES} failures"
        )
    if curve is not None and curve.begins_h > 0:
        sentences.append(
            f"watched from {curve.begins_h:.0f}\u2009h on: the share of those that had reached it"
        )
    if curve is not None and curve.emptied_h is not None:
        sentences.append(
            f"all at risk at {curve.emptied_h:.0f}\u2009h failed while others entered later:"
            " the curve says nothing of those"
        )
    elif curve is not None and curve.few_from_h is not None and not group.is_few:
        sentences.append(
            f"fewer than {FEW_AT_RISK} at risk from the failure at {curve.few_from_h:.0f}\u2009h on"
        )
    return tuple(sentences)


def shape_in_words(low: float, high: float) -> str:
    """Return what an interval of the Weibull shape allows to say.

    >>> shape_in_words(1.3, 2.2), shape_in_words(0.8, 1.9), shape_in_words(0.3, 0.8)
    ('failures come more often with age', 'age may matter or not', 'failures fade with age')
    """
    if low > 1:
        return "failures come more often with age"
    return "failures fade with age" if high < 1 else "age may matter or not"


def _listed(names: tuple[str, ...]) -> str:
    first_names = ", ".join(names[:MOST_LISTED])
    return (
        f"{first_names} and {len(names) - MOST_LISTED} more"
        if len(names) > MOST_LISTED
        else first_names
    )


def _failures(count: int) -> str:
    return f"{count} {'failure' if count == 1 else 'failures'}"
