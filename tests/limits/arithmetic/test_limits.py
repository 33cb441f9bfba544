"""Limits and what they say of a value."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.limits import (
    Limit,
    Quantity,
    ValueToJudge,
    judge_limits,
    missing_quantities,
    verdict_between,
    worst_of,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import labels
from service.platform.arithmetic.verdicts import Verdict, at_least, at_most, worst

LIMIT = Limit(Quantity.GDL_PRESSURE, 0.8, 1.4, "design note 3")
VALUES = st.builds(Estimate, st.floats(0.1, 3.0), st.floats(0.0, 0.5))


@given(VALUES)
def test_a_verdict_is_the_worse_of_both_sides(value: Estimate) -> None:
    assert verdict_between(value, 0.8, 1.4) is worst([at_least(value, 0.8), at_most(value, 1.4)])
    assert verdict_between(value, 0.8, None) is at_least(value, 0.8)
    assert verdict_between(value, None, 1.4) is at_most(value, 1.4)


@given(VALUES, st.floats(1.0, 4.0))
def test_more_uncertainty_never_decides_more(value: Estimate, more: float) -> None:
    vaguer = verdict_between(Estimate(value.value, value.u * more), 0.8, 1.4)

    assert vaguer in {verdict_between(value, 0.8, 1.4), Verdict.UNDECIDED}


def test_each_value_is_judged_by_its_own_limit() -> None:
    proof = Limit(Quantity.SHARE_OF_PROOF, None, 70.0, "ISO 898-1")
    found = [
        ValueToJudge(Quantity.SHARE_OF_PROOF, Estimate(90.0)),
        ValueToJudge(Quantity.GDL_PRESSURE, Estimate(1.1), "mean"),
        ValueToJudge(Quantity.CLOSED_HEIGHT, Estimate(90.0)),
    ]

    judged = judge_limits(found, [LIMIT, proof])

    assert [(it.quantity, it.verdict) for it in judged] == [
        (Quantity.GDL_PRESSURE, Verdict.PASS),
        (Quantity.SHARE_OF_PROOF, Verdict.FAIL),
    ]
    assert judged[0].source == "design note 3"
    assert worst_of(judged) is Verdict.FAIL
    assert worst_of(()) is None


def test_a_limit_without_a_value_is_named() -> None:
    assert missing_quantities((), [LIMIT]) == (Quantity.GDL_PRESSURE,)


@pytest.mark.parametrize(
    ("least", "most", "source", "said"),
    [
        (None, None, "x", "needs a least or a greatest"),
        (2.0, 1.0, "x", "2 MPa, must lie below"),
        (-1.0, None, "x", "least value of the GDL pressure is -1 MPa"),
        (None, 0.0, "x", "is 0 MPa; allowed: more than zero"),
        (0.5, None, " ", "Name the source"),
    ],
)
def test_a_limit_that_is_none_is_refused(
    least: float | None, most: float | None, source: str, said: str
) -> None:
    with pytest.raises(TradeError) as trouble:
        Limit(Quantity.GDL_PRESSURE, least, most, source)

    assert said in str(trouble.value)


def test_every_quantity_has_a_unit_of_its_measure() -> None:
    for quantity in Quantity:
        if quantity.measure is not None:
            assert quantity.unit in labels(quantity.measure)
        assert quantity.meaning
