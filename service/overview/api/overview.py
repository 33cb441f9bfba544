"""The floor for machines: every stack, those that need somebody first."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.overview.api import models
from service.overview.queries.overview import floor
from service.overview.queries.rows import FloorStack
from service.platform.api.callers import Caller, Database
from service.platform.database import now_utc, reading
from service.platform.permissions import Act, need
from service.stacks.api.stack_models import Stack

router = APIRouter(prefix="/floor", tags=["stacks"])


@router.get("")
def show(
    *,
    caller: Caller,
    engine: Database,
    mine: Annotated[bool, Query(description="only what the caller's roles may see to")] = False,
    after: Annotated[str, Query(max_length=200, description="as the page before gave it")] = "",
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> models.Floor:
    """Every stack with its cells, hours and state, and who is needed where."""
    need(caller, Act.READ)
    with reading(engine) as session:
        found = floor(session, caller, now_utc(), mine=mine, after=after, limit=limit)
    return models.Floor(
        rows=[_row(row) for row in found.rows],
        stacks=found.stacks,
        needing=found.needing,
        mine=found.mine,
        after=found.after,
        read_at=found.read_at,
    )


def _row(row: FloorStack) -> models.FloorRow:
    last = row.last_approved
    return models.FloorRow(
        stack=Stack.model_validate(row.line),
        marks=[models.FloorMark.model_validate(mark) for mark in row.strip.marks],
        last_approved=None if last is None else models.LastApprovedBuild.model_validate(last),
        needs=[
            models.FloorNeed(
                kind=one.kind,
                sentence=one.sentence,
                address=one.address,
                roles=list(one.roles),
                you_may=bool(one.may),
                why_not=one.may.why,
                since=one.since,
            )
            for one in row.needs
        ],
    )
