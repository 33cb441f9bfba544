"""Is a cell shorted? From its resistance before gas, or from its open-circuit voltage after.

Common practice, no source, but for the robust spread: Iglewicz & Hoaglin (1993), |z| > 3.5 with
median and median absolute deviation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero, within

OUTLYING = 3.5
LEAST_RESISTANCE_OHM_CM2 = 1000.0
"""Common target for a new MEA, from memory; the design's own limit goes first."""


class CellCheck(StrEnum):
    """What a reading says of a cell."""

    FREE = "no short seen"
    SUSPECT = "suspect"
    SHORTED = "shorted"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class CellFinding:
    """One cell: its reading (None where not measured), what it says, and why in words.

    ``value`` is Ω·cm² from resistances, V from open-circuit voltages.
    """

    cell: int
    value: float | None
    check: CellCheck
    why: str


def shorts_by_resistance(
    resistances_ohm: Sequence[float | None],
    area_cm2: float,
    least_ohm_cm2: float = LEAST_RESISTANCE_OHM_CM2,
    much_less: float = 0.2,
) -> tuple[CellFinding, ...]:
    """Find shorted cells from the resistance of each (Ω, cell 1 first, dry, before gas).

    Shorted below the limit; suspect above it where a cell has less than ``much_less`` of the
    median. None stands for a cell that was not measured. Resistance times area, Ω·cm².

    >>> [found.check.value for found in shorts_by_resistance([40.0, 38.0, 6.0, 41.0, 0.5], 100.0)]
    ['no short seen', 'no short seen', 'shorted', 'no short seen', 'shorted']
    """
    more_than_zero("the active area", area_cm2, "cm²", "area_cm2")
    more_than_zero("the limit", least_ohm_cm2, "Ω·cm²", "least_ohm_cm2")
    within("the share of the median", much_less, "", 0.0, 1.0, "much_less")
    values = [
        None
        if ohm is None
        else area_cm2 * not_below_zero(f"the resistance of cell {cell}", ohm, "Ω", "ohm")
        for cell, ohm in enumerate(resistances_ohm, 1)
    ]
    middle = median(_measured(values))
    return tuple(
        _by_resistance(cell, value, least_ohm_cm2, much_less * middle)
        for cell, value in enumerate(values, 1)
    )


def _by_resistance(cell: int, value: float | None, least: float, little: float) -> CellFinding:
    if value is None:
        return CellFinding(cell, None, CellCheck.NOT_MEASURED, "no reading")
    if value < least:
        why = f"{value:.4g} Ω·cm² is less than the limit of {least:.4g} Ω·cm²"
        return CellFinding(cell, value, CellCheck.SHORTED, why)
    if value < little:
        why = f"{value:.4g} Ω·cm² is much less than the other cells have"
        return CellFinding(cell, value, CellCheck.SUSPECT, why)
    return CellFinding(cell, value, CellCheck.FREE, "")


def shorts_by_voltage(
    voltages_v: Sequence[float | None], least_v: float = 0.9, shorted_below_v: float = 0.3
) -> tuple[CellFinding, ...]:
    """Find cells that may be shorted, from open-circuit voltages (V, cell 1 first, gas on).

    Shorted below ``shorted_below_v`` (negative: look at the leads too); suspect below ``least_v``,
    or far below the others. A low voltage is also that of a leak from anode to cathode, or of a
    lead on the wrong cell. Raises OutOfRange for what no cell can have.

    >>> [found.check.value for found in shorts_by_voltage([0.97, 0.96, 0.88, None, 0.05])]
    ['no short seen', 'no short seen', 'suspect', 'not measured', 'shorted']
    """
    for cell, volt in enumerate(voltages_v, 1):
        if volt is not None:
            within(f"the voltage of cell {cell}", volt, "V", -2.0, 1.3, "volt")
    if shorted_below_v >= least_v:
        raise Inconsistent(
            "The voltage of a shorted cell must lie below that of a good one.",
            "least_v",
            "shorted_below_v",
        )
    finite("the least voltage", least_v, "V", "least_v")
    measured = _measured(voltages_v)
    middle = median(measured)
    spread = median(abs(volt - middle) for volt in measured)
    return tuple(
        _by_voltage(cell, volt, least_v, shorted_below_v, _robust(volt, middle, spread))
        for cell, volt in enumerate(voltages_v, 1)
    )


LEAST_SPREAD_V = 0.005
"""Spread below which cells are alike, whatever the statistics say: what a monitor can tell."""


def _robust(volt: float | None, middle: float, spread: float) -> float:
    if volt is None:
        return 0.0
    return 0.6745 * (volt - middle) / max(spread, LEAST_SPREAD_V)


def _by_voltage(
    cell: int, volt: float | None, least: float, shorted: float, robust_z: float
) -> CellFinding:
    if volt is None:
        return CellFinding(cell, None, CellCheck.NOT_MEASURED, "no reading")
    if volt < 0:
        why = f"{volt:.3g} V is negative: look at the leads and at the order of the cells first"
        return CellFinding(cell, volt, CellCheck.SHORTED, why)
    if volt < shorted:
        return CellFinding(cell, volt, CellCheck.SHORTED, f"{volt:.3g} V at open circuit")
    if volt < least:
        why = f"{volt:.3g} V is less than {least:.3g} V: a short, a leak to the cathode, or a lead"
        return CellFinding(cell, volt, CellCheck.SUSPECT, why)
    if robust_z < -OUTLYING:
        why = f"{volt:.3g} V lies far below the other cells"
        return CellFinding(cell, volt, CellCheck.SUSPECT, why)
    return CellFinding(cell, volt, CellCheck.FREE, "")


def _measured(values: Sequence[float | None]) -> list[float]:
    numbers = [value for value in values if value is not None]
    if not numbers:
        raise Inconsistent("No cell was measured.")
    return numbers
