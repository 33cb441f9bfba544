"""Holds and concessions: listed, placed, lifted and given, by whoever may on the pages."""

from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import Field

from service.platform.api.answers import Made, Out, Page, Turned, like, page_of
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Why
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import Work, reading
from service.platform.permissions import Act, need
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.queries import holds as queries

router = APIRouter(tags=["parts"])
HoldNumber = Annotated[int, Path(ge=1, le=2**53)]


class On(StrEnum):
    """What can be on hold, or be conceded."""

    PART = "part"
    LOT = "lot"
    PART_TYPE = "part type"
    DESIGN = "design"
    INSTRUMENT = "instrument"


@like(queries.HeldSubject)
class HeldSubject(Out):
    """What a hold or a concession is about."""

    kind: On
    more: str = Field(description="its part type, or the kind of part type or instrument")
    where: str = Field(description="where the part is now")


@like(queries.HoldRow)
class Hold(Out):
    """One hold, standing or lifted."""

    subject: HeldSubject


class Holds(Page):
    """Holds, the latest first."""

    rows: list[Hold]


class HoldSent(In):
    """A hold on one thing."""

    on: On
    id: int = Field(ge=1, le=2**53, description="its number")
    reason: str = Field(min_length=1, max_length=4000)

    @property
    def subject(self) -> Subject:
        """What is meant."""
        return Subject(**{f"{self.on.replace(' ', '_')}_id": self.id})


class LiftingSent(Why):
    """The lifting of a hold; ``judged``: what a part is from then on, null: what it was before."""

    judged: Usability | None = None


@router.get("/holds")
def holds(
    caller: Caller,
    engine: Database,
    turn: Turned,
    lifted: Annotated[bool, Query(description="lifted ones too")] = False,
) -> Holds:
    """List holds on parts, lots, part types, designs and instruments."""
    need(caller, Act.READ)
    with reading(engine) as session:
        rows = queries.holds(session, turn=turn, lifted_too=lifted)
    return Holds.from_answer(rows, **page_of(rows))


@router.post("/holds", status_code=201)
def place(body: HoldSent, call: Call) -> Made:
    """Place a hold, with the reason."""
    need(call.caller, Act.HOLD_WRITE)
    return make_once(call, lambda work: place_hold(work, body.subject, reason=body.reason))


@router.get("/holds/{hold_id}")
def hold(hold_id: HoldNumber, caller: Caller, engine: Database) -> Hold:
    """Return one hold."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return Hold.from_answer(queries.hold(session, hold_id))


@router.post("/holds/{hold_id}/lifting", status_code=201)
def lift(hold_id: HoldNumber, body: LiftingSent, call: Call) -> Made:
    """Lift a hold, with the reason."""
    need(call.caller, Act.HOLD_LIFT)

    def change(work: Work) -> int:
        lift_hold(work, hold_id, reason=body.reason, judged=body.judged)
        return hold_id

    return make_once(call, change)


@router.post("/concessions", status_code=201)
def concede(body: HoldSent, call: Call) -> Made:
    """Allow uses in one record in spite of a hold, a judgement or a missing calibration."""
    need(call.caller, Act.CONCESSION_GIVE)
    return make_once(call, lambda work: give_concession(work, body.subject, reason=body.reason))
