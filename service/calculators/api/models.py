"""What the desk answers as JSON: SI values with uncertainty beside the unit that was chosen."""

from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from service.calculators.arithmetic import desk
from service.platform.api.answers import Out, like, read_from
from service.platform.arithmetic import fields


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
