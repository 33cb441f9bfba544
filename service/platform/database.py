"""The engine, what differs between the two databases, and the only commit.

    with reading(engine) as session: …        one consistent view, nothing is written
    with changing(engine, by=person) as work: one change of state; leaving the block normally
                                              commits, raising rolls everything back
    with housekeeping(engine) as session: …   sign-in, progress, derived rows: outside the trail

``changing`` refuses to commit changed rows without an entry in the audit trail.
"""

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta, tzinfo
from time import monotonic, sleep
from typing import Any, TypeVar

from sqlalchemy import Engine, create_engine, event, select
from sqlalchemy.engine import Connection
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import ORMExecuteState, Session, UOWTransaction

from service.life.tables import BuildMakeup, RuleVerdict
from service.operation import tables  # noqa: F401 - a mapped table needs all it refers to
from service.people.tables import ApiToken, FirstCode, PersonPin, SignInAttempt, SignInSession
from service.platform.audit import Change, Event, changes_text
from service.platform.errors import Busy, NotFound, Refused, Repeated
from service.platform.permissions import Person
from service.platform.tables import AuditEntry, EntryKey
from service.runs.tables import RunUpload
from service.stacks.tables import HourReport

OUTSIDE_THE_TRAIL = (
    AuditEntry,
    BuildMakeup,
    EntryKey,
    FirstCode,
    HourReport,
    RuleVerdict,
    RunUpload,
    SignInAttempt,
    SignInSession,
)
"""What is no fact of its own: keys, progress, what is derived, a bench's meter of one day."""
SQLITE_BUSY_MS = 10_000
POSTGRES_LOCK_MS = 10_000
SHAPES = 2_000
"""Shapes of statements kept compiled: more than the service sends; the default of 500 is fewer."""

Row = TypeVar("Row")


def now_utc() -> datetime:
    """Read the clock; nobody else does."""
    return datetime.now(UTC)


def make_engine(url: str, zone: tzinfo = UTC) -> Engine:
    """Connect to SQLite (WAL, foreign keys, full synchronisation) or PostgreSQL.

    ``zone`` is the site's: its days begin at midnight there.
    """
    engine = _engine(url)
    engine.update_execution_options(site_zone=zone)
    return engine


def site_day(session: Session, at: datetime) -> tuple[datetime, datetime]:
    """Return when the site's day of a time begins, and when the next one does."""
    zone = session.get_bind().get_execution_options().get("site_zone", UTC)
    day = at.astimezone(zone).date()
    return datetime.combine(day, time(), zone), datetime.combine(day + timedelta(1), time(), zone)


def _engine(url: str) -> Engine:
    if url.startswith("sqlite"):
        engine = create_engine(
            url, query_cache_size=SHAPES, connect_args={"timeout": SQLITE_BUSY_MS / 1000}
        )
        event.listen(engine, "connect", _sqlite_connected)
        event.listen(engine, "begin", _sqlite_begun)
        return engine
    return create_engine(
        url,
        query_cache_size=SHAPES,
        pool_pre_ping=True,
        connect_args={"options": f"-c lock_timeout={POSTGRES_LOCK_MS} -c timezone=UTC"},
    )


