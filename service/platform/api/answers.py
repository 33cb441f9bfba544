"""What every answer is made of: units stand in the names, times are ISO 8601 with a zone."""

from datetime import datetime

from pydantic import BaseModel, ConfigDict


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


class Trail(Out):
    """One page of the trail, newest first; ``older`` continues, null at the end."""

    entries: list[Entry]
    older: int | None


class Made(Out):
    """The number of what was made."""

    id: int
