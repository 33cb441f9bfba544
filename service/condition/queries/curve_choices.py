"""One curve of a stack beside an earlier one: fits of all cells and what changed of each MEA.

Density in A/cm², voltages in V. Pure selection and arithmetic over `StackVoltages`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.condition.arithmetic.curve_comparison import (
    CurveComparison,
    compare_curves,
    what_differs,
)
from service.condition.arithmetic.polarisation import (
    CurveFit,
    CurvePoint,
    Densities,
    fit_curve,
    voltage_at,
)
from service.condition.queries.polarisation_curves import CellCurve
from service.platform.arithmetic.errors import TradeError


@dataclass(frozen=True, slots=True)
class CellOnCurve:
    """One cell of a curve: its points, its fit, and its MEA's change since the earlier curve.

    Where there is no fit or comparison, ``no_fit`` and ``not_compared`` say why.
    """

    cell: int
    part_id: int | None
    points: tuple[CurvePoint, ...]
    at_reference_v: float | None
    fit: CurveFit | None
    no_fit: str
    earlier: tuple[CurvePoint, ...]
    earlier_fit: CurveFit | None
    earlier_cell: int | None
    comparison: CurveComparison | None
    not_compared: str


@dataclass(frozen=True, slots=True)
class ChosenCurve:
    """A curve, the earlier one it is set beside, and each of its cells."""

    curve: CellCurve
    against: CellCurve | None
    reference_a_cm2: float
    densities: Densities
    cells: tuple[CellOnCurve, ...]
    differs: tuple[str, ...]
    """in what the curves differ besides their age"""

    def cell(self, number: int | None) -> CellOnCurve | None:
        """One of its cells; without a number the weakest at the reference, else the first."""
        if number is not None:
            return next((it for it in self.cells if it.cell == number), None)
        known = [it for it in self.cells if it.at_reference_v is not None]
        weakest = min(known, key=lambda it: it.at_reference_v or 0.0, default=None)
        return weakest or (self.cells[0] if self.cells else None)


def earlier_curve(curves: Sequence[CellCurve], curve: CellCurve) -> CellCurve | None:
    """Which earlier curve says most: the first one taken the same way that read one of its MEAs?"""
    meas = set(curve.by_part)
    return next(
        (
            one
            for one in curves
            if one.taken_at < curve.taken_at
            and one.direction is curve.direction
            and meas & one.by_part.keys()
        ),
        None,
    )


def chosen_curve(
    curve: CellCurve,
    against: CellCurve | None,
    reference_a_cm2: float,
    densities: Densities | None = None,
) -> ChosenCurve:
    """Fit every cell of a curve and compare each MEA with itself on the earlier one."""
    within = densities or Densities()
    return ChosenCurve(
        curve,
        against,
        reference_a_cm2,
        within,
        tuple(
            _cell(
                cell,
                points,
                curve=curve,
                against=against,
                reference=reference_a_cm2,
                densities=within,
            )
            for cell, points in curve.by_cell.items()
        ),
        what_differs(against.conditions, curve.conditions) if against else (),
    )


def _cell(
    cell: int,
    points: tuple[CurvePoint, ...],
    *,
    curve: CellCurve,
    against: CellCurve | None,
    reference: float,
    densities: Densities,
) -> CellOnCurve:
    part_id = curve.part_of_cell.get(cell)
    fit, no_fit = _fit(points, densities)
    earlier = against.by_part.get(part_id, ()) if against and part_id is not None else ()
    comparison, not_compared = None, ""
    if against is None:
        not_compared = "No earlier curve was chosen."
    elif part_id is None:
        not_compared = "No MEA is known in this cell."
    elif not earlier:
        not_compared = "The earlier curve did not read this MEA."
    else:
        try:
            comparison = compare_curves(earlier, points, reference, densities)
        except TradeError as trouble:
            not_compared = str(trouble)
    was_in = against.part_of_cell.items() if against else ()
    return CellOnCurve(
        cell,
        part_id,
        points,
        _at(points, reference),
        fit,
        no_fit,
        earlier,
        _fit(earlier, densities)[0] if earlier else None,
        next((number for number, part in was_in if part == part_id), None),
        comparison,
        not_compared,
    )


def _fit(points: Sequence[CurvePoint], densities: Densities) -> tuple[CurveFit | None, str]:
    try:
        return fit_curve(points, densities), ""
    except TradeError as trouble:
        return None, str(trouble)


def _at(points: Sequence[CurvePoint], reference: float) -> float | None:
    try:
        return voltage_at(points, reference).voltage_v
    except TradeError:
        return None
