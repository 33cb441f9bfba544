"""What follows from an event that is entered after later ones: what rests on it, what stands in
its way.

What it says counts like in any record; what later records rest on is computed anew when it is
approved.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.bench.queries.correction_preview import Follows
from service.closing.queries.closing_results import closings_anew
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.audit import Event
from service.platform.queries.answers import columns, read_all
from service.platform.queries.statements import known
from service.platform.tables import AuditEntry
from service.proof.queries.build_verdicts import verdicts_of_build
from service.records.queries.inserted import came_before
from service.records.queries.records import RecordHead
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
)
from service.stacks.queries.release_standing import released_builds, releases_ended_by
from service.stacks.tables import Build, BuildPeriod

OF_SIGNING = ("version", "state", "content signed")
"""What the trail says of an approval besides what followed it."""


@dataclass(frozen=True, slots=True)
class LaterRecord:
    """A record of a later event, with who approved it before this one was known."""

    id: int
    kind: RecordKind
    state: RecordState
    performed_from: datetime
    approved_by: str | None
    approved_at: datetime | None


@dataclass(frozen=True, slots=True)
class InsertedEvent:
    """An event before others: what follows from it, as it would be or as it was done.

    ``conflicts`` stand against approving it, each with what would be right.
    """

    later: tuple[LaterRecord, ...]
    rows: tuple[Follows, ...] = ()
    conflicts: tuple[str, ...] = ()


def inserted_event(session: Session, head: RecordHead) -> InsertedEvent | None:
    """Return what follows from a record entered after later ones; None: it is the latest.

    A constant number of statements, and some for each closing it computes anew.
    """
    if head.inserted_before is None:
        return None
    later = _later(session, head.id)
    if head.state is RecordState.APPROVED:
        return InsertedEvent(later, tuple(_as_done(session, head.id)))
    rows = tuple(row for row in _follows(session, head) if row.before != row.after)
    return InsertedEvent(later, rows, tuple(_conflicts(session, head)))


def _later(session: Session, record_id: int) -> tuple[LaterRecord, ...]:
    this = aliased(RebuildRecord)
    rows = session.execute(
        select(
            *columns(
                LaterRecord,
                RebuildRecord,
                approved_by=with_login(Person, Decision.person_name),
                approved_at=Decision.at,
            )
        )
        .join(this, this.stack_id == RebuildRecord.stack_id)
        .outerjoin(
            Decision,
            (Decision.record_id == RebuildRecord.id)
            & (Decision.meaning == Meaning.APPROVED)
            & Decision.correction_id.is_(None),
        )
        .outerjoin(Person, Person.id == Decision.person_id)
        .where(
            this.id == record_id,
            came_before(this, RebuildRecord),
            RebuildRecord.id < record_id,
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(RebuildRecord.performed_from, RebuildRecord.id)
    )
    return read_all(LaterRecord, rows)


def _follows(session: Session, head: RecordHead) -> Iterator[Follows]:
    for number in releases_ended_by(session, head.id):
        yield _release_ends(head, number)
    yield from _tests(session, head)
    released = released_builds(session, head.stack_id)
    for anew in list(closings_anew(session, head.stack_id, (), rests_on=head.id)):
        yield from (Follows(*row) for row in anew.rows)
        if anew.build_id in released:
            yield _release_ends(head, released.pop(anew.build_id))


def _release_ends(head: RecordHead, number: int) -> Follows:
    release = f"release of build {number} of {head.stack}"
    return Follows(release, "released", f"ended by record {head.id}")


def _tests(session: Session, head: RecordHead) -> Iterator[Follows]:
    """Verdicts of earlier tests of the build that it makes out of date."""
    closed = verdicts_of_build(session, head.base_build_id or 0)
    for test in closed.tests:
        deeds = {deed.words for deed in test.outdated_by.values() if deed.record_id == head.id}
        if test.made.stands and deeds:
            made = f"{test.made.what}, entry {test.made.sequence} of record {test.made.record_id}"
            yield Follows(made, str(test.made.verdict), f"test again: {', '.join(deeds)}")


def _conflicts(session: Session, head: RecordHead) -> Iterator[str]:
    """Entries outside the time the build was closed, as that is known by now."""
    period = session.execute(
        select(
            Build.number,
            Build.record_id,
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
            BuildPeriod.opened_by_record_id,
        )
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.id == head.base_build_id)
    ).one()
    entries = session.execute(
        select(Step.sequence, Step.kind, Step.done_at)
        .where(
            Step.record_id == head.id,
            Step.undone_at.is_(None),
            Step.kind.not_in((StepKind.NOT_DONE, StepKind.OPENED, StepKind.CLOSED)),
        )
        .order_by(Step.sequence)
    )
    right = (
        f"Correct that time in record {{}}, or send record {head.id} back and put its own right."
    )
    for entry in entries:
        done = f"Entry {entry.sequence} ({entry.kind}) was done {entry.done_at:%Y-%m-%d %H:%M} UTC"
        if entry.done_at < period.closed_at:
            yield (
                f"{done}, but build {period.number} was closed later,"
                f" {period.closed_at:%Y-%m-%d %H:%M} UTC. {right.format(period.record_id)}"
            )
        elif (
            period.opened_at is not None
            and period.opened_by_record_id != head.id
            and entry.done_at >= period.opened_at
        ):
            yield (
                f"{done}, but build {period.number} was opened before,"
                f" {period.opened_at:%Y-%m-%d %H:%M} UTC."
                f" {right.format(period.opened_by_record_id)}"
            )


def _as_done(session: Session, record_id: int) -> Iterator[Follows]:
    """What the trail tells of its approval."""
    text = session.scalar(
        select(AuditEntry.changes)
        .where(
            AuditEntry.record_id == record_id,
            AuditEntry.act == Event.RECORD_APPROVED.value,
        )
        .order_by(AuditEntry.id.desc())
        .limit(1)
    )
    for name, was, now in json.loads(text) if text else ():
        if name not in OF_SIGNING:
            yield Follows(name, str(was), str(now))
