"""What is sent as JSON: units stand in the names, times are ISO 8601 with a zone."""

from typing import Annotated

from pydantic import AwareDatetime, Field

from service.platform.changes import In, Name, Words

__all__ = ["HoursRead", "In", "Name", "Why", "Words"]


class HoursRead(In):
    """What an hour meter showed, in h."""

    hours: float = Field(ge=0, le=10_000_000)
    taken_at: AwareDatetime


class Why(In):
    """The reason of what is done."""

    reason: Annotated[str, Field(min_length=1, max_length=4000)]
