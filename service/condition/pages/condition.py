"""The sheet of a stack's condition: its cells now, over its hours, its curves, open circuit."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.condition.arithmetic.cell_histories import (
    NO_LOAD_A_CM2,
    MeaHistory,
    MeaReading,
    SpreadAt,
)
from service.condition.arithmetic.cell_outliers import Apart
from service.condition.arithmetic.polarisation import GREATEST_A_CM2, CurveFit, Densities, band
from service.condition.queries import condition as asked_for
from service.condition.queries.cell_histories import StackVoltages
from service.condition.queries.condition import Condition, ShownMoment, read_condition
from service.condition.queries.polarisation_curves import CellOnCurve, ChosenCurve
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.numbers import plain_whole
from service.platform.database import reading
from service.platform.drawings.charts import (
    Axis,
    Bar,
    Marker,
    Rule,
    Series,
    bars_chart,
    lines_chart,
)
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form
from service.platform.pages.kept_drawings import kept_chart
from service.platform.pages.render import THIN_SPACE, local, number, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.runs.queries.runs import RunRow, runs_of_stack
from service.settings import Settings
from service.stacks.queries.stacks import find_stack

MOST_LINES = 6
MOST_MARKS = 120
"""More readings than so many are a line without a mark each."""
FIT_POINTS = 60


@dataclass(frozen=True, slots=True)
class Over:
    """What readings are set over: hours of the stack, or dates in the lab's zone."""

    days: bool
    zone: ZoneInfo

    @property
    def axis(self) -> Axis:
        """The axis across."""
        return Axis("date", days=True) if self.days else Axis("hours of the stack", "h")

    def place(self, time: datetime, hours_h: float | None) -> float | datetime | None:
        """Say where a reading stands; None where its hours are not known."""
        return time.astimezone(self.zone) if self.days else hours_h


@dataclass(frozen=True, slots=True)
class ConditionCharts:
    """The charts of the sheet, empty where there is nothing to draw."""

    cells: Markup
    spread: Markup
    history: Markup
    curve: Markup
    open_now: Markup
    open_history: Markup


def condition_charts(
    condition: Condition, drawn: Sequence[int], over: Over, on_curve: CellOnCurve | None
) -> ConditionCharts:
    """Draw everything of a condition; ``drawn`` are the MEAs whose lines are wanted."""
    chosen, open_lines = set(drawn), _those(condition.open_histories, drawn)
    lines = [history for history in condition.histories if history.part_id in chosen]
    density_words = f" at {volts_at(condition.reference_a_cm2)}"
    name = condition.voltages.stack.serial
    return ConditionCharts(
        cells=_cells(
            condition.voltages, condition.moment_shown, "cells", f"Cell voltages of {name}"
        ),
        spread=_spread(condition, over),
        history=_lines(
            condition.voltages, lines, over, "history", f"Voltage of each MEA{density_words}"
        ),
        curve=_curve(condition.voltages, condition.chosen, on_curve, over.zone)
        if condition.chosen
        else Markup(""),
        open_now=_cells(condition.voltages, condition.open_now, "open", f"Cell voltages of {name}"),
        open_history=_lines(
            condition.voltages, open_lines, over, "open-history", "Open-circuit voltage of each MEA"
        ),
    )


def drawn_meas(condition: Condition, chosen_ids: Sequence[int]) -> tuple[int, ...]:
    """Say which MEAs to draw: those asked for, else those that stand out and the weakest."""
    part_ids = [history.part_id for history in condition.histories]
    asked_known = [part_id for part_id in part_ids if part_id in set(chosen_ids)]
    if asked_known:
        return tuple(asked_known[:MOST_LINES])
    scores = condition.moment_shown.scores if condition.moment_shown else None
    cells = condition.moment_shown.moment.cells if condition.moment_shown else {}
    apart = [cells[cell].part_id for cell in scores.low] if scores else []
    first = [
        part_id for part_id in part_ids if part_id in apart or part_id in condition.voltages.marked
    ]
    rest = [part_id for part_id in part_ids if part_id not in first]
    return tuple([*first, *rest][:MOST_LINES])


def volts_at(density_a_cm2: float | None) -> str:
    """Return a density with its unit, as titles say it."""
    if density_a_cm2 is None:
        return "an unknown current density"
    if density_a_cm2 <= NO_LOAD_A_CM2:
        return "open circuit"
    return f"{density_a_cm2:.4g}{THIN_SPACE}A/cm²"


