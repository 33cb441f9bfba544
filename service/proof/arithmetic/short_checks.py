"""One check of the cells for shorts as it was made, and what it gave.

JSON forms “short check 1” and “short result 1”. Source: as in shorts.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.limits.arithmetic.figures import ShortFigures
from service.limits.arithmetic.shorts import (
    CellCheck,
    CellFinding,
    shorts_by_resistance,
    shorts_by_voltage,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero
from service.platform.arithmetic.verdicts import Verdict

FORM, RESULT_FORM = "short check 1", "short result 1"
FORMULAS = ("short check 1",)


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
    return ShortOutcome(test.way, unit, cells, verdict, remarks, FORMULAS)
