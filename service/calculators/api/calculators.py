"""The calculators of the desk; what is sent stands in the address, as on the page."""

import logging

from fastapi import APIRouter, Request

from service.calculators.api import models
from service.calculators.arithmetic import desk
from service.calculators.arithmetic.calculators import CALCULATORS, calculator_named, work_out
from service.platform.api.callers import Caller
from service.platform.arithmetic.estimates import COVERAGE
from service.platform.errors import NotFound, Refused, RefusedTogether
from service.platform.permissions import Act, need

log = logging.getLogger("layerbook.api")
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
    if worked.last_state is not None:
        log.info("%s found no solution; it stood at %s", known.name, worked.last_state)
    if worked.outcome is None:
        raise RefusedTogether(
            [
                Refused(one.field or calculator, one.value, one.reason, one.right_would_be)
                for one in worked.refusals
            ]
        )
    return models.Worked.from_answer(
        worked.outcome, calculator=known.name, title=known.title, coverage=COVERAGE
    )


def _described(calculator: desk.Calculator) -> models.Calculator:
    fields = [
        models.AskedFor.from_answer(field, section=section.title)
        for section in calculator.sections
        for field in section.fields
    ]
    return models.Calculator.from_answer(calculator, fields=fields)
