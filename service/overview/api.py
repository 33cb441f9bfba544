"""The floor for machines: every stack, those that need somebody first."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from service.overview.queries.overview import floor
from service.overview.queries.rows import FloorStack
from service.platform.api.answers import Out, Page, Turned, page_of
from service.platform.api.callers import Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.stacks.api.stack_models import Stack

# What the API answers of the floor.


class FloorMark(Out):
    """One cell of which there is something to be seen."""

    cell: int
    seen: str = Field(description="failing, rule met, on hold, bridged or blank")


class FloorNeed(Out):
    """One thing that needs somebody; ``address`` is the page where one sees to it."""

    kind: str
    sentence: str
    address: str
    roles: list[str] = Field(description="who may see to it, by role")
    you_may: bool
    why_not: str
    since: datetime | None


class LastApprovedBuild(Out):
    """The last build whose record was approved; ``stands``: its release still does."""

    number: int
    is_present: bool
    released_at: datetime | None
    stands: bool


class FloorRow(Out):
    """One stack with what it needs."""

    stack: Stack
    marks: list[FloorMark]
    last_approved: LastApprovedBuild | None
    needs: list[FloorNeed]


class Floor(Page):
    """One page of the floor; ``after`` is ``next``, empty at the end."""

    rows: list[FloorRow]
    stacks: int
    needing: int
    mine: int = Field(description="stacks with something the caller's roles may see to")
    after: str
    read_at: datetime


router = APIRouter(prefix="/floor", tags=["stacks"])


@router.get("")
def show(
    *,
    caller: Caller,
    engine: Database,
    mine: Annotated[bool, Query(description="only what the caller's roles may see to")] = False,
    turn: Turned,
    after: Annotated[
        str, Query(max_length=1000, deprecated=True, description="instead of page")
    ] = "",
) -> Floor:
    """Return every stack with its cells, hours and state, and who is needed where."""
    need(caller, Act.READ)
    with reading(engine) as session:
        turn = Turn(turn.limit, turn.cursor or after)
        floor_read = floor(session, caller, now_utc(), turn, mine=mine)
    return Floor(
        rows=[_row(row) for row in floor_read.rows],
        stacks=floor_read.total or 0,
        needing=floor_read.needing,
        mine=floor_read.mine,
        after=floor_read.further,
        read_at=floor_read.read_at,
        **page_of(floor_read),
    )


def _row(row: FloorStack) -> FloorRow:
    last = row.last_approved
    return FloorRow(
        stack=Stack.model_validate(row.line),
        marks=[FloorMark.model_validate(mark) for mark in row.strip.marks],
        last_approved=None if last is None else LastApprovedBuild.model_validate(last),
        needs=[
            FloorNeed(
                kind=need.kind,
                sentence=need.sentence,
                address=need.address,
                roles=list(need.roles),
                you_may=bool(need.may),
                why_not=need.may.why,
                since=need.since,
            )
            for need in row.needs
        ],
    )
