"""Parts: their histories and traces, by serial or by the text of a code."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.life.api import trace_models
from service.life.queries.traces import trace
from service.platform.api import answers
from service.platform.api.callers import Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.stacks.api import part_models, stack_models
from service.stacks.queries.hour_kinds import part_kinds
from service.stacks.queries.part_lives import part_life
from service.store.queries.names import part_by_text

router = APIRouter(prefix="/parts", tags=["parts"])

Drawing = Annotated[
    str,
    Query(max_length=200, description="drawing number, where parts of several types bear a serial"),
]


@router.get("/{serial}/history")
def history(
    serial: str, caller: Caller, engine: Database, drawing: Drawing = ""
) -> part_models.PartHistory:
    """Where a part is, every build it sat in, its hours, findings and holds."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = part_life(session, part_by_text(session, serial, drawing))
        kinds = part_kinds(session, [answer.part.id], now_utc())[answer.part.id]
    return part_models.PartHistory(
        part=part_models.Part.model_validate(answer.part),
        hours=answers.Hours.model_validate(answer.hours),
        kinds=part_models.Kinds.model_validate(kinds.total),
        events=part_models.Events.model_validate(answer.events),
        sittings=[stack_models.Sitting.model_validate(sat) for sat in answer.sittings],
        findings=[part_models.Finding.model_validate(one) for one in answer.findings],
        holds=[part_models.Hold.model_validate(one) for one in answer.holds],
    )


@router.get("/{serial}/trace")
def traced(
    serial: str, caller: Caller, engine: Database, drawing: Drawing = ""
) -> trace_models.Trace:
    """What was built around a part, and where all other parts of the same lots are today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = trace(session, part_by_text(session, serial, drawing))
    return trace_models.Trace.model_validate(answer)
