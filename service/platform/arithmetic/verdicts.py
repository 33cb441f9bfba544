"""A measured value against a limit: pass, fail, or undecided where uncertainty covers the limit.

Source: JCGM 106:2012 and ISO 14253-1 (guard band on both sides), one-sided 95 %.
"""

from collections.abc import Iterable
from enum import StrEnum

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero

GUARD = 1.645
"""Standard uncertainties kept from the limit: one-sided 95 % of a normal distribution."""


class Verdict(StrEnum):
    """What a test says. ``TEST_AGAIN`` is said later, when something changed since."""

    PASS = "pass"  # noqa: S105  # a verdict, no secret
    FAIL = "fail"
    UNDECIDED = "undecided"
    TEST_AGAIN = "test again"


class Undoing(StrEnum):
    """What makes an earlier verdict of tightness or insulation worth nothing."""

    RE_TORQUE = "re-torque"
    UNLOADED = "clamp released and closed again"
    PART_CHANGED = "changed part"
    LOAD_CYCLE = "new load cycle"
    CORRECTED = "correction"


def at_most(value: Estimate, limit: float) -> Verdict:
    """Judge whether the value is below a limit it must not exceed. Same unit for both.

    >>> at_most(Estimate(0.8, 0.05), 1.0), at_most(Estimate(0.95, 0.05), 1.0)
    (<Verdict.PASS: 'pass'>, <Verdict.UNDECIDED: 'undecided'>)
    """
    more_than_zero("the limit", limit, "")
    if value.value + GUARD * value.u <= limit:
        return Verdict.PASS
    return Verdict.FAIL if value.value - GUARD * value.u > limit else Verdict.UNDECIDED


def at_least(value: Estimate, limit: float) -> Verdict:
    """Judge whether the value is above a limit it must reach. Same unit for both."""
    more_than_zero("the limit", limit, "")
    if value.value - GUARD * value.u >= limit:
        return Verdict.PASS
    return Verdict.FAIL if value.value + GUARD * value.u < limit else Verdict.UNDECIDED


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict of several together: fail goes before test again, undecided and pass.

    Raises Inconsistent where there is none: nothing tested is no pass.
    """
    order = (Verdict.FAIL, Verdict.TEST_AGAIN, Verdict.UNDECIDED, Verdict.PASS)
    kinds = set(verdicts)
    if not kinds:
        raise Inconsistent("Nothing was tested: that is no verdict.")
    return next(verdict for verdict in order if verdict in kinds)
