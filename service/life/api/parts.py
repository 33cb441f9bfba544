"""Parts: their histories and traces, by serial or by the text of a code."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from service.closing.queries import build_torques
from service.life.queries import traces
from service.platform.api.answers import Out, like
from service.platform.api.callers import Asked, Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.stacks.api import stack_models
from service.stacks.api.stack_models import Events, Finding, Hours, Layer, Part, Sitting
from service.stacks.queries.hour_kinds import part_kinds
from service.stacks.queries.part_lives import part_life
from service.store.queries.names import part_by_text

# A trace as JSON.


@like(build_torques.RodTorque, without="record_id instrument_id correction_id")
class RodTorque(Out):
    """The last reading on one nut, N·m."""


@like(build_torques.InstrumentTrust, without="instrument_id first_at last_at")
class InstrumentTrust(Out):
    """An instrument as it stood when the readings were taken."""

    accuracy_percent: float | None = Field(
        description="greatest deviation, % of the reading; none: as is usual for its kind"
    )
    resolution: float | None = Field(description="smallest step shown, in the instrument's unit")


@like(build_torques.BuildTorques)
class Torques(Out):
    """Final readings of one build, N·m."""

    mean_nm: float | None
    spread_nm: float | None
    rods: list[RodTorque]
    instruments: list[InstrumentTrust]


class TracedSitting(Sitting):
    """One build a part sat in, with the layers that touched it."""

    around: list[Layer]


@like(traces.TracedBuild)
class TracedBuild(Out):
    """One build with what was done to close it and what was found at its end."""

    sitting: TracedSitting
    torques: Torques | None
    findings: list[tuple[str, Finding]]


@like(traces.LotMember, without="name_in_lot place stack_id")
class LotMember(Out):
    """One part of a lot, and where it is today."""


@like(traces.TracedLot, without="id received_at expires_at counts")
class TracedLot(Out):
    """One lot around the part; ``members`` lists the first of them, ``total`` counts all."""

    total: int
    fitted: int
    stacks: list[str]
    members: list[LotMember]


class Trace(Out):
    """What was built around a part, and where all parts of the same lots are today."""

    part: Part
    hours: Hours
    events: Events
    builds: list[TracedBuild]
    lots: list[TracedLot]


router = APIRouter(prefix="/parts", tags=["parts"])

Drawing = Annotated[
    str,
    Query(max_length=200, description="drawing number, where parts of several types bear a serial"),
]

Maker = Annotated[
    str, Query(max_length=200, description="maker, where parts of several makers bear a serial")
]


@router.get("/{serial}/history")
def history(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    as_of: Asked,
    drawing: Drawing = "",
    maker: Maker = "",
) -> stack_models.PartHistory:
    """Say where a part is, every build it sat in, its hours, findings and holds."""
    need(caller, Act.READ)
    with reading(engine) as session:
        part_id = part_by_text(session, serial, drawing, maker)
        answer = part_life(session, part_id, as_of)
        kinds = part_kinds(session, [part_id], as_of.until(now_utc()), as_of)[part_id]
    return stack_models.PartHistory.from_answer(answer, kinds=kinds.total)


@router.get("/{serial}/trace")
def traced(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    as_of: Asked,
    drawing: Drawing = "",
    maker: Maker = "",
) -> Trace:
    """Return what was built around a part, and where all other parts of the same lots are today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = traces.trace(session, part_by_text(session, serial, drawing, maker), as_of)
    return Trace.from_answer(answer)
