"""Attachments: photos and papers at a record or a part.

The content lies on disk before the row is written (platform/files/photos.py puts it there), so a
row never names content that is missing; content without a row is harmless.
"""

from collections.abc import Sequence

from sqlalchemy import select

from service.platform import changes
from service.platform.audit import Change, Event
from service.platform.changes import Stored
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.platform.tables import Attachment
from service.records.changes import journal
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part


def add_attachments(
    work: Work,
    files: Sequence[Stored],
    *,
    record_id: int | None = None,
    part_id: int | None = None,
    version: int | None = None,
) -> list[int]:
    """Attach stored files to a record being written, to a part, or to both. Gives their ids.

    Raises Refused once the record is handed in or where the same content is attached there
    already, Stale for another ``version`` of the record than the present one, NotFound.
    """
    if not files:
        raise Refused("files", "", "no file was chosen.", "A photo or a PDF would be right.")
    if record_id is None and part_id is None:
        raise Refused("files", files[0].name, "it belongs nowhere.", "A record or part.")
    if record_id is None:
        need(work.by, Act.PART_WRITE)
        record = None
    else:
        record = journal.lock_record(work, record_id, version)
    part_name = _part_name(work, part_id)
    rows = []
    for stored in files:
        _refuse_twice(work, stored, record_id, part_id)
        rows.append(put_attachment(work, stored, record_id=record_id, part_id=part_id))
    facts: list[Change] = [("part", None, part_name or None)]
    for row in rows:
        facts += [
            ("file", None, row.name),
            ("SHA-256", None, row.content_sha256),
            ("size in bytes", None, row.size_bytes),
        ]
    if record is not None:
        names = ", ".join(row.name for row in rows)
        sentence = f"{names} attached" + (f", showing {part_name}" if part_name else "")
        journal.finish_entry(
            work, record, journal.TrailNote(sentence, tuple(facts), did=Event.ATTACHMENT_ADDED)
        )
    else:
        work.note(Event.ATTACHMENT_ADDED, ("part", part_id, part_name), facts)
    return [row.id for row in rows]


def add_attachment(
    work: Work,
    stored: Stored,
    *,
    record_id: int | None = None,
    part_id: int | None = None,
    version: int | None = None,
) -> int:
    """Attach one stored file, as `add_attachments` does. Gives its id."""
    return add_attachments(work, [stored], record_id=record_id, part_id=part_id, version=version)[0]


def put_attachment(
    work: Work,
    stored: Stored,
    *,
    record_id: int | None = None,
    part_id: int | None = None,
    shows_word: str | None = None,
) -> Attachment:
    """Write the attachment's row, without leave and trail: a part of other changes."""
    row = Attachment(
        content_sha256=stored.content_sha256,
        media_type=stored.media_type,
        size_bytes=stored.size_bytes,
        name=changes.optional_words("files", stored.name)[-200:] or "without a name",
        record_id=record_id,
        part_id=part_id,
        shows_word=shows_word,
        added_by_id=work.by.id,
        added_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    return row


def remove_attachment(
    work: Work, attachment_id: int, *, reason: str, version: int | None = None
) -> None:
    """Take an attachment off an open record or a part, with the reason; its content stays.

    Raises Refused once its record is handed in, Stale, NotFound.
    """
    row = work.session.get(Attachment, attachment_id)
    if row is None or row.removed_at is not None:
        raise NotFound("attachment", attachment_id)
    if row.shows_word is not None:
        raise Refused("files", row.name, "it is the picture of a word.", "Replace it at the word.")
    if row.calibration_id is not None:
        raise Refused("files", row.name, "a certificate stays with its calibration.")
    if row.record_id is None:
        need(work.by, Act.PART_WRITE)
        record = None
    else:
        record = journal.lock_record(work, row.record_id, version)
    why = changes.reason(reason)
    row.removed_at = work.now
    facts = (("file", row.name, None),)
    if record is not None:
        note = journal.TrailNote(f"{row.name} taken off", facts, why, Event.ATTACHMENT_REMOVED)
        journal.finish_entry(work, record, note)
    else:
        subject = ("part", row.part_id, _part_name(work, row.part_id))
        work.note(Event.ATTACHMENT_REMOVED, subject, facts, reason=why)


def _refuse_twice(work: Work, stored: Stored, record_id: int | None, part_id: int | None) -> None:
    same_file = work.session.scalar(
        select(Attachment.name).where(
            Attachment.content_sha256 == stored.content_sha256,
            Attachment.record_id.is_not_distinct_from(record_id),
            Attachment.part_id.is_not_distinct_from(part_id),
            Attachment.removed_at.is_(None),
        )
    )
    if same_file is not None:
        raise Refused(
            "files", stored.name, f"the same content is attached here already, as “{same_file}”."
        )


def _part_name(work: Work, part_id: int | None) -> str:
    if part_id is None:
        return ""
    row = work.session.execute(
        select(Part.serial, Lot.label, Part.item_number)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id == part_id)
    ).first()
    if row is None:
        raise NotFound("part", part_id)
    return part_label(row.serial, row.label, row.item_number)