def _those(histories: Sequence[MeaHistory], drawn: Sequence[int]) -> list[MeaHistory]:
    chosen = [history for history in histories if history.part_id in set(drawn)]
    return chosen or list(histories[:MOST_LINES])


def _drawn(draw: Callable[..., str], /, *arguments: object, **options: object) -> Markup:
    return Markup(kept_chart(draw, *arguments, **options))  # noqa: S704 - our own drawing


def _cells(
    voltages: StackVoltages, moment_shown: ShownMoment | None, prefix: str, title: str
) -> Markup:
    if moment_shown is None or not moment_shown.moment.cells:
        return Markup("")
    scores = moment_shown.scores
    apart = {cell.cell: cell for cell in scores.cells} if scores else {}
    rows: list[Bar] = []
    for cell in sorted({*moment_shown.moment.cells, *moment_shown.not_read, *moment_shown.bridged}):
        cell_voltage = moment_shown.moment.cells.get(cell)
        score = apart.get(cell)
        out = score is not None and score.apart in {Apart.LOW, Apart.HIGH}
        words = f"cell {cell}: "
        if cell_voltage is None:
            words += "bridged" if cell in moment_shown.bridged else "not read"
        else:
            mea = voltages.labels.get(cell_voltage.part_id or 0)
            words += f"{number(cell_voltage.voltage_v, 4)}{THIN_SPACE}V" + (
                f", MEA {mea}" if mea else ""
            )
            if score is not None and score.score is not None:
                words += f", score {number(score.score, 1)}"
        spread = _spread_of(moment_shown, cell)
        value = cell_voltage.voltage_v if cell_voltage else None
        around = value is not None and spread is not None
        rows.append(
            Bar(
                str(cell),
                value,
                value - spread if around and value is not None and spread is not None else None,
                value + spread if around and value is not None and spread is not None else None,
                out,
                words,
            )
        )
    values = [cell_voltage.voltage_v for cell_voltage in moment_shown.moment.cells.values()]
    middle = scores.median_v if scores else float(np.median(values))
    rules = [Rule(middle, f"median {number(middle, 4)}{THIN_SPACE}V", act=False)]
    if scores and scores.low_v is not None and scores.high_v is not None:
        low = f"{number(scores.low_v, 4)}{THIN_SPACE}V: apart below"
        rules.append(Rule(scores.low_v, low))
        if max(values) > scores.high_v - 0.2 * (scores.high_v - middle):
            high = f"{number(scores.high_v, 4)}{THIN_SPACE}V: apart above"
            rules.append(Rule(scores.high_v, high, act=False))
    lowest = min(values)
    low_cells = ", ".join(f"{cell}" for cell in scores.low) if scores and scores.low else "none"
    return _drawn(
        bars_chart,
        rows,
        across="cell, from the fixed end",
        up=Axis("voltage", "V"),
        title=f"{title} at {volts_at(moment_shown.moment.density_a_cm2)}",
        description=(
            f"{len(values)} cells from {number(lowest, 4)} V to {number(max(values), 4)} V about a"
            f" median of {number(middle, 4)} V. Low cells: {low_cells}."
        ),
        prefix=prefix,
        base=middle,
        rules=rules,
    )


def _spread_of(moment_shown: ShownMoment, cell: int) -> float | None:
    snapshot = moment_shown.snapshot
    if snapshot is None or cell not in snapshot.by_cell:
        return None
    return snapshot.by_cell[cell].spread_v


def _openings(voltages: StackVoltages, over: Over) -> list[Marker]:
    openings = []
    for opening in voltages.openings:
        place = over.place(opening.at, opening.hours_h)
        if place is not None:
            words = f"build {opening.build} opened {local(opening.at, over.zone)}"
            openings.append(Marker(place, f"B{THIN_SPACE}{opening.build + 1}", words))
    return openings


