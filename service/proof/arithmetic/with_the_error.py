"""What readings would have said with the error their instrument was found with.

The shown value less the error is taken as the true one (GUM 3.2.4, correction for a known
systematic effect).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.limits.arithmetic.figures import DesignFigures
from service.platform.arithmetic.errors import Inconsistent, TradeError
from service.platform.arithmetic.units import from_si, to_si
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import InsulationTest, ShortMethod
from service.proof.arithmetic.leak_searches import LeakSearch
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.stack_tests import StackTest, judge_test
from service.store.arithmetic.calibrations import FoundError
from service.store.arithmetic.instruments import InstrumentKind, measure_of
from service.store.arithmetic.make_safe import LineAsked


class Still(StrEnum):
    """What a pass is worth with the error found."""

    PASSES = "still passes"
    WOULD_NOT = "would not pass"
    CANNOT_TELL = "cannot be told"
    FAILED_THEN = "did not pass then"
    DECIDES_NOTHING = "superseded by a later reading"
    EVIDENCE = "evidence, decides nothing by itself"


@dataclass(frozen=True, slots=True)
class ErrorInUnit:
    """The error of one instrument, in the unit it reads."""

    found: FoundError
    unit: str

    def corrected(self, shown: float, unit: str) -> float | None:
        """Return the true value of a reading in its unit; None where the error is not known."""
        if not self.found.is_known:
            return None
        if unit == self.unit or not self.unit:
            return shown - self.found.at(shown)
        measure = measure_of(unit)
        if measure is None:
            return None
        try:
            read = from_si(to_si(shown, unit, measure), self.unit, measure)
            true = read - self.found.at(read)
            return from_si(to_si(true, self.unit, measure), unit, measure)
        except TradeError:
            return None


Bounds = tuple[float | None, float | None]
"""The least and the greatest a reading may be; None: without."""


def within_percent(target: float, percent: float) -> Bounds:
    """Return the bounds of a target with its tolerance in %.

    >>> within_percent(9.0, 5.0)
    (8.55, 9.45)
    """
    return within(target, target * percent / 100)


def within(target: float, off: float) -> Bounds:
    """Return the bounds of a target with its tolerance, same unit."""
    return target - off, target + off


def still_within(shown: float, true: float | None, bounds: Sequence[Bounds]) -> Still:
    """Say what a reading is worth between bounds; without any it decides nothing by itself.

    >>> still_within(9.4, 9.6, [within_percent(9.0, 5.0)]).value
    'would not pass'
    """

    def is_within(value: float) -> bool:
        return all(
            (least is None or value >= least - 1e-9) and (most is None or value <= most + 1e-9)
            for least, most in bounds
        )

    if not bounds:
        return Still.EVIDENCE
    if not is_within(shown):
        return Still.FAILED_THEN
    if true is None:
        return Still.CANNOT_TELL
    return Still.PASSES if is_within(true) else Still.WOULD_NOT


def line_bounds(line: LineAsked) -> list[Bounds]:
    """Return the bounds of a make-safe line, as `check_reading` takes them."""
    least, most = line.reading_least, line.reading_most
    if least is None and most is None:
        return []
    return [(-most if least is None and most is not None else least, most)]


def bounds_of(check: ClosingCheck, figures: DesignFigures) -> list[Bounds]:
    """Return the bounds of a check of the closing in mm, by a design's limits and figures."""
    bounds = [
        (limit.least, limit.most) for limit in figures.limits if limit.quantity.value == check.value
    ]
    clamp = figures.clamp
    if check is ClosingCheck.HEIGHT and clamp is not None:
        target, off = clamp.target_height_mm, clamp.height_tolerance_mm
        if target is not None and off is not None:
            bounds.append(within(target, off))
    return bounds


def force_bounds(figures: DesignFigures) -> list[Bounds]:
    """Return the bounds of the press force in kN, by a design's figures."""
    clamp = figures.clamp
    if clamp is None or clamp.press_force_kn is None or clamp.press_tolerance_percent is None:
        return []
    return [within_percent(clamp.press_force_kn, clamp.press_tolerance_percent)]


def test_still(verdict: Verdict, again: Verdict | None) -> Still:
    """Say what a test's verdict is worth, from the one its corrected readings give."""
    if verdict is not Verdict.PASS:
        return Still.FAILED_THEN
    if again is Verdict.PASS:
        return Still.PASSES
    return Still.WOULD_NOT if again is Verdict.FAIL else Still.CANNOT_TELL


def judged_with_the_error(
    test: StackTest,
    figures: DesignFigures,
    kind: InstrumentKind,
    error: ErrorInUnit,
    *,
    as_tested: bool = False,
) -> Verdict | None:
    """Return the verdict of a test with the readings of one instrument corrected.

    ``as_tested`` as in `judge_test`. None where the error is not known, or the corrected readings
    cannot be judged.
    """
    try:
        return judge_test(_corrected(test, kind, error), figures, as_tested=as_tested).verdict
    except TradeError:
        return None


def _corrected(test: StackTest, kind: InstrumentKind, error: ErrorInUnit) -> StackTest:
    def true(shown: float, unit: str) -> float:
        value = error.corrected(shown, unit)
        if value is None:
            raise Inconsistent(f"The error of the {kind} is not known in {unit}.")
        return value

    if isinstance(test, LeakTest):
        return _leak(test, kind, true)
    if isinstance(test, InsulationTest):
        readings = tuple(
            replace(reading, resistance_mohm=max(0.0, true(reading.resistance_mohm, "MΩ")))
            for reading in test.readings
        )
        return replace(test, readings=readings)
    unit = "V" if test.way is ShortMethod.VOLTAGE else "Ω"
    if isinstance(test, LeakSearch):
        unit = test.unit
    values = tuple(None if value is None else true(value, unit) for value in test.values)
    return replace(test, values=values)


def _leak(test: LeakTest, kind: InstrumentKind, true: Callable[[float, str], float]) -> LeakTest:
    def of(value: float | None, unit: str) -> float | None:
        return None if value is None else true(value, unit)

    if kind is InstrumentKind.PRESSURE_GAUGE:
        return replace(
            test,
            start_pressure_kpa=true(test.start_pressure_kpa, "kPa"),
            end_pressure_kpa=of(test.end_pressure_kpa, "kPa"),
        )
    if kind is InstrumentKind.THERMOMETER:
        return replace(
            test,
            start_temperature_c=true(test.start_temperature_c, "°C"),
            end_temperature_c=of(test.end_temperature_c, "°C"),
        )
    if kind is InstrumentKind.HELIUM_DETECTOR:
        return test  # read against a calibrated leak: what it is off by itself falls out
    flows = tuple(
        replace(flow, flow_ml_min=true(flow.flow_ml_min, "mL/min")) for flow in test.arrived
    )
    return replace(test, flow_ml_min=of(test.flow_ml_min, "mL/min"), arrived=flows)
