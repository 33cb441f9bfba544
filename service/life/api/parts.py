"""Parts: their histories and traces, by serial or by the text of a code."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from service.life.queries.traces import trace
from service.platform.api import answers
from service.platform.api.answers import Hours, Out
from service.platform.api.callers import Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.stacks.api import stack_models
from service.stacks.api.stack_models import Events, Finding, Layer, Part, Sitting
from service.stacks.queries.hour_kinds import part_kinds
from service.stacks.queries.part_lives import part_life
from service.store.queries.names import part_by_text

# A trace as JSON.


class RodTorque(Out):
    """The last reading on one nut, N·m."""

    rod_number: int
    torque_nm: float
    pass_number: int
    kind: str
    taken_at: datetime
    out_of_tolerance: bool


class InstrumentTrust(Out):
    """An instrument as it stood when the readings were taken."""

    label: str
    was_valid: bool
    last_good_at: datetime | None
    found_out_at: datetime | None
    error_percent: float | None
    by_concession: bool
    accuracy_percent: float | None = Field(
        description="greatest deviation, % of the reading; none: as is usual for its kind"
    )
    resolution: float | None = Field(description="smallest step shown, in the instrument's unit")


class Torques(Out):
    """Final readings of one build, N·m."""

    target_nm: float
    tolerance_percent: float
    mean_nm: float | None
    spread_nm: float | None
    rods: list[RodTorque]
    instruments: list[InstrumentTrust]


class AtWork(Out):
    """Who wrote, worked on and witnessed an event."""

    written_by: str
    worked: list[str]
    witnessed: list[str]


class TracedSitting(Sitting):
    """One build a part sat in, with the layers that touched it."""

    around: list[Layer]


class TracedBuild(Out):
    """One build with what was done to close it and what was found at its end."""

    sitting: TracedSitting
    at_work: AtWork
    approved_by: str | None
    approved_at: datetime | None
    torques: Torques | None
    findings: list[tuple[str, Finding]]


class LotMember(Out):
    """One part of a lot, and where it is today."""

    part_id: int
    label: str
    whereabouts: str
    usability: str
    stack_serial: str | None
    build_number: int | None
    position: int | None
    cell: int | None


class TracedLot(Out):
    """One lot around the part; ``members`` lists the first of them, ``total`` counts all."""

    label: str
    part_type: str
    kind: str
    supplier: str
    is_own: bool
    held_because: str | None
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


@router.get("/{serial}/history")
def history(
    serial: str, caller: Caller, engine: Database, drawing: Drawing = ""
) -> stack_models.PartHistory:
    """Say where a part is, every build it sat in, its hours, findings and holds."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = part_life(session, part_by_text(session, serial, drawing))
        kinds = part_kinds(session, [answer.part.id], now_utc())[answer.part.id]
    return stack_models.PartHistory(
        part=stack_models.Part.model_validate(answer.part),
        hours=answers.Hours.model_validate(answer.hours),
        kinds=stack_models.Kinds.model_validate(kinds.total),
        events=stack_models.Events.model_validate(answer.events),
        sittings=[stack_models.Sitting.model_validate(sat) for sat in answer.sittings],
        findings=[stack_models.Finding.model_validate(finding) for finding in answer.findings],
        holds=[stack_models.Hold.model_validate(hold) for hold in answer.holds],
    )


@router.get("/{serial}/trace")
def traced(serial: str, caller: Caller, engine: Database, drawing: Drawing = "") -> Trace:
    """Return what was built around a part, and where all other parts of the same lots are today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = trace(session, part_by_text(session, serial, drawing))
    return Trace.model_validate(answer)
