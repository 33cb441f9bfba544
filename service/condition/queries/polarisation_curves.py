"""Polarisation curves with their channels resolved to cells and to the MEAs that sat in them.

As `cell_voltages` does it: nothing of it is stored, so a corrected tap map or layer reads every
curve anew. Density in A/cm², voltages in V; as known now or as it was known at ``known_at``.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, lru_cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.arithmetic.curve_comparison import (
    CurveComparison,
    CurveConditions,
    compare_curves,
    what_differs,
)
from service.condition.arithmetic.measured_curves import (
    MeasuredPoint,
    curve_of_channel,
    points_from_text,
)
from service.condition.arithmetic.polarisation import (
    CurveFit,
    CurvePoint,
    Densities,
    fit_curve,
    voltage_at,
)
from service.condition.queries.cell_voltages import mea_of_cells, read_names
from service.people.tables import Person
from service.platform.arithmetic.errors import TradeError
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.runs.tables import CurveDirection, PolarisationCurve, Run, RunReading
from service.stacks.queries.cell_bridges import bridges_of_builds
from service.stacks.tables import Build, Stack
from service.taps.queries import taps_of


@dataclass(frozen=True)
class CellCurve:
    """One curve of a stack; tuples of cells and parts are in the order of ``channels``."""

    id: int
    reading_id: int | None
    run_id: int | None
    run_name: str | None
    stack_id: int
    stack: str
    build_id: int
    build_number: int
    taken_at: datetime
    direction: CurveDirection
    occasion: str
    temperature_c: float | None
    meter_hours: float | None
    """h, as the meter showed when it was taken"""
    by: str
    known_from: datetime
    known_until: datetime | None
    channels: tuple[str, ...]
    points: tuple[MeasuredPoint, ...]
    cells: tuple[int | None, ...]
    part_ids: tuple[int | None, ...]
    bridged: frozenset[int]
    """cells bridged then: their voltage says nothing of their MEA"""

    @cached_property
    def by_cell(self) -> dict[int, tuple[CurvePoint, ...]]:
        """The curve of each cell that was read, in the order of the cells; bridged ones left out.

        Where several channels read a cell, the first of them that has values.
        """
        points_of_cell: dict[int, tuple[CurvePoint, ...]] = {}
        for place, cell in enumerate(self.cells):
            if cell is None or cell in self.bridged or points_of_cell.get(cell):
                continue
            points = curve_of_channel(self.points, place)
            if points:
                points_of_cell[cell] = points
        return dict(sorted(points_of_cell.items()))

    @cached_property
    def part_of_cell(self) -> dict[int, int]:
        """Which MEA sat in each cell that was read."""
        return {
            cell: part_id
            for cell, part_id in zip(self.cells, self.part_ids, strict=True)
            if cell is not None and part_id is not None
        }

    @cached_property
    def by_part(self) -> dict[int, tuple[CurvePoint, ...]]:
        """The curve of each MEA that was read."""
        return {
            part_id: self.by_cell[cell]
            for cell, part_id in self.part_of_cell.items()
            if cell in self.by_cell
        }

    @property
    def conditions(self) -> CurveConditions:
        """What it was taken under, as far as it was written down."""
        is_typed = self.direction is CurveDirection.TYPED
        return CurveConditions(
            self.temperature_c, direction=None if is_typed else str(self.direction)
        )


@statement
def _of_builds(is_then: bool) -> Any:
    return (
        _columns()
        .where(
            PolarisationCurve.build_id.in_(param_list("build_ids")),
            known(PolarisationCurve, as_of_param(is_then)),
        )
        .order_by(PolarisationCurve.taken_at, PolarisationCurve.id)
    )


def curves_of_builds(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, tuple[CellCurve, ...]]:
    """Return all curves of these builds in the order of time, resolved. Four statements.

    A build without curves has an empty tuple.
    """
    rows: Any = session.execute(
        _of_builds(known_at is not None), params(known_at, build_ids=build_ids)
    ).all()
    curves_of: dict[int, list[CellCurve]] = {build_id: [] for build_id in build_ids}
    for curve in _resolved(session, rows, known_at):
        curves_of[curve.build_id].append(curve)
    return {build_id: tuple(curves) for build_id, curves in curves_of.items()}


@statement
def _of_key() -> Any:
    return _columns().where(PolarisationCurve.id == param("curve_id"))


def polarisation_curve(session: Session, curve_id: int) -> CellCurve:
    """Return one curve, made void or not. Four statements. Raises NotFound."""
    rows: Any = session.execute(_of_key(), {"curve_id": curve_id}).all()
    if not rows:
        raise NotFound("polarisation curve", curve_id)
    return _resolved(session, rows, None)[0]


def _columns() -> Any:
    return (
        select(
            *columns(
                CellCurve,
                PolarisationCurve,
                run_id=RunReading.run_id,
                run_name=Run.name,
                stack=Stack.serial,
                build_number=Build.number,
                by=Person.name,
            )
        )
        .join(Stack, Stack.id == PolarisationCurve.stack_id)
        .join(Build, Build.id == PolarisationCurve.build_id)
        .join(Person, Person.id == PolarisationCurve.by_id)
        .outerjoin(RunReading, RunReading.id == PolarisationCurve.reading_id)
        .outerjoin(Run, Run.id == RunReading.run_id)
    )


def _resolved(
    session: Session, rows: Sequence[Any], known_at: datetime | None
) -> tuple[CellCurve, ...]:
    builds = {row.build_id for row in rows}
    taps = taps_of(session, {row.stack_id for row in rows}, known_at)
    meas = mea_of_cells(session, builds, known_at)
    bridges = bridges_of_builds(session, builds, known_at)
    curves: list[CellCurve] = []
    for row in rows:
        names = read_names(row.channels)
        cells = taps.cell_of(row.stack_id, row.taken_at, names)
        of_cell = meas.get(row.build_id, {})
        bridged = frozenset(
            bridge.cell for bridge in bridges.get(row.build_id, ()) if bridge.holds_at(row.taken_at)
        )
        curves.append(
            read_as(
                CellCurve,
                row,
                channels=names,
                points=_read_points(row.points),
                cells=cells,
                part_ids=tuple(None if cell is None else of_cell.get(cell) for cell in cells),
                bridged=bridged,
            )
        )
    return tuple(curves)


@lru_cache(maxsize=256)
def _read_points(points: str) -> tuple[MeasuredPoint, ...]:
    """The points as kept: this program wrote them and they never change."""
    return points_from_text(points)


# One curve of a stack beside an earlier one: fits of all cells and what changed of each MEA.
#
# Density in A/cm², voltages in V. Pure selection and arithmetic over `StackVoltages`.


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
        """Return one of its cells.

        Without a number the weakest at the reference, else the first.
        """
        if number is not None:
            return next((cell for cell in self.cells if cell.cell == number), None)
        read_cells = [cell for cell in self.cells if cell.at_reference_v is not None]
        weakest = min(read_cells, key=lambda cell: cell.at_reference_v or 0.0, default=None)
        return weakest or (self.cells[0] if self.cells else None)


def earlier_curve(curves: Sequence[CellCurve], curve: CellCurve) -> CellCurve | None:
    """Find the first earlier curve taken the same way that read one of its MEAs."""
    meas = set(curve.by_part)
    return next(
        (
            earlier
            for earlier in curves
            if earlier.taken_at < curve.taken_at
            and earlier.direction is curve.direction
            and meas & earlier.by_part.keys()
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
