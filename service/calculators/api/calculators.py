"""The calculators of the desk; what is sent stands in the address, as on the page."""

from fastapi import APIRouter, Request

from service.calculators.api import models
from service.calculators.arithmetic.calculators import CALCULATORS, calculator_named, work_out
from service.calculators.arithmetic.map_figures import MapFigures
from service.calculators.arithmetic.outcomes import Calculator, Cell, Figure, Outcome, Table
from service.platform.api.callers import Caller
from service.platform.arithmetic.estimates import COVERAGE
from service.platform.errors import NotFound, Refused, RefusedTogether
from service.platform.permissions import Act, need

router = APIRouter(prefix="/desk", tags=["desk"])


@router.get("")
def calculators(caller: Caller) -> models.Desk:
    """Return every calculator with its fields, their units and an invented example."""
    need(caller, Act.READ)
    return models.Desk(calculators=[_described(one) for one in CALCULATORS])


@router.get("/{calculator}")
def calculate(caller: Caller, request: Request, calculator: str) -> models.Worked:
    """Work out one calculator: its fields by name, a unit as `<field>_unit`, results' units too.

    Fields are listed at `/api/v1/desk`; a number may carry its own unit (`75 in·lbf`).
    """
    need(caller, Act.READ)
    known = calculator_named(calculator)
    if known is None:
        raise NotFound("calculator", calculator)
    worked = work_out(known, dict(request.query_params))
    if worked.outcome is None:
        raise RefusedTogether(
            [
                Refused(one.field or calculator, one.value, one.reason, one.right_would_be)
                for one in worked.refusals
            ]
        )
    return _answered(known, worked.outcome)


def _described(one: Calculator) -> models.Calculator:
    return models.Calculator(
        name=one.name,
        title=one.title,
        line=one.line,
        fields=[
            models.AskedFor(
                name=field.name,
                label=field.label,
                section=section.title,
                asks=field.asks,
                unit=field.unit,
                units=list(field.units),
                choices=list(field.choices),
                required=field.required,
                only_for=field.only_for,
                help=field.help,
            )
            for section in one.sections
            for field in section.fields
        ],
        results_in=[
            models.ShownIn(name=show.name, label=show.label, unit=show.unit, units=list(show.units))
            for show in one.shows
        ],
        example=one.example,
    )


def _answered(one: Calculator, outcome: Outcome) -> models.Worked:
    return models.Worked(
        calculator=one.name,
        title=one.title,
        coverage=COVERAGE,
        formula=outcome.formula,
        source=outcome.source,
        verdict=outcome.verdict,
        verdict_why=outcome.verdict_why,
        results=[
            models.Result(
                name=result.name,
                label=result.label,
                note=result.note,
                figure=_value(result.figure),
            )
            for result in outcome.results
        ],
        tables=[_table(table) for table in outcome.tables],
        sentences=list(outcome.sentences),
        cautions=list(outcome.cautions),
        pressure_field=_field(outcome.map) if outcome.map else None,
    )


def _value(figure: Figure) -> models.Value:
    known, shown = figure.estimate, figure.shown
    return models.Value(
        si=known.value,
        u_si=known.u,
        si_unit=figure.si_unit,
        value=shown.value,
        expanded=shown.expanded,
        unit=figure.unit,
        parts=[models.Part(source=source, u_si=u) for source, u in known.parts],
    )


def _cell(cell: Cell) -> models.Value | str:
    return cell if isinstance(cell, str) else _value(cell)


def _table(table: Table) -> models.Table:
    return models.Table(
        name=table.name,
        title=table.title,
        headings=list(table.headings),
        rows=[
            models.Row(name=str(row[0]), cells=[_cell(cell) for cell in row[1:]])
            for row in table.rows
        ],
        note=table.note,
    )


def _field(figures: MapFigures) -> models.PressureField:
    return models.PressureField(
        x_mm=list(figures.xs_mm),
        y_mm=list(figures.ys_mm),
        pressures_mpa=[list(row) for row in figures.pressures_mpa],
        resultant_mm=list(figures.resultant_mm),
        lost_share=figures.lost_share,
    )
