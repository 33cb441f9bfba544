"""Tests of insulation and checks of the cells for shorts as they were made, and what they gave.

JSON forms “insulation test 1”, “insulation result 1”, “short check 1” and “short result 1”.
Sources: as in insulation and shorts.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from service.limits.arithmetic import insulation
from service.limits.arithmetic.figures import DesignFigures, ShortFigures
from service.limits.arithmetic.insulation import (
    Between,
    Condition,
    InsulationLimit,
    InsulationReading,
    judge_insulation,
    working_voltage,
)
from service.limits.arithmetic.shorts import (
    CellCheck,
    CellFinding,
    shorts_by_resistance,
    shorts_by_voltage,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import standard_uncertainty
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within
from service.platform.arithmetic.verdicts import Verdict, worst
from service.store.arithmetic.instruments import instrument_accuracy

INSULATION_FORM, INSULATION_RESULT_FORM = "insulation test 1", "insulation result 1"
INSULATION_FORMULAS = ("insulation test 1", insulation.FORMULA)
_ANY_LIMIT = InsulationLimit(0.0, 1.0, "none")


@dataclass(frozen=True, slots=True)
class InsulationMeasured:
    """One reading: MΩ at a test voltage. ``over_range``: the tester showed only that it is more."""

    between: Between
    condition: Condition
    resistance_mohm: float
    test_voltage_v: float
    over_range: bool = False

    def __post_init__(self) -> None:
        """Refuse what no tester shows."""
        not_below_zero(
            f"the resistance {self.between}", self.resistance_mohm, "MΩ", "resistance_mohm"
        )
        more_than_zero("the test voltage", self.test_voltage_v, "V", "test_voltage_v")


@dataclass(frozen=True, slots=True)
class InsulationTest:
    """Readings of one test. The working voltage is that of so many cells where none is given."""

    cells: int
    cells_bonded: bool
    hydrogen_present: bool
    readings: tuple[InsulationMeasured, ...]
    working_voltage_v: float | None = None
    accuracy_percent: float | None = None
    invalid_because: str | None = None

    def __post_init__(self) -> None:
        """Refuse a test that must not be made, and readings that contradict each other."""
        within("the number of cells", self.cells, "", 1, 1000, "cells")
        if self.working_voltage_v is not None:
            more_than_zero("the working voltage", self.working_voltage_v, "V", "working_voltage_v")
        if self.accuracy_percent is not None:
            within(
                "the tester's accuracy", self.accuracy_percent, "%", 0.0, 100.0, "accuracy_percent"
            )
        if not self.readings:
            raise Inconsistent("An insulation test needs one reading at least.", "readings")
        places = [(reading.between, reading.condition) for reading in self.readings]
        for place in places:
            if places.count(place) > 1:
                raise Inconsistent(f"{place[0]}, {place[1]}: two readings are given; give one.")
        for reading in self.readings:
            self._judged(reading, _ANY_LIMIT)

    @property
    def voltage_v(self) -> float:
        """The working voltage, V."""
        if self.working_voltage_v is not None:
            return self.working_voltage_v
        return working_voltage(self.cells)

    @property
    def u_share(self) -> float:
        """Standard uncertainty of a reading as a share."""
        percent = self.accuracy_percent
        if percent is None:
            percent = instrument_accuracy("insulation tester").percent
        return standard_uncertainty(percent / 100)

    def _judged(
        self, reading: InsulationMeasured, limit: InsulationLimit
    ) -> insulation.InsulationResult:
        return judge_insulation(
            InsulationReading(
                reading.between,
                reading.condition,
                reading.resistance_mohm * 1e6,
                reading.test_voltage_v,
                self.u_share,
                reading.over_range,
            ),
            limit,
            self.voltage_v,
            cells_bonded=self.cells_bonded,
            hydrogen_present=self.hydrogen_present,
        )

    def found(self, reading: InsulationMeasured, figures: DesignFigures) -> "InsulationFound":
        """Return one reading judged by the design's rule for it."""
        rule = figures.rule(reading.between, reading.condition)
        judged = self._judged(reading, _ANY_LIMIT if rule is None else rule.limit)
        return InsulationFound(
            reading.between,
            reading.condition,
            reading.resistance_mohm,
            reading.resistance_mohm * self.u_share,
            reading.over_range,
            None if rule is None else judged.limit_ohm / 1e6,
            "" if rule is None else judged.standard,
            judged.current_a * 1e6 if isfinite(judged.current_a * 1e6) else None,
            None if rule is None else judged.verdict,
        )