def _sqlite_connected(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    connection.create_function("sha256_hex", 1, _sha256_hex, deterministic=True)
    _keep_write_ahead_log(connection)
    for pragma in (
        "synchronous=FULL",
        "foreign_keys=ON",
        "mmap_size=268435456",
        "cache_size=-65536",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _keep_write_ahead_log(connection: Any) -> None:
    # Beside somebody else a change of a new file's mode is refused at once, whatever the timeout.
    until = monotonic() + SQLITE_BUSY_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as refusal:
            if refusal.sqlite_errorcode != sqlite3.SQLITE_BUSY or monotonic() > until:
                raise
            sleep(0.02)
        else:
            return


def _sha256_hex(text: str) -> str:
    """What PostgreSQL has of itself."""
    return hashlib.sha256(text.encode()).hexdigest()


def _sqlite_begun(connection: Connection) -> None:
    # A writer takes the lock at once: two writers wait for each other instead of failing midway.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@dataclass(frozen=True, slots=True)
class SentOnce:
    """The one-time key something was sent with: where it was sent and the hash of what was sent.

    ``field`` is the key's name in a refusal.
    """

    key: str
    sent_to: str
    payload_sha256: str
    field: str


@dataclass(slots=True)
class Work:
    """One change of state in progress: its session, who does it, and when it is written down."""

    session: Session
    by: Person
    now: datetime
    via: str = "page"
    answer: str = ""
    notes: int = field(default=0)

    def locked(self, table: type[Row], row_id: int, noun: str) -> Row:
        """Give the row, locked until the change is done. Raises NotFound with its noun."""
        return self.row(table, row_id, noun, with_for_update=True)

    def row(
        self, table: type[Row], row_id: int | None, noun: str, *, with_for_update: bool = False
    ) -> Row:
        """Give the row. Raises NotFound with its noun."""
        row = self.session.get(table, row_id, with_for_update=with_for_update)
        if row is None:
            raise NotFound(noun, row_id)
        return row

    def refuse_nobody(self, field: str, why: str, right: str = "Sign in as somebody.") -> None:
        """Raise Refused where nobody does it but the program itself."""
        if not self.by.id:
            raise Refused(field, "", why, right)

    def note(
        self,
        did: Event,
        subject: tuple[str, int | None, str],
        changes: list[Change] | tuple[Change, ...] = (),
        *,
        reason: str = "",
        stack_id: int | None = None,
        record_id: int | None = None,
    ) -> None:
        """Write the entry of the audit trail; subject is (kind, id, label)."""
        kind, subject_id, label = subject
        self.session.add(
            AuditEntry(
                at=self.now,
                person_id=self.by.id or None,
                person_name=self.by.name,
                act=did.value,
                subject_kind=kind,
                subject_id=subject_id,
                subject_label=label[:200],
                stack_id=stack_id,
                record_id=record_id,
                changes=changes_text(changes),
                reason=reason,
                via=self.via,
            )
        )
        self.notes += 1


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """Open one consistent view of the database; nothing may be written."""
    options = (
        {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        if engine.dialect.name == "postgresql"
        else {}
    )
    with Session(engine.execution_options(**options), autoflush=False) as session:
        yield session
        session.rollback()


@contextmanager
def changing(
    engine: Engine,
    by: Person,
    *,
    key: SentOnce | None = None,
    via: str = "page",
    now: datetime | None = None,
) -> Iterator[Work]:
    """Make one change of state: commit on leaving normally, roll back on raising.

    ``key`` is the one-time key of the form or call: the same sent again by the same person raises
    `Repeated` with the first answer (``work.answer``, set inside the block), something else under
    that key raises `Refused`. ``now`` is the time of writing down;
    only invented histories set it.
    """
    with _transaction(engine) as session:
        if key:
            _refuse_repeated(session, by, key)
        work = Work(session, by, now or now_utc(), via)
        _watch(session)
        yield work
        if key:
            session.add(
                EntryKey(
                    person_id=by.id,
                    sent_to=key.sent_to,
                    key=key.key,
                    payload_sha256=key.payload_sha256,
                    answer=work.answer,
                    at=work.now,
                )
            )
        try:
            session.flush()
        except IntegrityError as clash:
            if key and "entry_key" in str(clash.orig):
                session.rollback()
                _refuse_repeated(session, by, key)
            raise
        if session.info.get("changed") and not work.notes:
            raise RuntimeError("rows were changed without an entry in the audit trail")
        session.commit()


@contextmanager
def housekeeping(engine: Engine) -> Iterator[Session]:
    """Commit housekeeping outside the trail: sessions, attempts, last use of a token."""
    with _transaction(engine) as session:
        _watch(session)
        yield session
        session.flush()
        if session.info.get("changed"):
            raise RuntimeError("housekeeping may not change what the trail covers")
        session.commit()


@contextmanager
def _transaction(engine: Engine) -> Iterator[Session]:
    with Session(engine.execution_options(writes=True), autoflush=True) as session:
        try:
            yield session
        except OperationalError as trouble:
            session.rollback()
            if "locked" in str(trouble.orig) or "lock timeout" in str(trouble.orig):
                raise Busy from trouble
            raise


def _refuse_repeated(session: Session, by: Person, key: SentOnce) -> None:
    # Keys of before have neither place nor hash: for their person they count everywhere.
    before = session.execute(
        select(EntryKey.payload_sha256, EntryKey.answer)
        .where(
            EntryKey.person_id == by.id,
            EntryKey.sent_to.in_((key.sent_to, "")),
            EntryKey.key == key.key,
        )
        .order_by(EntryKey.sent_to.desc())
    ).first()
    if before is None:
        return
    if before.payload_sha256 not in (key.payload_sha256, ""):
        raise Refused(
            key.field,
            key.key,
            "it was sent before with other values, which were taken.",
            "Look at what was entered then; to enter this as well, send it under a new key.",
        )
    raise Repeated(before.answer)


def _watch(session: Session) -> None:
    """Remember whether rows under the trail were changed, by flush or by statement."""

    def flushed(session: Session, _context: UOWTransaction) -> None:
        rows = [*session.new, *session.dirty, *session.deleted]
        if any(not isinstance(row, OUTSIDE_THE_TRAIL) for row in rows):
            session.info["changed"] = True

    def executed(state: ORMExecuteState) -> None:
        if state.is_insert or state.is_update or state.is_delete:
            mapper = state.bind_mapper
            entity = mapper.class_ if mapper is not None else None
            last_use = entity in {ApiToken, PersonPin} and state.is_update
            if entity not in OUTSIDE_THE_TRAIL and not last_use:
                state.session.info["changed"] = True

    event.listen(session, "after_flush", flushed)
    event.listen(session, "do_orm_execute", executed)