def _spread(condition: Condition, over: Over) -> Markup:
    placed = [
        (place, reading)
        for reading in condition.spreads
        if (place := _place(reading, over)) is not None
    ]
    if not placed:
        return Markup("")
    x = [place for place, _ in placed]
    ranges = [reading.spread.range_v * 1e3 for _, reading in placed]
    tips = [
        f"{local(reading.at, over.zone)}: {number(reading.spread.range_v * 1e3, 1)}{THIN_SPACE}mV,"
        f" weakest cell {reading.spread.least_cell} of build {reading.build}"
        for _, reading in placed
    ]
    return _drawn(
        lines_chart,
        [
            Series("highest less lowest", x, ranges, mark=_mark(placed), tips=tips),
            Series(
                "standard deviation",
                x,
                [reading.spread.deviation_v * 1e3 for _, reading in placed],
                mark=_mark(placed),
            ),
        ],
        across=over.axis,
        up=Axis("spread of the cells", "mV", from_zero=True),
        title=f"Spread of the cells at {volts_at(condition.reference_a_cm2)}",
        description=(
            f"{len(placed)} readings; highest less lowest from {number(min(ranges), 1)} mV to"
            f" {number(max(ranges), 1)} mV, {number(ranges[-1], 1)} mV at the newest."
        ),
        prefix="spread",
        markers=_openings(condition.voltages, over),
    )


def _mark(placed: Sequence[object]) -> str:
    return "line and points" if len(placed) <= MOST_MARKS else "line"


def _place(reading: SpreadAt | MeaReading, over: Over) -> float | datetime | None:
    return over.place(reading.at, reading.hours_h)


def _lines(
    voltages: StackVoltages, histories: Sequence[MeaHistory], over: Over, prefix: str, title: str
) -> Markup:
    series = []
    for history in histories:
        placed = [
            (p, reading) for reading in history.readings if (p := _place(reading, over)) is not None
        ]
        if not placed:
            continue
        label = voltages.labels.get(history.part_id, f"part {history.part_id}")
        series.append(
            Series(
                label,
                [place for place, _ in placed],
                [reading.voltage_v for _, reading in placed],
                mark=_mark(placed),
                tips=[
                    f"{label} in cell {reading.cell} of build {reading.build},"
                    f" {local(reading.at, over.zone)}: {number(reading.voltage_v, 4)}{THIN_SPACE}V"
                    for _, reading in placed
                ],
            )
        )
    if not series:
        return Markup("")
    ends = [f"{line.name} {number(line.y[-1], 4)} V" for line in series]
    return _drawn(
        lines_chart,
        series,
        across=over.axis,
        up=Axis("voltage", "V"),
        title=title,
        description="Newest readings: " + ", ".join(ends) + ".",
        prefix=prefix,
        markers=_openings(voltages, over),
    )


def _curve(
    voltages: StackVoltages, chosen: ChosenCurve, cell: CellOnCurve | None, zone: ZoneInfo
) -> Markup:
    if cell is None:
        return Markup("")
    mea = voltages.labels.get(cell.part_id or 0, "")
    series = [_points(local(chosen.curve.taken_at, zone), cell, earlier=False)]
    if cell.fit:
        series.append(_fitted("fit, 95 % band", cell.fit, pen=1, dashed=False))
    if chosen.against and cell.earlier:
        series.append(_points(local(chosen.against.taken_at, zone), cell, earlier=True))
        if cell.earlier_fit:
            series.append(_fitted("its fit", cell.earlier_fit, pen=2, dashed=True))
    place = f"cell {cell.cell}" + (f", MEA {mea}" if mea else "")
    top = max(point.density_a_cm2 for point in cell.points)
    volts = [point.voltage_v for point in cell.points]
    reference = chosen.reference_a_cm2
    inside = reference <= top
    return _drawn(
        lines_chart,
        series,
        across=Axis("current density", "A/cm²", from_zero=True),
        up=Axis("voltage", "V"),
        title=f"Polarisation curve of {place}",
        description=(
            f"{len(volts)} points from {number(max(volts), 3)} V to {number(min(volts), 3)} V at"
            f" {number(top, 3)} A/cm²."
        ),
        prefix="curve",
        rules=[Rule(reference, volts_at(reference), axis="x", act=False)] if inside else [],
    )


def _points(name: str, cell: CellOnCurve, *, earlier: bool) -> Series:
    points = cell.earlier if earlier else cell.points
    return Series(
        name,
        [point.density_a_cm2 for point in points],
        [point.voltage_v for point in points],
        pen=2 if earlier else 1,
        tips=[
            f"{name}: {number(point.voltage_v, 4)}{THIN_SPACE}V at"
            f" {number(point.density_a_cm2, 4)}{THIN_SPACE}A/cm²"
            for point in points
        ],
    )


