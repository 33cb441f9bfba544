"""What a log is held against before it is taken in: content, time, the build's release."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.statements import known, param, statement
from service.platform.tables import UtcDateTime
from service.proof.tables import BuildRelease
from service.runs.tables import Run, RunKind, RunReading, RunUpload, UploadState
from service.stacks.queries.release_standing import release_stands, released_at
from service.stacks.tables import Build, BuildPeriod, HourReading, HourReport, Moment, Stack


@dataclass(frozen=True, slots=True)
class KnownRun:
    """A run by its content."""

    id: int
    name: str
    stack: str
    is_void: bool


@dataclass(frozen=True, slots=True)
class Overlapping:
    """A run whose time overlaps another's."""

    run_id: int
    name: str
    began_at: datetime
    ended_at: datetime


def run_with_content(session: Session, content_sha256: str) -> KnownRun | None:
    """Return the run that has this very file. One statement."""
    row = session.execute(
        select(*columns(KnownRun, Run, stack=Stack.serial, is_void=RunReading.id.is_(None)))
        .outerjoin(RunReading, (RunReading.run_id == Run.id) & known(RunReading))
        .join(Stack, Stack.id == func.coalesce(RunReading.stack_id, Run.stack_id))
        .where(Run.content_sha256 == content_sha256)
    ).first()
    return None if row is None else read_as(KnownRun, row)


def overlapping_run(
    session: Session, stack_id: int, began_at: datetime, ended_at: datetime
) -> Overlapping | None:
    """Return the log of a stack that shares time with this one, sweeps beside logs apart."""
    row = session.execute(
        select(*columns(Overlapping, Run, RunReading, run_id=Run.id))
        .join(Run, Run.id == RunReading.run_id)
        .where(
            RunReading.stack_id == stack_id,
            known(RunReading),
            Run.kind == RunKind.LOG,
            RunReading.began_at < ended_at,
            RunReading.ended_at > began_at,
        )
        .order_by(RunReading.began_at)
        .limit(1)
    ).first()
    return None if row is None else read_as(Overlapping, row)


@statement
def _releases() -> Any:
    began_at, ended_at = (bindparam(at, type_=UtcDateTime) for at in ("began_at", "ended_at"))
    first = select(func.min(BuildRelease.released_at)).where(BuildRelease.build_id == Build.id)
    return (
        select(
            first.correlate(Build).scalar_subquery(),
            released_at(Build, began_at),
            release_stands(until=began_at),
            release_stands(until=ended_at),
        )
        .select_from(Build)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.id == param("build_id"))
    )


def why_not_released(
    session: Session, build_id: int, began_at: datetime, ended_at: datetime
) -> str | None:
    """Say why a build was not released all the while it ran; None if it was. One statement."""
    times = {"build_id": build_id, "began_at": began_at, "ended_at": ended_at}
    row = session.execute(_releases(), times).first()
    if row is None or row[0] is None:
        return "The build was never released to be run."
    if row[1] is None:
        return f"The build was released only at {row[0]:%Y-%m-%d %H:%M} UTC, after the run began."
    if not row[2]:
        return "The build's release had ended when the run began, by work or a correction."
    if not row[3]:
        return "The build's release ended while it ran, by work or a correction."
    return None


def area_of_stack(session: Session, stack_id: int) -> float:
    """Return the active area of a stack's cells, cm². Raises NotFound."""
    area = session.scalar(
        select(Design.active_area_cm2)
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == stack_id)
    )
    if area is None:
        raise NotFound("stack", stack_id)
    return area


# What a meter showed just before, during and just after a stretch of time, as known now.
#
# People's readings are few and all given; of a bench's reports and of logs those of the stretch,
# and the nearest on both sides.


@dataclass(frozen=True, slots=True)
class Shown:
    """What a meter showed at a time, in h; ``moment`` of a person's reading, else None."""

    hours: float
    taken_at: datetime
    moment: Moment | None = None


