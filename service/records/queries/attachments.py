"""Which photos and papers are attached where."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import read_as
from service.platform.tables import Attachment
from service.records.tables import RebuildRecord, RecordState
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part


@dataclass(frozen=True, slots=True)
class Attached:
    """One file at a record, at a part, or at a part as a record shows it."""

    id: int
    content_sha256: str
    media_type: str
    size_bytes: int
    name: str
    record_id: int | None
    part_id: int | None
    part_label: str
    added_by: str
    added_at: datetime
    removed_at: datetime | None

    @property
    def is_photo(self) -> bool:
        """Say whether a small picture can be shown."""
        return self.media_type.startswith("image/")


def attachments_of_record(session: Session, record_id: int) -> tuple[Attached, ...]:
    """Return the files of a record, in the order they came. One statement."""
    return _read(session, _select().where(Attachment.record_id == record_id))


def attachments_of_part(session: Session, part_id: int) -> tuple[Attached, ...]:
    """Return files that show a part, at itself and in records, as they came. One statement."""
    return _read(session, _select().where(Attachment.part_id == part_id))


def attachment(session: Session, attachment_id: int) -> Attached:
    """Return one file, also one taken off again: its content stays. Raises NotFound."""
    row = session.execute(_select(removed_too=True).where(Attachment.id == attachment_id)).first()
    if row is None:
        raise NotFound("attachment", attachment_id)
    return _attached(row)


def record_being_written(session: Session, record_id: int) -> tuple[int, bool]:
    """Return the version of a record, and whether it is still being written. Raises NotFound."""
    row = session.execute(
        select(RebuildRecord.version, RebuildRecord.state).where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return row.version, row.state is RecordState.OPEN


def part_name(session: Session, part_id: int) -> str:
    """Return what a person reads for a part. Raises NotFound."""
    row = session.execute(
        select(Part.serial, Lot.label.label("lot"), Part.item_number)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id == part_id)
    ).first()
    if row is None:
        raise NotFound("part", part_id)
    return part_label(row.serial, row.lot, row.item_number)


def _select(*, removed_too: bool = False) -> Select[*tuple[Any, ...]]:
    statement = (
        select(
            Attachment.id,
            Attachment.content_sha256,
            Attachment.media_type,
            Attachment.size_bytes,
            Attachment.name,
            Attachment.record_id,
            Attachment.part_id,
            Part.serial,
            Lot.label.label("lot"),
            Part.item_number,
            Person.name.label("added_by"),
            Attachment.added_at,
            Attachment.removed_at,
        )
        .join(Person, Person.id == Attachment.added_by_id)
        .outerjoin(Part, Part.id == Attachment.part_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .order_by(Attachment.added_at, Attachment.id)
    )
    return statement if removed_too else statement.where(Attachment.removed_at.is_(None))


def _read(session: Session, statement: Select[*tuple[Any, ...]]) -> tuple[Attached, ...]:
    return tuple(_attached(row) for row in session.execute(statement))


def _attached(row: Row[Any]) -> Attached:
    label = "" if row.part_id is None else part_label(row.serial, row.lot, row.item_number)
    return read_as(Attached, row, part_label=label)
