"""Insulation resistance of a closed stack: tie rods to plates, plates to ground.

All cells are bonded together first, and no hydrogen is in the stack: the tester's voltage must
never stand across a cell. Ohm and volt. Limits belong to the design; those here are common.
Source: UN Regulation 100, 5.1.3 (100 Ω/V, DC; 500 Ω/V where AC circuits are joined): rules of
vehicles, commonly borrowed for stacks.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within
from service.platform.arithmetic.verdicts import Verdict, at_least

FORMULA = "insulation 1"
GREATEST_CELL_VOLTAGE = 1.23
"""V: reversible voltage at 25 °C, which no cell exceeds; for the working voltage of a count."""


class Between(StrEnum):
    """Where the resistance is measured."""

    RODS_PLATES = "tie rods to plates"
    PLATES_GROUND = "plates to ground"


class Condition(StrEnum):
    """What stands in the coolant circuit."""

    DRY = "dry"
    WITH_COOLANT = "with coolant"


@dataclass(frozen=True, slots=True)
class InsulationLimit:
    """Least resistance: Ω for each volt of the working voltage, never less than ``least_ohm``.

    ``standard`` is the name of the standard or of the design's own rule.
    """

    ohm_per_volt: float
    least_ohm: float
    standard: str

    def __post_init__(self) -> None:
        """Refuse a limit without a figure or a source."""
        not_below_zero("the limit per volt", self.ohm_per_volt, "Ω/V", "ohm_per_volt")
        not_below_zero("the least resistance", self.least_ohm, "Ω", "least_ohm")
        if not self.ohm_per_volt and not self.least_ohm:
            raise Inconsistent("A limit of insulation needs Ω per volt, or a least resistance.")
        if not self.standard.strip():
            raise Inconsistent("Name the standard or the rule that the limit comes from.")

    def ohm(self, working_voltage_v: float) -> float:
        """Return the least resistance at this working voltage, Ω.

        >>> DC_LIMIT.ohm(60.0)
        6000.0
        """
        more_than_zero("the working voltage", working_voltage_v, "V", "working_voltage_v")
        return max(self.ohm_per_volt * working_voltage_v, self.least_ohm)


DC_LIMIT = InsulationLimit(100.0, 0.0, "UN R100 5.1.3, DC: 100 Ω/V")
WITH_AC_LIMIT = InsulationLimit(500.0, 0.0, "UN R100 5.1.3, AC joined: 500 Ω/V")
DRY_RODS_LIMIT = InsulationLimit(0.0, 1e6, "common practice, dry: 1 MΩ")


def working_voltage(cells: int, cell_voltage_v: float = GREATEST_CELL_VOLTAGE) -> float:
    """Return the greatest voltage a stack of so many cells can have, V.

    >>> round(working_voltage(20), 1)
    24.6
    """
    more_than_zero("the number of cells", cells, "", "cells")
    within("the greatest voltage of a cell", cell_voltage_v, "V", 0.5, 1.3, "cell_voltage_v")
    return cells * cell_voltage_v


@dataclass(frozen=True, slots=True)
class InsulationReading:
    """One reading with an insulation tester. ``over_range`` where the tester shows only that it is
    more than ``resistance_ohm``. ``u_resistance`` is a share.
    """

    between: Between
    condition: Condition
    resistance_ohm: float
    test_voltage_v: float
    u_resistance: float = 0.0
    over_range: bool = False


@dataclass(frozen=True, slots=True)
class InsulationResult:
    """A reading judged: its limit in Ω, what leaks at the working voltage in A, the verdict."""

    reading: InsulationReading
    limit_ohm: float
    standard: str
    current_a: float
    verdict: Verdict


def judge_insulation(
    reading: InsulationReading,
    limit: InsulationLimit,
    working_voltage_v: float,
    *,
    cells_bonded: bool,
    hydrogen_present: bool,
) -> InsulationResult:
    """Judge whether the insulation keeps to its limit.

    Raises Inconsistent where the cells were not bonded together or hydrogen was there (such a
    reading must not be taken), and where the tester's voltage lies below the working voltage.

    >>> reading = InsulationReading(Between.RODS_PLATES, Condition.DRY, 2e6, 100.0, 0.05)
    >>> judge_insulation(reading, DRY_RODS_LIMIT, 24.6, cells_bonded=True,
    ...                  hydrogen_present=False).verdict
    <Verdict.PASS: 'pass'>
    """
    if not cells_bonded:
        raise Inconsistent(
            "The cells were not bonded together: the tester's voltage would stand across them.",
            "cells_bonded",
        )
    if hydrogen_present:
        raise Inconsistent(
            "Hydrogen is in the stack: no insulation test before it is purged.", "hydrogen_present"
        )
    not_below_zero("the resistance", reading.resistance_ohm, "Ω", "resistance_ohm")
    within("the tester's uncertainty", reading.u_resistance, "", 0.0, 1.0, "u_resistance")
    more_than_zero("the test voltage", reading.test_voltage_v, "V", "test_voltage_v")
    if reading.test_voltage_v < working_voltage_v:
        raise OutOfRange(
            "the test voltage",
            f"{reading.test_voltage_v:g}",
            "V",
            f"the working voltage, {working_voltage_v:g} V, or more",
            "test_voltage_v",
            "working_voltage_v",
        )
    least = limit.ohm(working_voltage_v)
    measured = Estimate(reading.resistance_ohm, reading.u_resistance * reading.resistance_ohm)
    verdict = at_least(measured, least)
    if reading.over_range:
        verdict = Verdict.PASS if reading.resistance_ohm >= least else Verdict.UNDECIDED
    ohm = reading.resistance_ohm
    current = working_voltage_v / ohm if ohm else float("inf")
    return InsulationResult(reading, least, limit.standard, current, verdict)


WANTED = tuple((between, condition) for condition in Condition for between in Between)
