"""What readings would have said with the error their instrument was found with.

The shown value less the error is taken as the true one (GUM 3.2.4, correction for a known
systematic effect).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

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


def nut_still(
    torque_nm: float, true_nm: float | None, target_nm: float, tolerance_percent: float
) -> Still:
    """Say what the last reading of a nut is worth against the target with its tolerance."""

    def is_within(torque: float) -> bool:
        return abs(torque - target_nm) <= target_nm * tolerance_percent / 100 * (1 + 1e-9)

    if not is_within(torque_nm):
        return Still.FAILED_THEN
    if true_nm is None:
        return Still.CANNOT_TELL
    return Still.PASSES if is_within(true_nm) else Still.WOULD_NOT


def test_still(verdict: Verdict, again: Verdict | None) -> Still:
    """Say what a test's verdict is worth, from the one its corrected readings give."""
    if verdict is not Verdict.PASS:
        return Still.FAILED_THEN
    if again is Verdict.PASS:
        return Still.PASSES
    return Still.WOULD_NOT if again is Verdict.FAIL else Still.CANNOT_TELL


def judged_with_the_error(
    test: StackTest, figures: DesignFigures, kind: InstrumentKind, error: ErrorInUnit
) -> Verdict | None:
    """Return the verdict of a test with the readings of one instrument corrected.

    None where the error is not known, or the corrected readings cannot be judged.
    """
    try:
        return judge_test(_corrected(test, kind, error), figures).verdict
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
