"""Verdicts against limits, and what makes them worth nothing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.verdicts import (
    Verdict,
    at_least,
    at_most,
    worst,
)


@given(st.floats(0.01, 10.0), st.floats(0.0, 2.0), st.floats(0.01, 10.0))
def test_more_doubt_never_turns_undecided_into_a_verdict(
    value: float, u: float, limit: float
) -> None:
    sharp, blurred = at_most(Estimate(value, u), limit), at_most(Estimate(value, 2 * u), limit)

    assert blurred in {sharp, Verdict.UNDECIDED}
    opposite = {Verdict.PASS: Verdict.FAIL, Verdict.FAIL: Verdict.PASS}
    least = at_least(Estimate(value, u), limit)
    if u > 0 and value != limit and sharp in opposite:
        assert least is opposite[sharp]


@pytest.mark.parametrize(
    ("verdicts", "together"),
    [
        ([Verdict.PASS, Verdict.PASS], Verdict.PASS),
        ([Verdict.PASS, Verdict.UNDECIDED], Verdict.UNDECIDED),
        ([Verdict.UNDECIDED, Verdict.TEST_AGAIN], Verdict.TEST_AGAIN),
        ([Verdict.TEST_AGAIN, Verdict.FAIL], Verdict.FAIL),
    ],
)
def test_the_worst_verdict_stands_for_all(verdicts: list[Verdict], together: Verdict) -> None:
    assert worst(verdicts) is together


def test_nothing_tested_is_no_verdict() -> None:
    with pytest.raises(Inconsistent, match="Nothing was tested"):
        worst([])


def test_a_limit_of_nothing_is_refused() -> None:
    with pytest.raises(OutOfRange, match="the limit is 0"):
        at_most(Estimate(1.0), 0.0)