def shown_around(session: Session, meter_id: int, begin: datetime, end: datetime) -> list[Shown]:
    """Return what one meter showed around a stretch of time, in the order of time.

    Three statements.
    """
    values = {"meter_id": meter_id, "begin": begin, "end": end}
    days = {"first": begin.astimezone(UTC).date(), "last": end.astimezone(UTC).date()}
    read: Any = session.execute(_readings(), {"meter_id": meter_id})
    showings = [Shown(row.hours, row.taken_at, row.moment) for row in read]
    showings += _ends(session.execute(_reports(), {"meter_id": meter_id, **days}))
    showings += _ends(session.execute(_runs(), values))
    return sorted(showings, key=lambda showing: showing.taken_at)


def _ends(rows: Any) -> Iterator[Shown]:
    for row in rows:
        yield Shown(row[0], row[1])
        yield Shown(row[2], row[3])


@statement
def _readings() -> Any:
    return (
        select(HourReading.hours, HourReading.taken_at, HourReading.moment)
        .where(HourReading.meter_id == param("meter_id"), HourReading.known_until.is_(None))
        .order_by(HourReading.taken_at, HourReading.id)
    )


@statement
def _reports() -> Any:
    beside = aliased(HourReport)
    of_meter = (beside.meter_id == param("meter_id"), known(beside))
    before = select(func.max(beside.day)).where(*of_meter, beside.day < param("first"))
    after = select(func.min(beside.day)).where(*of_meter, beside.day > param("last"))
    return select(
        HourReport.first_hours, HourReport.first_at, HourReport.last_hours, HourReport.last_at
    ).where(
        HourReport.meter_id == param("meter_id"),
        known(HourReport),
        HourReport.day >= func.coalesce(before.scalar_subquery(), param("first")),
        HourReport.day <= func.coalesce(after.scalar_subquery(), param("last")),
    )


@statement
def _runs() -> Any:
    beside = aliased(RunReading)
    conditions = (
        beside.meter_id == param("meter_id"),
        beside.meter_to_hours.is_not(None),
        beside.known_until.is_(None),
    )
    begin, end = param("begin"), param("end")
    before = select(func.max(beside.ended_at)).where(*conditions, beside.ended_at < begin)
    after = select(func.min(beside.ended_at)).where(*conditions, beside.ended_at > end)
    at = UtcDateTime()
    return select(
        RunReading.meter_from_hours,
        RunReading.began_at,
        RunReading.meter_to_hours,
        RunReading.ended_at,
    ).where(
        RunReading.meter_id == param("meter_id"),
        RunReading.meter_to_hours.is_not(None),
        RunReading.known_until.is_(None),
        RunReading.ended_at >= func.coalesce(before.scalar_subquery(), begin, type_=at),
        RunReading.ended_at <= func.coalesce(after.scalar_subquery(), end, type_=at),
    )


# Logs on their way in: what was sent, how far each is read, and why it was refused.


@dataclass(frozen=True, slots=True)
class UploadRow:
    """A file on its way in; ``done`` is the share read, 0 to 1."""

    token: str
    stack_id: int
    stack: str
    name: str
    size_bytes: int
    content_sha256: str
    asked: str
    state: UploadState
    done: float
    message: str
    run_id: int | None
    by_id: int
    by: str
    made_at: datetime
    changed_at: datetime


def upload(session: Session, token: str) -> UploadRow:
    """Return a file on its way in. Raises NotFound: it is forgotten after a week."""
    row = session.execute(_uploads().where(RunUpload.token == token)).first()
    if row is None:
        raise NotFound("uploaded log (it is kept for a week; send it again)", token[:8])
    return read_as(UploadRow, row)


def uploads_of_stack(session: Session, stack_id: int) -> tuple[UploadRow, ...]:
    """Return files on their way in for a stack that have not become runs, the newest first."""
    rows = session.execute(
        _uploads()
        .where(RunUpload.stack_id == stack_id, RunUpload.state != UploadState.DONE)
        .order_by(RunUpload.id.desc())
        .limit(20)
    )
    return read_all(UploadRow, rows)


def _uploads() -> Any:
    return (
        select(*columns(UploadRow, RunUpload, stack=Stack.serial, by=Person.name))
        .join(Stack, Stack.id == RunUpload.stack_id)
        .join(Person, Person.id == RunUpload.by_id)
    )
