"""What every answer is made of: units stand in the names, times are ISO 8601 with a zone."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import Depends, Query, Request
from pydantic import BaseModel, ConfigDict

from service.platform.queries.lists import Listing, Turn


class Out(BaseModel):
    """Parent of all answers: read from the attributes of a query's answer."""

    model_config = ConfigDict(from_attributes=True)


class Hours(Out):
    """Operating hours in h; ``at_least`` where a stretch is not known."""

    hours: float
    at_least: bool


class Entry(Out):
    """One entry of the audit trail."""

    class Changed(Out):
        """One field, before and after."""

        field: str
        before: str | float | bool | None
        after: str | float | bool | None

    id: int
    at: datetime
    person_name: str
    act: str
    subject_kind: str
    subject_id: int | None
    subject_label: str
    stack_id: int | None
    record_id: int | None
    changes: list[Changed]
    reason: str
    via: str


class Page(Out):
    """One page of a list: ``next`` and ``previous`` are for ``page``, null where there is none."""

    next: str | None
    previous: str | None
    total: int | None = None


Cursor = Annotated[str, Query(max_length=1000, description="next or previous of another page")]


def turn_asked(
    page: Cursor = "",
    limit: Annotated[int, Query(ge=1, le=200, description="rows on a page")] = 50,
) -> Turn:
    """Read which page of a list a call asks for."""
    return Turn(limit, page)


Turned = Annotated[Turn, Depends(turn_asked)]
Below = Annotated[
    int | None, Query(ge=0, le=2**53, deprecated=True, description="instead of a page: go on here")
]


def page_of(found: Listing[Any]) -> dict[str, Any]:
    """Return what the answer of every list says of its page."""
    return {"next": found.further or None, "previous": found.back or None, "total": found.total}


def links_of(request: Request, found: Listing[Any]) -> str:
    """Return the header Link of a list that is answered without a page around it."""
    beside = (("next", found.further), ("prev", found.back))
    return ", ".join(
        f'<{request.url.include_query_params(page=cursor)}>; rel="{where}"'
        for where, cursor in beside
        if cursor
    )


class Trail(Page):
    """One page of the trail, newest first; ``older`` is the number ``next`` goes on below."""

    entries: list[Entry]
    older: int | None


class Made(Out):
    """The number of what was made."""

    id: int
