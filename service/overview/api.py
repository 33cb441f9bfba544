"""The floor for machines: every stack, those that need somebody first."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BeforeValidator, Field

from service.overview.queries import overview, rows
from service.platform.api.answers import Out, Page, Turned, like, page_of, read_from
from service.platform.api.callers import Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.stacks.api.stack_models import Stack

# What the API answers of the floor.


@like(rows.CellMark)
class FloorMark(Out):
    """One cell of which there is something to be seen."""

    seen: str = Field(description="failing, rule met, on hold, bridged or blank")


@like(rows.Need, only="kind sentence address since")
class FloorNeed(Out):
    """One thing that needs somebody; ``address`` is the page where one sees to it."""

    roles: list[str] = Field(description="who may see to it, by role")
    you_may: Annotated[bool, BeforeValidator(bool)] = read_from("may")
    why_not: str = read_from("may.why")


@like(rows.LastApproved)
class LastApprovedBuild(Out):
    """The last build whose record was approved; ``stands``: its release still does."""


class FloorRow(Out):
    """One stack with what it needs."""

    stack: Stack = read_from("line")
    marks: list[FloorMark] = read_from("strip.marks")
    last_approved: LastApprovedBuild | None
    needs: list[FloorNeed]


@like(overview.Floor, only="needing read_at")
class Floor(Page):
    """One page of the floor; ``after`` is ``next``, empty at the end."""

    rows: list[FloorRow]
    stacks: int
    after: str = read_from("further")
    mine: int = Field(description="stacks with something the caller's roles may see to")


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
        floor_read = overview.floor(session, caller, now_utc(), turn, mine=mine)
    return Floor.from_answer(floor_read, stacks=floor_read.total or 0, **page_of(floor_read))
