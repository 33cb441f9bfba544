"""What every entry of a record begins and ends with: the record held, its version, its journal.

Two people may write in one record. A form names the version it was shown at; where somebody else
has entered something since, `Stale` tells what, and nothing is written.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import or_, select

from service.platform.arithmetic.dates import in_utc, span_of, written
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.audit import Change, Event
from service.platform.changes import CLOCKS_DIFFER
from service.platform.database import Work
from service.platform.errors import Refused, Stale
from service.platform.permissions import Act, need
from service.platform.tables import AuditEntry
from service.records.queries.entries import LAST_STEP
from service.records.queries.inserted import opened_since
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.store.tables import Part

CLOSING_THE_DOOR = {
    RecordState.HANDED_IN: "it is handed in; what is wrong in it needs a correction.",
    RecordState.APPROVED: "it is approved; what is wrong in it needs a correction.",
    RecordState.SENT_BACK: "it was sent back; take it up again first.",
    RecordState.VOID: "it is void.",
}


@dataclass(frozen=True, slots=True)
class TrailNote:
    """The facts of an entry for the trail: a sentence, what changed, and why where asked."""

    sentence: str
    changes: tuple[Change, ...] = ()
    reason: str = ""
    did: Event = Event.RECORD_ENTRY


def lock_record(work: Work, record_id: int, version: int | None) -> RebuildRecord:
    """Return the record, locked until the change is done; asks for leave to write in it.

    ``version`` is what the form was shown at, None where the caller holds none. Raises NotFound,
    NotAllowed, Refused for a record that is no longer being written, Stale.
    """
    need(work.by, Act.RECORD_WRITE)
    record = work.locked(RebuildRecord, record_id, "record")
    if record.state is not RecordState.OPEN:
        raise Refused("record", f"record {record_id}", CLOSING_THE_DOOR[record.state])
    if version is not None and version != record.version:
        raise Stale(
            f"record {record_id}", version, record.version, _changes_since(work, record, version)
        )
    return record


def finish_entry(work: Work, record: RebuildRecord, note: TrailNote) -> None:
    """Count the record's version up and write the entry of the trail: the end of every change."""
    record.version += 1
    work.note(
        note.did,
        ("record", record.id, f"record {record.id}: {note.sentence}"),
        [("version", record.version - 1, record.version), *note.changes],
        reason=note.reason,
        stack_id=record.stack_id,
        record_id=record.id,
    )


def add_step(
    work: Work, record: RebuildRecord, kind: StepKind, done_at: datetime, **facts: object
) -> Step:
    """Write the next entry into the journal of a record."""
    last = work.session.scalar(LAST_STEP, {"record_id": record.id})
    step = Step(
        record_id=record.id,
        sequence=(last or 0) + 1,
        kind=kind,
        standing=bool(facts.pop("standing", False)),
        done_at=done_at,
        written_at=work.now,
        by_id=work.by.id,
        **facts,
    )
    work.session.add(step)
    work.session.flush()
    return step


def done_at_of(
    work: Work, record: RebuildRecord, done_at: datetime | None, *, field: str = "done_at"
) -> datetime:
    """Say when something was done: the time given, or now.

    Between the record's beginning and now; of an event before a later opening, up to that. All
    entries of a record with a partial date have that date.
    """
    if span_of(record.performed_from).known:
        if done_at is not None and written(done_at) != written(record.performed_from):
            raise Refused(
                field,
                in_utc(done_at),
                f"record {record.id} is dated {in_utc(record.performed_from)}, without a time of"
                " day, and so are its entries.",
                "Leave it empty.",
            )
        return record.performed_from
    if done_at is not None and span_of(done_at).known:
        raise Refused(field, in_utc(done_at), "it has no time of day.", "The time it was done.")
    since = opened_since(work.session, record)
    if since is not None and (done_at is None or done_at >= since.opened_at):
        raise Refused(
            field,
            "" if done_at is None else in_utc(done_at),
            f"build {since.number} was opened by record {since.record_id},"
            f" {in_utc(since.opened_at)}; this event came before.",
            "The time it was done, before that.",
        )
    if done_at is None:
        return max(work.now, record.performed_from)
    if done_at > work.now + CLOCKS_DIFFER:
        raise Refused(
            field,
            in_utc(done_at),
            "this time is still to come.",
            "A time up to now would be right.",
        )
    if done_at < record.performed_from:
        raise Refused(
            field,
            in_utc(done_at),
            f"record {record.id} says that the work began later, {in_utc(record.performed_from)}.",
            "A later time would be right, or an earlier beginning of the work.",
        )
    return done_at


@dataclass(frozen=True, slots=True)
class Moving:
    """Says where parts of a record are from now on, asked once however many are moved.

    ``has_gone_on``: the stack was opened since, so what is moved has gone on elsewhere.
    """

    work: Work
    record: RebuildRecord
    has_gone_on: bool

    def move(self, part: Part, to: Whereabouts, place: str = "") -> None:
        """Say where a part is now."""
        if self.has_gone_on:
            return
        part.whereabouts, part.place = to, place
        part.stack_id = self.record.stack_id if to is Whereabouts.FITTED else None
        self.work.session.flush()


def moving(work: Work, record: RebuildRecord) -> Moving:
    """Begin to move parts in a record. One statement."""
    return Moving(work, record, opened_since(work.session, record) is not None)


def _changes_since(work: Work, record: RebuildRecord, version: int) -> list[str]:
    """What was entered since a version, oldest first, as sentences with the name of who did it."""
    since = record.version - version
    rows = work.session.execute(
        select(AuditEntry.person_name, AuditEntry.subject_label, AuditEntry.act)
        .where(
            AuditEntry.record_id == record.id,
            or_(AuditEntry.act.startswith("record:"), AuditEntry.act.startswith("attachment:")),
        )
        .order_by(AuditEntry.id.desc())
        .limit(max(1, min(since, 50)) if since > 0 else 50)
    ).all()
    prefix = f"record {record.id}: "
    return [
        f"{row.person_name}: {row.subject_label.removeprefix(prefix)}" for row in reversed(rows)
    ]
