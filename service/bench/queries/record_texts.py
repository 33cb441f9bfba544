"""What a record says, as canonical JSON."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.errors import NotFound
from service.records.queries.content import record_content
from service.records.tables import RebuildRecord, RecordState


@dataclass(frozen=True, slots=True)
class RecordAsText:
    """A record's canonical JSON: as frozen at hand-in, else as its rows stand now."""

    id: int
    state: RecordState
    version: int
    content_sha256: str | None
    canonical: str


def record_as_text(session: Session, record_id: int) -> RecordAsText:
    """What does a record say? Raises NotFound."""
    row = session.execute(
        select(
            RebuildRecord.state,
            RebuildRecord.version,
            RebuildRecord.content_sha256,
            RebuildRecord.content,
        ).where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    canonical = row.content or record_content(session, [record_id])[record_id].canonical
    return RecordAsText(record_id, row.state, row.version, row.content_sha256, canonical)
