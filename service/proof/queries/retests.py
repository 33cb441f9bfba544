"""A kept test computed anew with one of its facts put right, by the limits it was judged by."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.platform.arithmetic.units import Measure
from service.proof.arithmetic.electrical_tests import InsulationTest
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.stack_tests import Result, StackTest, TestKind, judge_test
from service.proof.arithmetic.test_values import with_value
from service.proof.arithmetic.tests_in_words import ResultLine, lines_of
from service.proof.arithmetic.typed_tests import gauge_percent, meter_of, tester_percent
from service.proof.queries.stack_tests import read_result, read_test
from service.proof.queries.tools_read import how_far_off, read_with
from service.proof.tables import StackTest as Row
from service.records.tables import Step
from service.store.queries.calibrations import calibration_on
from service.store.tables import Instrument

CALIBRATION_OF = {
    "instrument_id": "calibration_id",
    "thermometer_id": "thermometer_calibration_id",
    "meter_id": "meter_calibration_id",
}
CHANGES_ERRORS = (
    *("start_pressure_kpa", "zero", "barometer_kpa", "start_temperature_c"),
    "resistance_mohm",
)
"""Values at which the instruments' errors are taken."""


@dataclass(frozen=True, slots=True)
class Retest:
    """A test as it was kept and as it is with a fact put right.

    ``tools``: the columns of the row that name other instruments and calibrations.
    """

    kept: Result
    figures: DesignFigures
    test: StackTest
    result: Result
    tools: Mapping[str, int | None]

    @property
    def rows(self) -> Iterator[tuple[str, str, str]]:
        """What preview and trail say of it: what, before, after."""
        if self.kept.verdict is not self.result.verdict:
            yield "verdict of the test", str(self.kept.verdict), str(self.result.verdict)
        before = {line.what: line for line in lines_of(self.kept)}
        for line in lines_of(self.result):
            was = before.get(line.what)
            if was is None or (was.value, was.verdict) != (line.value, line.verdict):
                yield line.what, _in_words(was), _in_words(line)


@dataclass(frozen=True, slots=True)
class _Used:
    instrument: Instrument
    calibration_id: int | None


def _in_words(line: ResultLine | None) -> str:
    if line is None:
        return "–"
    return f"{line.value}, {line.verdict}" if line.verdict else line.value


def retested(session: Session, step_id: int, field: str, value: float | str | None) -> Retest:
    """Judge the test of an entry anew; ``field`` is a path of `test_values` or an instrument.

    ``value`` is the right one, of an instrument its number. Raises the errors of the test.
    """
    row = session.scalars(select(Row).where(Row.step_id == step_id)).one()
    step = session.get_one(Step, step_id)
    kind = TestKind(step.kind.value)
    content = session.scalar(select(LimitSet.content).where(LimitSet.id == row.limit_set_id))
    figures = read_figures(content) if content else DesignFigures()
    test, tools = read_test(kind, row.content), {}
    if field in CALIBRATION_OF:
        tools = _tools(session, field, int(value or 0), step.done_at)
        test = _read_with(session, test, row, tools)
    else:
        test = with_value(test, field, value)
        if field.endswith(CHANGES_ERRORS):
            test = _read_with(session, test, row, tools)
    return Retest(read_result(kind, row.result), figures, test, judge_test(test, figures), tools)


def _tools(
    session: Session, field: str, instrument_id: int, done_at: datetime
) -> dict[str, int | None]:
    then = calibration_on(session, instrument_id, done_at)
    return {field: instrument_id, CALIBRATION_OF[field]: then.id if then.is_valid else None}


def _read_with(
    session: Session, test: StackTest, row: Row, tools: Mapping[str, int | None]
) -> StackTest:
    """The test with what its instruments say of its readings."""

    def used(field: str) -> _Used | None:
        number = tools.get(field, getattr(row, field))
        calibration = CALIBRATION_OF[field]
        if number is None:
            return None
        of = session.get_one(Instrument, number)
        return _Used(of, tools.get(calibration, getattr(row, calibration)))

    tool, warm = used("instrument_id"), used("thermometer_id")
    if tool is not None and isinstance(test, InsulationTest):
        off = how_far_off(session, tool, "MΩ", Measure.RESISTANCE)
        return replace(test, accuracy_percent=tester_percent(test.readings, off))
    if tool is None or warm is None or not isinstance(test, LeakTest):
        return test
    read = read_with(session, tool, warm, used("meter_id"))
    kpa, outside_kpa = test.start_pressure_kpa, test.barometer_kpa
    meter, full_scale = test.meter, read.meter_full_scale_ml_min
    return replace(
        test,
        gauge_percent=gauge_percent(kpa, test.zero, outside_kpa, read.gauge),
        gauge_step_kpa=read.gauge_step_kpa,
        thermometer_k=read.thermometer.at(test.start_temperature_c),
        thermometer_step_k=read.thermometer_step_k,
        meter=meter_of(full_scale, meter.reference, read) if meter and full_scale else meter,
        helium=test.helium and replace(test.helium, step_mbar_l_s=read.detector_step_mbar_l_s),
    )
