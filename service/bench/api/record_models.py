"""What is answered as JSON: units stand in the names, times are ISO 8601 with a zone."""

from datetime import datetime
from typing import Any

from pydantic import Field

from service.closing.api.models import ClosingSummary
from service.platform.api.answers import Out


class Record(Out):
    """One rebuild record in a list."""

    id: int
    stack: str
    kind: str
    state: str
    reason: str
    performed_from: datetime
    written_at: datetime
    written_by: str
    handed_in_at: datetime | None
    build: int | None
    content_holds: bool | None = Field(
        default=None, description="whether it still has the hash it was handed in with"
    )


class Records(Out):
    """One page of records, newest first; ``before`` continues, 0 at the end."""

    rows: list[Record]
    before: int


class RecordContent(Out):
    """A record's content: as handed in and frozen, else as it stands now."""

    id: int
    state: str
    version: int
    content_sha256: str | None
    content_holds: bool | None
    closing: ClosingSummary | None = Field(
        default=None, description="what its closing gave, as kept at hand-in"
    )
    content: dict[str, Any]
