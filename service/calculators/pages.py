"""The desk: calculators for planning, each with an address that keeps what was typed."""

import logging
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response

from service.calculators.arithmetic import desk
from service.calculators.arithmetic.calculators import (
    CALCULATORS,
    Worked,
    calculator_named,
    work_out,
)
from service.closing.drawings.pressure_map import draw_pressure_map
from service.people.pages.signing_in import Me
from service.platform.arithmetic import fields
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page, part, wants_part
from service.platform.permissions import Act, need

log = logging.getLogger("layerbook")
router = APIRouter(prefix="/desk")


@dataclass(frozen=True, slots=True)
class DeskList:
    """Every calculator."""

    calculators: tuple[desk.Calculator, ...] = CALCULATORS


@dataclass(frozen=True, slots=True)
class DeskSheet:
    """One calculator, what was typed, and what came of it (nothing before anything is typed).

    ``kept`` is the address that keeps the inputs, ``example`` the one that fills in an example.
    """

    calculator: desk.Calculator
    form: Form
    worked: Worked | None
    kept: str
    example: str
    drawing: str


@router.get("")
def calculators(request: Request, me: Me) -> Response:
    """List the calculators."""
    need(me, Act.READ)
    return page(request, "calculators/list.html", DeskList())


@router.get("/{name}")
def calculate(request: Request, me: Me, query: Asked, name: str) -> Response:
    """Show one calculator with its results; to htmx the results alone."""
    need(me, Act.READ)
    calculator = calculator_named(name)
    if calculator is None:
        raise NotFound("calculator", name)
    sheet = _sheet(calculator, query)
    if wants_part(request):
        # Somebody is still typing: what is not finished yet is no error of the request.
        return part(request, "calculators/_results.html", sheet)
    return page(request, "calculators/show.html", sheet, query.status)


def _sheet(calculator: desk.Calculator, form: Form) -> DeskSheet:
    worked = None
    if any(form.raw(field.name).strip() for field in calculator.fields if _is_typed(field)):
        texts = {name: form.raw(name).replace("\r\n", "\n") for name in form.typed}
        worked = work_out(calculator, texts)
        if worked.last_state is not None:
            log.info("%s found no solution; it stood at %s", calculator.name, worked.last_state)
        for refusal in worked.refusals:
            form.refused.setdefault(refusal.field, refusal.in_words)
    outcome = worked.outcome if worked else None
    drawing = _drawn(outcome.map) if outcome and outcome.map else ""
    at = f"/desk/{calculator.name}"
    return DeskSheet(
        calculator,
        form,
        worked,
        f"{at}?{urlencode(_kept(calculator, form))}",
        f"{at}?{urlencode(calculator.example)}",
        drawing,
    )


def _is_typed(field: fields.Field) -> bool:
    """Whether an answer shows that somebody began; a choice always has one."""
    return field.asks is not fields.Asks.CHOICE


def _kept(calculator: desk.Calculator, form: Form) -> dict[str, str]:
    """What the address must carry: everything typed, units and choices that are not the first."""
    kept_texts = {}
    for field in calculator.fields:
        text = form.raw(field.name).strip()
        if not text or text == field.first_choice:
            continue
        kept_texts[field.name] = text
        unit = form.raw(field.unit_name)
        if unit and unit != field.unit:
            kept_texts[field.unit_name] = unit
    for show in calculator.shows:
        unit = form.raw(show.name)
        if unit and unit != show.unit:
            kept_texts[show.name] = unit
    return kept_texts


def _drawn(figures: desk.MapFigures) -> str:
    return draw_pressure_map(
        plate_mm=figures.plate_mm,
        area_mm=figures.area_mm,
        rods=figures.rods,
        xs_mm=figures.xs_mm,
        ys_mm=figures.ys_mm,
        pressures_mpa=figures.pressures_mpa,
        title="Pressure on the active area",
        resultant_mm=figures.resultant_mm,
        lost_share=figures.lost_share,
    )
