"""Tests of a stack as data, judged, and judged again under other figures."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.figures import DesignFigures, InsulationRule, ShortFigures
from service.limits.arithmetic.insulation import Between, Condition
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic import stack_tests
from service.proof.arithmetic.electrical_tests import (
    InsulationMeasured,
    InsulationTest,
    ShortCheck,
    ShortMethod,
)
from service.proof.arithmetic.leak_tests import Method
from service.proof.arithmetic.stack_tests import TestKind, judge_test, kind_of
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay

FIGURES = DesignFigures(
    leak=LEAK_FIGURES,
    insulation=(InsulationRule(Between.RODS_PLATES, Condition.DRY, 0.0, 1.0, "1 MΩ"),),
    shorts=ShortFigures(),
)
LEAKS = st.builds(
    a_decay,
    st.floats(0, 20),
    duration_min=st.floats(1, 90),
    end_temperature_c=st.floats(15, 30),
    thermometer_k=st.none() | st.floats(0.01, 1),
) | st.builds(
    a_decay, method=st.just(Method.FLOW_METER), flow_ml_min=st.floats(0, 19), arrived=st.just(())
)
INSULATION = st.builds(
    InsulationTest,
    st.integers(1, 60),
    st.just(True),
    st.just(False),
    st.tuples(
        st.builds(
            InsulationMeasured,
            st.sampled_from(Between),
            st.sampled_from(Condition),
            st.floats(0, 900),
            st.just(500.0),
            st.booleans(),
        )
    ),
)
SHORTS = st.builds(
    ShortCheck,
    st.just(ShortMethod.RESISTANCE),
    st.tuples(st.floats(0.01, 99), st.none() | st.floats(0.01, 99)),
    st.floats(1, 900),
)
ANY = st.one_of(LEAKS, INSULATION, SHORTS)


@given(ANY)
def test_a_test_went_through_json_as_it_was(test: stack_tests.StackTest) -> None:
    data = json.loads(json.dumps(stack_tests.test_as_data(test)))

    assert stack_tests.test_from_data(kind_of(test), data) == test


@given(ANY)
def test_a_result_went_through_json_and_comes_again_from_the_test(
    test: stack_tests.StackTest,
) -> None:
    result = judge_test(test, FIGURES)
    data = json.loads(json.dumps(stack_tests.result_as_data(result)))

    assert stack_tests.result_from_data(kind_of(test), data) == result
    again = stack_tests.test_from_data(kind_of(test), stack_tests.test_as_data(test))
    assert judge_test(again, FIGURES) == result
    assert result.formulas


def test_a_test_that_passed_may_fail_under_newer_limits() -> None:
    test = a_decay(4.0)
    limits = tuple(replace(it, most_mbar_l_s=0.001) for it in LEAK_FIGURES.limits)
    tighter = replace(FIGURES, leak=replace(LEAK_FIGURES, limits=limits))

    assert judge_test(test, FIGURES).verdict is Verdict.PASS
    assert judge_test(test, tighter).verdict is Verdict.FAIL


def test_data_of_another_kind_are_refused() -> None:
    data = stack_tests.test_as_data(a_decay())

    with pytest.raises(TradeError, match="“short check 1” is wanted; this is “leak test 1”"):
        stack_tests.test_from_data(TestKind.SHORTS, data)
    with pytest.raises(TradeError, match="gas is 7; allowed: words"):
        stack_tests.test_from_data(TestKind.LEAK, {**data, "gas": 7})
    cut = {name: it for name, it in data.items() if name != "start_pressure_kpa"}
    with pytest.raises(TradeError, match="start pressure"):
        stack_tests.test_from_data(TestKind.LEAK, cut)