@dataclass(frozen=True, slots=True)
class InsulationFound:
    """One reading: MΩ with standard uncertainty, its limit, µA at the working voltage.

    No current is given where nothing resists.
    """

    between: Between
    condition: Condition
    resistance_mohm: float
    u_mohm: float
    over_range: bool
    limit_mohm: float | None
    standard: str
    current_ua: float | None
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class InsulationOutcome:
    """A test judged."""

    working_voltage_v: float
    found: tuple[InsulationFound, ...]
    verdict: Verdict
    remarks: tuple[str, ...]
    formulas: tuple[str, ...]


def judge_insulation_test(test: InsulationTest, figures: DesignFigures) -> InsulationOutcome:
    """Judge an insulation test. A reading without a rule of the design decides nothing."""
    findings = tuple(test.found(reading, figures) for reading in test.readings)
    verdicts = [finding.verdict for finding in findings if finding.verdict is not None]
    verdict = worst(verdicts) if verdicts else Verdict.UNDECIDED
    without = [
        f"{finding.between}, {finding.condition}" for finding in findings if finding.verdict is None
    ]
    remarks = tuple(f"No limit is in force for {subject}: no verdict." for subject in without)
    return InsulationOutcome(test.voltage_v, findings, verdict, remarks, INSULATION_FORMULAS)


SHORT_FORM, SHORT_RESULT_FORM = "short check 1", "short result 1"


SHORT_FORMULAS = ("short check 1",)


class ShortMethod(StrEnum):
    """How the cells are checked."""

    RESISTANCE = "resistance of each cell"  # before gas
    VOLTAGE = "open-circuit voltage of each cell"  # gas on


@dataclass(frozen=True, slots=True)
class ShortCheck:
    """One value a cell, cell 1 first: Ω or V; None where a cell was not measured.

    ``blank_cells`` are the numbers of cells without an MEA: nothing is asked of them.
    """

    way: ShortMethod
    values: tuple[float | None, ...]
    active_area_cm2: float
    blank_cells: tuple[int, ...] = ()
    invalid_because: str | None = None

    def __post_init__(self) -> None:
        """Refuse what no cell can have."""
        more_than_zero("the active area", self.active_area_cm2, "cm²", "active_area_cm2")
        if all(value is None for value in self.values):
            raise Inconsistent("No cell was measured.")
        _ = self.findings(ShortFigures())

    def findings(self, figures: ShortFigures) -> tuple[CellFinding, ...]:
        """Return what each cell's value says."""
        if self.way is ShortMethod.VOLTAGE:
            return shorts_by_voltage(self.values, figures.least_v, figures.shorted_below_v)
        return shorts_by_resistance(
            self.values,
            self.active_area_cm2,
            figures.least_ohm_cm2,
            figures.much_less_percent / 100,
        )


@dataclass(frozen=True, slots=True)
class CellChecked:
    """One cell: Ω·cm² or V, what it says, and why in words."""

    cell: int
    value: float | None
    check: CellCheck
    why: str


@dataclass(frozen=True, slots=True)
class ShortOutcome:
    """A check judged."""

    way: ShortMethod
    unit: str
    cells: tuple[CellChecked, ...]
    verdict: Verdict
    remarks: tuple[str, ...]
    formulas: tuple[str, ...]

    def cells_that_are(self, check: CellCheck) -> tuple[int, ...]:
        """Return the numbers of the cells of which this was found."""
        return tuple(cell.cell for cell in self.cells if cell.check is check)


def judge_short_check(test: ShortCheck, figures: ShortFigures | None) -> ShortOutcome:
    """Judge a short check. A shorted cell fails it; one suspect or not measured leaves it open.

    Without figures of the design common ones are used, and nothing passes by them.
    """
    cells = tuple(
        CellChecked(finding.cell, finding.value, finding.check, finding.why)
        for finding in test.findings(figures or ShortFigures())
        if finding.cell not in test.blank_cells
    )
    checks = {cell.check for cell in cells}
    verdict = Verdict.PASS if checks == {CellCheck.FREE} else Verdict.UNDECIDED
    remarks: tuple[str, ...] = ()
    if figures is None:
        verdict = Verdict.UNDECIDED
        remarks = ("The design has no figures for shorts in force; common ones were used.",)
    if CellCheck.SHORTED in checks:
        verdict = Verdict.FAIL
    unit = "V" if test.way is ShortMethod.VOLTAGE else "Ω·cm²"
    return ShortOutcome(test.way, unit, cells, verdict, remarks, SHORT_FORMULAS)
