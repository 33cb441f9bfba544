"""Who had a part in a record: nobody of them may approve it."""

from collections import defaultdict
from collections.abc import Collection
from typing import Any

from sqlalchemy import Select, select, union
from sqlalchemy.orm import Session

from service.bench.tables import Correction
from service.platform.audit import Did
from service.platform.tables.attachments import Attachment
from service.platform.tables.audit import AuditEntry
from service.records.tables import MakeSafeLine, RebuildRecord, RecordPerson, Step, TorqueReading
from service.stacks.tables.hours import HourReading

WRITING = (
    Did.RECORD_BEGUN,
    Did.RECORD_CHANGED,
    Did.RECORD_ENTRY,
    Did.RECORD_UNDONE,
    Did.RECORD_HANDED_IN,
    Did.RECORD_TAKEN_UP,
    Did.ATTACHMENT_ADDED,
    Did.ATTACHMENT_REMOVED,
)
"""Acts in the trail which make somebody one of those who wrote a record."""


def people_on(
    session: Session, record_ids: Collection[int], *, with_corrections: bool = True
) -> dict[int, frozenset[int]]:
    """Who wrote, worked on, witnessed or corrected each record? One statement.

    Counted in: who began it, made or undid any entry, took a reading, checked or witnessed a line
    of make-safe, added a file, handed it in, or (``with_corrections``) proposed a correction of
    it. Entries that were undone count as well.
    """
    entered: tuple[tuple[Any, Any], ...] = (
        (RecordPerson, RecordPerson.person_id),
        (Step, Step.by_id),
        (Step, Step.undone_by_id),
        (MakeSafeLine, MakeSafeLine.person_id),
        (MakeSafeLine, MakeSafeLine.witness_id),
        (TorqueReading, TorqueReading.by_id),
        (HourReading, HourReading.by_id),
        (Attachment, Attachment.added_by_id),
    )
    if with_corrections:
        entered = (*entered, (Correction, Correction.written_by_id))
    parts: list[Select[*tuple[Any, ...]]] = [
        select(table.record_id, who).where(table.record_id.in_(record_ids))
        for table, who in entered
    ]
    parts += [
        select(RebuildRecord.id, who).where(RebuildRecord.id.in_(record_ids))
        for who in (RebuildRecord.written_by_id, RebuildRecord.handed_in_by_id)
    ]
    parts.append(
        select(AuditEntry.record_id, AuditEntry.person_id).where(
            AuditEntry.record_id.in_(record_ids),
            AuditEntry.act.in_([act.value for act in WRITING]),
        )
    )
    people: dict[int, set[int]] = defaultdict(set)
    for record_id, person_id in session.execute(union(*parts)):
        if person_id is not None:
            people[record_id].add(person_id)
    return {record_id: frozenset(people[record_id]) for record_id in record_ids}
