"""What the API answers of the floor."""

from datetime import datetime

from pydantic import Field

from service.platform.api.answers import Out
from service.stacks.api.stack_models import Stack


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


class Floor(Out):
    """One page of the floor; ``after`` continues, empty at the end."""

    rows: list[FloorRow]
    stacks: int
    needing: int
    mine: int = Field(description="stacks with something the caller's roles may see to")
    after: str
    read_at: datetime
