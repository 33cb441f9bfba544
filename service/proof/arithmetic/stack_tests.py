"""Tests of a closed stack: leak, insulation, shorts; as data, judged, judged again under others.

Sources: as in the modules of each test.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from service.limits.arithmetic.figures import DesignFigures
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.proof.arithmetic import insulation_tests, leak_results, leak_tests, short_checks
from service.proof.arithmetic.insulation_tests import (
    InsulationOutcome,
    InsulationTest,
    judge_insulation_test,
)
from service.proof.arithmetic.leak_judging import judge_leak
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.short_checks import ShortCheck, ShortOutcome, judge_short_check


class TestKind(StrEnum):
    """Which test it is; its value is that of the record's entry."""

    __test__ = False  # no test of ours

    LEAK = "leak test"
    INSULATION = "insulation test"
    SHORTS = "short check"


StackTest = LeakTest | InsulationTest | ShortCheck
Result = LeakResult | InsulationOutcome | ShortOutcome
_FORMS = {
    TestKind.LEAK: leak_tests.FORM,
    TestKind.INSULATION: insulation_tests.FORM,
    TestKind.SHORTS: short_checks.FORM,
}
_RESULT_FORMS = {
    TestKind.LEAK: leak_results.FORM,
    TestKind.INSULATION: insulation_tests.RESULT_FORM,
    TestKind.SHORTS: short_checks.RESULT_FORM,
}


def kind_of(test: StackTest | Result) -> TestKind:
    """Which test is this?"""
    if isinstance(test, LeakTest | LeakResult):
        return TestKind.LEAK
    if isinstance(test, InsulationTest | InsulationOutcome):
        return TestKind.INSULATION
    return TestKind.SHORTS


def test_as_data(test: StackTest) -> dict[str, Any]:
    """A test as plain data; `test_from_data` reads it."""
    return with_form(_FORMS[kind_of(test)], test)


def test_from_data(kind: TestKind, data: Mapping[str, Any]) -> StackTest:
    """A test from plain data. Raises Inconsistent or OutOfRange naming field and value."""
    fields = check_form(_FORMS[kind], data)
    if kind is TestKind.LEAK:
        return from_data(LeakTest, fields, str(kind))
    if kind is TestKind.INSULATION:
        return from_data(InsulationTest, fields, str(kind))
    return from_data(ShortCheck, fields, str(kind))


def result_as_data(result: Result) -> dict[str, Any]:
    """A result as plain data; `result_from_data` reads it."""
    return with_form(_RESULT_FORMS[kind_of(result)], result)


def result_from_data(kind: TestKind, data: Mapping[str, Any]) -> Result:
    """A result from plain data. Raises Inconsistent or OutOfRange naming the field."""
    fields, name = check_form(_RESULT_FORMS[kind], data), f"the result of a {kind}"
    if kind is TestKind.LEAK:
        return from_data(LeakResult, fields, name)
    if kind is TestKind.INSULATION:
        return from_data(InsulationOutcome, fields, name)
    return from_data(ShortOutcome, fields, name)


def judge_test(test: StackTest, figures: DesignFigures) -> Result:
    """What does the test say under these figures? Also under others than those of its time.

    Raises trade errors only for readings that cannot be, or a volume that is not known.
    """
    if isinstance(test, LeakTest):
        return judge_leak(test, figures.leak)
    if isinstance(test, InsulationTest):
        return judge_insulation_test(test, figures)
    return judge_short_check(test, figures.shorts)
