"""Lives of several groups side by side: share surviving, law of life, rate, and do they differ?

Groups are compared as they are found; that one lives shorter is an association. The test takes
each part by itself: parts of one stack share its gases and its hours, so that it sees differences
rather too readily.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.life.arithmetic.failure_rate import FailureRate, failure_rate
from service.life.arithmetic.kaplan_meier import SurvivalCurve, kaplan_meier
from service.life.arithmetic.lifetimes import Lives
from service.life.arithmetic.log_rank import LogRank, log_rank
from service.life.arithmetic.weibull import LEAST_FAILURES, WeibullLife, weibull
from service.platform.arithmetic.errors import TradeError

FORMULA = 1
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
    told = tuple(_group(name, lives, level) for name, lives in groups.items())
    counted = [group for group in told if group.lives.n]
    test, why = _test(counted)
    compared = _names(counted, test.compared if test else ())
    tested = compared
    solid = [group for group, at in zip(counted, test.is_solid, strict=True) if at] if test else []
    if test is not None and 2 <= len(solid) < len(compared):
        again, _ = _test(solid)
        if again is not None:
            test, tested = again, _names(solid, again.compared)
    too_few = tuple(name for name in compared if name not in tested)
    return LifeByGroup(told, test, tested, too_few, why, level)


def _names(groups: Sequence[GroupLife], chosen: Sequence[bool]) -> tuple[str, ...]:
    return tuple(group.name for group, at in zip(groups, chosen, strict=False) if at)


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
