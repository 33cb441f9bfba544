"""Verdicts against limits, and what makes them worth nothing."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.verdicts import (
    Happening,
    Undoing,
    Verdict,
    at_least,
    at_most,
    outdated_by,
    standing,
    worst,
)

NOON = datetime(2026, 3, 7, 12, 0, tzinfo=UTC)


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


@pytest.mark.parametrize("kind", Undoing)
def test_what_is_done_after_a_test_asks_for_another(kind: Undoing) -> None:
    before, after = (Happening(kind, NOON + timedelta(hours=h)) for h in (-1, 1))

    assert standing(Verdict.PASS, NOON, [before]) is Verdict.PASS
    assert standing(Verdict.PASS, NOON, [before, after]) is Verdict.TEST_AGAIN
    later = Happening(Undoing.LOAD_CYCLE, NOON + timedelta(hours=5))
    assert outdated_by(NOON, [later, after, before]) == after
    assert outdated_by(NOON, [Happening(kind, NOON)]) is None


def test_a_limit_of_nothing_is_refused() -> None:
    with pytest.raises(OutOfRange, match="the limit is 0"):
        at_most(Estimate(1.0), 0.0)
