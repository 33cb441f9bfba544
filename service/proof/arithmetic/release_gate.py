"""What keeps the gate to hydrogen shut: verdicts that are missing, worth nothing, or no pass.

The gate answers with sentences; none means that nothing of the record keeps it shut. It never
says that a stack is safe. Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.closing.arithmetic.outcome import CLAMP
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.leak_paths import Path
from service.limits.arithmetic.operation_figures import OperationFigures
from service.limits.arithmetic.retests import LEAKS, Retest, retest_of
from service.limits.arithmetic.set_points import FORMULA, SetPoints, set_points
from service.platform.arithmetic.units import Measure, from_si
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import InsulationOutcome, ShortOutcome
from service.proof.arithmetic.leak_results import LeakResult, together
from service.proof.arithmetic.leak_searches import SearchOutcome
from service.proof.arithmetic.stack_tests import Result


@dataclass(frozen=True, slots=True)
class Standing:
    """A test of the build that still counts, in the order of making.

    ``outdated_by`` is what was done to the stack since, in words, by the verdicts it outdates.
    """

    result: Result
    outdated_by: Mapping[Retest, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RequiredVerdict:
    """A verdict the gate asks for: what of, the verdict (None: not there), why it is outdated."""

    what: str
    verdict: Verdict | None
    outdated_by: str = ""

    @property
    def opens(self) -> bool:
        """Say whether it is a pass that still counts."""
        return self.verdict is Verdict.PASS and not self.outdated_by


def gate(
    verdicts: Sequence[RequiredVerdict],
    *,
    limits_in_force: bool,
    record_approved: bool,
    set_points_acknowledged: bool,
) -> tuple[str, ...]:
    """Say what keeps the gate shut, in the order in which it is mended.

    >>> gate([RequiredVerdict("shorts", Verdict.PASS)], limits_in_force=True, record_approved=True,
    ...      set_points_acknowledged=False)
    ('The set points for this number of cells are not acknowledged.',)
    """
    sentences = []
    if not limits_in_force:
        sentences.append("No figures and limits of the design are in force.")
    if not record_approved:
        sentences.append("The record that made this build is not approved.")
    sentences += [_sentence(verdict) for verdict in verdicts if not verdict.opens]
    if not verdicts:
        sentences.append("The limits in force ask for no test: no verdict can open the gate.")
    if not set_points_acknowledged:
        sentences.append("The set points for this number of cells are not acknowledged.")
    return tuple(sentences)


def _sentence(verdict: RequiredVerdict) -> str:
    if verdict.verdict is None:
        return f"{_begin(verdict.what)}: not tested, or no limit was in force."
    if verdict.outdated_by:
        return f"{_begin(verdict.what)}: test again ({verdict.outdated_by} since)."
    words = {
        Verdict.FAIL: "failed",
        Verdict.UNDECIDED: "undecided: too near the limit, or a condition of the test not met",
        Verdict.TEST_AGAIN: "its test was marked invalid, test again",
    }
    return f"{_begin(verdict.what)}: {words.get(verdict.verdict, str(verdict.verdict))}."


def _begin(name: str) -> str:
    return name[:1].upper() + name[1:]


def wanted_verdicts(
    figures: DesignFigures, tests: Sequence[Standing], closing: RequiredVerdict | None = None
) -> tuple[RequiredVerdict, ...]:
    """Return the verdicts the figures ask for, and what the tests of the build give.

    One for each path that has a limit, one for each rule of insulation, one for shorts; then the
    one of the closing, where the figures limit the clamp (``closing`` None: not computed).
    """
    verdicts: list[RequiredVerdict] = []
    if figures.leak:
        verdicts += _leaks(tests, [limit.path for limit in figures.leak.limits])
    verdicts += _insulation(figures, tests)
    if figures.shorts:
        checks = [test for test in tests if isinstance(test.result, ShortOutcome)]
        verdicts.append(_latest("shorts of cells", checks))
    if figures.limits:
        verdicts.append(closing or RequiredVerdict(CLAMP, None))
    return tuple(verdicts)


def _leaks(tests: Sequence[Standing], paths: Sequence[Path]) -> list[RequiredVerdict]:
    leaks = [test for test in tests if isinstance(test.result, LeakResult)]
    latest: dict[object, Standing] = {}
    for leak in leaks:
        if isinstance(leak.result, LeakResult):
            latest.pop(leak.result.place, None)
            latest[leak.result.place] = leak
    before = {path.path: path for path in together(_results(leaks)).paths}
    verdicts = []
    for path in paths:
        retest = retest_of(path)
        counted = [leak for leak in latest.values() if retest not in leak.outdated_by]
        old = next(
            (leak.outdated_by[retest] for leak in latest.values() if leak not in counted), ""
        )
        verdict = next(
            each.verdict for each in together(_results(counted)).paths if each.path is path
        )
        if verdict is None and old and before[path].verdict is not None:
            verdicts.append(RequiredVerdict(f"leak {path}", before[path].verdict, old))
        else:
            verdicts.append(RequiredVerdict(f"leak {path}", verdict))
    return verdicts


def _results(tests: Sequence[Standing]) -> list[LeakResult]:
    return [test.result for test in tests if isinstance(test.result, LeakResult)]


def _insulation(figures: DesignFigures, tests: Sequence[Standing]) -> list[RequiredVerdict]:
    latest: dict[tuple[str, str], RequiredVerdict] = {}
    for test in tests:
        if isinstance(test.result, InsulationOutcome):
            for reading in test.result.found:
                name = f"insulation {reading.between}, {reading.condition}"
                latest[reading.between, reading.condition] = RequiredVerdict(
                    name, reading.verdict, test.outdated_by.get(Retest.INSULATION, "")
                )
    return [
        latest.get(
            (rule.between, rule.condition),
            RequiredVerdict(f"insulation {rule.between}, {rule.condition}", None),
        )
        for rule in figures.insulation
    ]


def _latest(name: str, tests: Sequence[Standing]) -> RequiredVerdict:
    if not tests:
        return RequiredVerdict(name, None)
    last = tests[-1]
    return RequiredVerdict(name, last.result.verdict, last.outdated_by.get(Retest.SHORTS, ""))


def retests_of(result: Result) -> frozenset[Retest]:
    """Return the kinds of verdicts that a test gives."""
    if isinstance(result, InsulationOutcome):
        return frozenset({Retest.INSULATION})
    if isinstance(result, ShortOutcome):
        return frozenset({Retest.SHORTS})
    if isinstance(result, SearchOutcome):
        return frozenset()
    return frozenset(retest_of(path.path) for path in result.paths) or LEAKS


# The set points of a number of cells as lines people read and acknowledge, and as plain data.
#
# Source: as in set_points.


FORM = "set points 1"
DIGITS = 4
"""Digits shown and acknowledged: more than any controller holds."""


@dataclass(frozen=True, slots=True)
class SetPointLine:
    """One set point, in the unit people use."""

    name: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class SetPointsAsked:
    """What is acknowledged: the lines for so many cells at a current."""

    cells: int
    current_a: float
    lines: tuple[SetPointLine, ...]

    @property
    def as_data(self) -> dict[str, Any]:
        """The same as plain data, to be hashed and kept."""
        return {
            "form": FORM,
            "formula": FORMULA,
            "cells": self.cells,
            "current_a": self.current_a,
            "lines": [[line.name, line.value, line.unit] for line in self.lines],
        }


def set_points_asked(cells: int, figures: OperationFigures) -> SetPointsAsked:
    """Return set points of so many cells with an MEA. Raises trade errors for none."""
    points = set_points(cells, figures.operation)
    return SetPointsAsked(cells, figures.current_a, tuple(_lines(points, figures)))


def _lines(points: SetPoints, figures: OperationFigures) -> list[SetPointLine]:
    condition, oxidant = f"at {points.reference}", str(figures.oxidant_gas)
    return [
        SetPointLine("current", _written(figures.current_a), "A"),
        _flow(f"hydrogen {condition}", points.hydrogen.volume_m3_s),
        _flow(f"{oxidant} {condition}", points.oxidant.volume_m3_s),
        _mass("water with the hydrogen", points.hydrogen.water_kg_s),
        _mass(f"water with the {oxidant}", points.oxidant.water_kg_s),
        _mass("product water", points.product_water_kg_s),
        SetPointLine("heat, water leaves as vapour (LHV)", _written(points.heat_lhv_w), "W"),
        SetPointLine("heat, water leaves liquid (HHV)", _written(points.heat_hhv_w), "W"),
        _flow(
            f"coolant, {figures.coolant}, rise {figures.coolant_rise_k:g} K", points.coolant_m3_s
        ),
        SetPointLine("least stack voltage", _written(points.least_voltage_v), "V"),
        SetPointLine("rated stack voltage", _written(points.rated_voltage_v), "V"),
        SetPointLine("greatest stack voltage", _written(points.greatest_voltage_v), "V"),
        SetPointLine("power at the rated voltage", _written(points.power_w), "W"),
    ]


def _flow(name: str, m3_s: float) -> SetPointLine:
    return SetPointLine(name, _written(from_si(m3_s, "L/min", Measure.FLOW)), "L/min")


def _mass(name: str, kg_s: float) -> SetPointLine:
    return SetPointLine(name, _written(from_si(kg_s, "g/min", Measure.MASS_FLOW)), "g/min")


def _written(value: float) -> str:
    """A value with `DIGITS` digits, never as a power of ten.

    >>> _written(1661.97), _written(20.9123), _written(0.0)
    ('1662', '20.91', '0')
    """
    rounded = float(f"{value:.{DIGITS}g}")
    text = f"{rounded:.10f}".rstrip("0").rstrip(".")
    return text or "0"
