"""The calculators of the desk; what is sent stands in the address, as on the page."""

import logging
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from pydantic import BeforeValidator, Field

from service.calculators.arithmetic import desk
from service.calculators.arithmetic.calculators import CALCULATORS, calculator_named, work_out
from service.platform.api.answers import Out, like, read_from
from service.platform.api.callers import Caller, refuse_others, refuse_unknown_parameters
from service.platform.arithmetic import fields
from service.platform.arithmetic.estimates import COVERAGE
from service.platform.errors import NotFound, Refused, RefusedTogether
from service.platform.permissions import Act, need

log = logging.getLogger("layerbook.api")
router = APIRouter(prefix="/desk", tags=["desk"])


@like(fields.Field, only="name label asks choices required help")
class AskedFor(Out):
    """One field of a calculator. Its unit is sent as ``<name>_unit``."""

    section: str
    unit: str = Field(description="the unit of a number without one")
    units: list[str] = Field(description="units it can be given in")
    choices: list[str] = Field(description="the first holds where nothing is sent")
    only_for: str = Field(description="the choice that asks for it; empty: any")


@like(fields.Show, without="measure")
class ShownIn(Out):
    """A choice of unit for results."""

    units: list[str]


@like(desk.Calculator, only="name title line")
class Calculator(Out):
    """One calculator and what it asks."""

    fields: list[AskedFor]
    results_in: list[ShownIn] = read_from("shows")
    example: dict[str, str] = Field(description="invented; can be sent as it is")


class Desk(Out):
    """Every calculator."""

    calculators: list[Calculator]


class Part(Out):
    """What one source adds to a standard uncertainty, in SI."""

    source: str
    u_si: float


def _parts(parts: tuple[tuple[str, float], ...]) -> list[Part]:
    return [Part(source=source, u_si=u) for source, u in parts]


class Value(Out):
    """A value; ``si`` and its standard uncertainty, and the same in the unit chosen."""

    si: float = read_from("estimate.value")
    u_si: float = read_from("estimate.u")
    si_unit: str
    value: float = read_from("shown.value")
    expanded: float = read_from("shown.expanded", "half width with k = 2, in the unit chosen")
    unit: str
    parts: Annotated[list[Part], BeforeValidator(_parts)] = read_from("estimate.parts")


@like(desk.Result)
class Result(Out):
    """One result."""

    figure: Value


class Row(Out):
    """One line of a table: its name, then its cells, each a text or a value."""

    name: str
    cells: list[Value | str]


def _rows(rows: tuple[tuple[desk.Cell, ...], ...]) -> list[dict[str, Any]]:
    return [{"name": str(name), "cells": cells} for name, *cells in rows]


@like(desk.Table)
class Table(Out):
    """Several values side by side."""

    rows: Annotated[list[Row], BeforeValidator(_rows)]


@like(desk.MapFigures, only="pressures_mpa resultant_mm lost_share")
class PressureField(Out):
    """Pressure over the active area: rows from the least y to the greatest."""

    x_mm: list[float] = read_from("xs_mm")
    y_mm: list[float] = read_from("ys_mm")


@like(desk.Outcome, only="formula source verdict verdict_why sentences cautions")
class Worked(Out):
    """What a calculator answers. U is given with k = 2."""

    calculator: str
    title: str
    coverage: float
    results: list[Result]
    tables: list[Table]
    pressure_field: PressureField | None = read_from("map")


@router.get("", dependencies=[Depends(refuse_unknown_parameters)])
def calculators(caller: Caller) -> Desk:
    """Return every calculator with its fields, their units and an invented example."""
    need(caller, Act.READ)
    return Desk(calculators=[_described(calculator) for calculator in CALCULATORS])


@router.get("/{calculator}")
def calculate(caller: Caller, request: Request, calculator: str) -> Worked:
    """Work out one calculator: its fields by name, a unit as `<field>_unit`, results' units too.

    Fields are listed at `/api/v1/desk`; a number may carry its own unit (`75 in·lbf`).
    """
    need(caller, Act.READ)
    calculator_used = calculator_named(calculator)
    if calculator_used is None:
        raise NotFound("calculator", calculator)
    refuse_others(request, _known_parameters(calculator_used))
    worked = work_out(calculator_used, dict(request.query_params))
    if worked.last_state is not None:
        log.info("%s found no solution; it stood at %s", calculator_used.name, worked.last_state)
    if worked.outcome is None:
        raise RefusedTogether(
            [
                Refused(
                    refusal.field or calculator,
                    refusal.value,
                    refusal.reason,
                    refusal.right_would_be,
                )
                for refusal in worked.refusals
            ]
        )
    return Worked.from_answer(
        worked.outcome,
        calculator=calculator_used.name,
        title=calculator_used.title,
        coverage=COVERAGE,
    )


def _known_parameters(calculator: desk.Calculator) -> set[str]:
    """The fields of a calculator with their units, and the units of its results."""
    names = {field.name for field in calculator.fields}
    return names | {f"{name}_unit" for name in names} | {show.name for show in calculator.shows}


def _described(calculator: desk.Calculator) -> Calculator:
    fields = [
        AskedFor.from_answer(field, section=section.title)
        for section in calculator.sections
        for field in section.fields
    ]
    return Calculator.from_answer(calculator, fields=fields)