def _fitted(name: str, fit: CurveFit, *, pen: int, dashed: bool) -> Series:
    drawn = band(fit, np.linspace(fit.from_a_cm2, fit.to_a_cm2, FIT_POINTS).tolist())
    return Series(
        name,
        drawn.densities_a_cm2,
        drawn.voltages_v,
        None if dashed else drawn.low_v,
        None if dashed else drawn.high_v,
        mark="line",
        pen=pen,
        dashed=dashed,
    )


router = APIRouter(prefix="/stacks")
WITHOUT = "none"
RUNS_SHOWN = 5
KEPT = (
    "moment",
    "density",
    "mea",
    "over",
    "curve",
    "against",
    "cell",
    "fit_from",
    "fit_to",
    "known_at",
)


@dataclass(frozen=True, slots=True)
class ConditionPage:
    """A stack's condition as asked for; ``carried_on``: choices a form of a section repeats."""

    condition: Condition
    form: Form
    charts: ConditionCharts
    drawn: tuple[int, ...]
    on_curve: CellOnCurve | None
    reversed_cells: tuple[int, ...]
    """cells at or below zero while the stack carried load"""
    carried_on: tuple[tuple[str, str], ...]
    by_days: bool
    runs: tuple[RunRow, ...]
    """the newest runs, to look for times without load in"""


@router.get("/{serial:path}/condition")
def show(request: Request, me: Me, database: Database, query: Asked, serial: str) -> Response:
    """Show a stack's condition."""
    need(me, Act.READ)
    condition, cell = None, None
    with reading(database) as session:
        stack_id = find_stack(session, serial)
        with query.collecting_errors():
            choice = _choice(query)
            cell = query.whole("cell", least=1, required=False)
            known_at = query.as_of().known_at
            query.check()
            condition = read_condition(session, stack_id, choice, known_at)
        if condition is None:
            condition, cell = read_condition(session, stack_id), None
        runs = runs_of_stack(session, stack_id, Turn(RUNS_SHOWN)).rows
    settings: Settings = request.app.state.settings
    hours = [item.hours_h for item in condition.near]
    days = query.raw("over") == "days" or (bool(hours) and all(item is None for item in hours))
    ticked = [plain_whole(text) for text in query.raw_all("mea")]
    drawn = drawn_meas(condition, [part_id for part_id in ticked if part_id is not None])
    on_curve = condition.chosen.cell(cell) if condition.chosen else None
    moment_shown = condition.moment_shown.moment if condition.moment_shown else None
    carried_on = tuple((name, text) for name in KEPT for text in query.raw_all(name) if text)
    context = ConditionPage(
        condition,
        query,
        condition_charts(condition, drawn, Over(days, settings.time_zone), on_curve),
        drawn,
        on_curve,
        tuple(
            c
            for c, item in moment_shown.cells.items()
            if item.voltage_v <= 0 and not moment_shown.is_open
        )
        if moment_shown
        else (),
        carried_on,
        days,
        tuple(run for run in runs if run.reading is not None),
    )
    return page(request, "condition/show.html", context, query.status)


def _choice(query: Form) -> asked_for.Asked:
    against = query.raw("against")
    return asked_for.Asked(
        moment=query.raw("moment"),
        density_a_cm2=query.number(
            "density", least=0.001, most=GREATEST_A_CM2, unit="A/cm²", required=False
        ),
        curve_id=query.whole("curve", least=1, required=False),
        against_id=None if against == WITHOUT else query.whole("against", least=1, required=False),
        without_against=against == WITHOUT,
        densities=_densities(query),
    )


def _densities(query: Form) -> Densities | None:
    usual = Densities()
    least = query.number("fit_from", least=0.0, most=GREATEST_A_CM2, unit="A/cm²", required=False)
    most = query.number("fit_to", least=0.0, most=GREATEST_A_CM2, unit="A/cm²", required=False)
    if least is None and most is None:
        return None
    try:
        return Densities(
            usual.least_a_cm2 if least is None else least,
            usual.most_a_cm2 if most is None else most,
        )
    except TradeError as trouble:
        raise Refused("fit_from", query.raw("fit_from"), str(trouble)) from trouble
