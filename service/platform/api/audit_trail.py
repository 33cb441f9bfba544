"""The audit trail, newest entries first."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import AwareDatetime

from service.platform.api.answers import Below, Cursor, Out, Page, like, page_of, read_from
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.platform.queries.audit_trail import Asked, TrailEntry, trail
from service.platform.queries.lists import Turn, from_keys
from service.store.queries.names import people_by_login

router = APIRouter(prefix="/audit", tags=["audit trail"])


@like(TrailEntry, without="person_id")
class Entry(Out):
    """One entry of the audit trail."""


class Trail(Page):
    """One page of the trail, newest first; ``older`` is the number ``next`` goes on below."""

    entries: list[Entry] = read_from("rows")
    older: int | None = read_from("last_key")


Number = Annotated[int | None, Query(ge=1, le=2**53)]


@router.get("")
def audit(
    *,
    caller: Caller,
    engine: Database,
    person: Annotated[str, Query(max_length=200, description="login")] = "",
    since: Annotated[AwareDatetime | None, Query()] = None,
    until: Annotated[AwareDatetime | None, Query()] = None,
    act: Annotated[str, Query(max_length=60, description="part:moved, or part for all")] = "",
    subject_kind: Annotated[str, Query(max_length=40)] = "",
    subject_id: Number = None,
    page: Cursor = "",
    older: Below = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Trail:
    """Say who changed what, when, from what to what, and why."""
    need(caller, Act.READ)
    about = (subject_kind, subject_id) if subject_kind and subject_id else None
    with reading(engine) as session:
        person_id = people_by_login(session, [person])[person] if person else None
        filters = Asked(person_id=person_id, since=since, until=until, act=act, subject=about)
        entries = trail(session, filters, from_keys(Turn(limit, page), older))
    return Trail.from_answer(entries, **page_of(entries))
