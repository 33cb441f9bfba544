"""The sheet of a stack's condition: its cells now, over its hours, its curves, open circuit."""

from dataclasses import dataclass
from datetime import timedelta

from fastapi import APIRouter, Request, Response

from service.condition.arithmetic.polarisation import GREATEST_A_CM2, Densities
from service.condition.pages.condition_charts import (
    ConditionCharts,
    Over,
    condition_charts,
    drawn_meas,
)
from service.condition.queries import condition as asked_for
from service.condition.queries.condition import Condition, read_condition
from service.condition.queries.polarisation_curves import CellOnCurve
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.numbers import plain_whole
from service.platform.database import reading
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.runs.queries.runs import RunRow, runs_of_stack
from service.settings import Settings
from service.stacks.queries.stacks import find_stack

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
    "known",
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
            known_at = query.moment("known", required=False)
            query.check()
            # a minute is meant to its end, so that what was known at 14:20 is there at 14:20
            known_at = known_at and known_at + timedelta(seconds=59)
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
