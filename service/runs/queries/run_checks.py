"""What a log is held against before it is taken in: content, time, the build's release."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.as_of import known
from service.proof.tables.releases import BuildRelease
from service.runs.tables import Run, RunKind, RunReading
from service.stacks.queries.release_standing import release_stands, released_at
from service.stacks.tables.stacks import Build, BuildPeriod, Stack


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
    """Which run has this very file? One statement."""
    row = session.execute(
        select(
            *columns(
                KnownRun,
                Run,
                stack=Stack.serial,
                is_void=RunReading.id.is_(None),
            )
        )
        .outerjoin(RunReading, (RunReading.run_id == Run.id) & known(RunReading))
        .join(Stack, Stack.id == func.coalesce(RunReading.stack_id, Run.stack_id))
        .where(Run.content_sha256 == content_sha256)
    ).first()
    return None if row is None else read_as(KnownRun, row)


def overlapping_run(
    session: Session, stack_id: int, began_at: datetime, ended_at: datetime
) -> Overlapping | None:
    """Which log of a stack shares time with this one? A sweep beside a log does not count."""
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


def why_not_released(
    session: Session, build_id: int, began_at: datetime, ended_at: datetime
) -> str | None:
    """Why was a build not released all the while it ran? None: it was. One statement."""
    first = (
        select(func.min(BuildRelease.released_at))
        .where(BuildRelease.build_id == build_id)
        .scalar_subquery()
    )
    row = session.execute(
        select(
            first,
            released_at(Build, began_at),
            release_stands(until=began_at),
            release_stands(until=ended_at),
        )
        .select_from(Build)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.id == build_id)
    ).first()
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
    """The active area of a stack's cells, cm². Raises NotFound."""
    area = session.scalar(
        select(Design.active_area_cm2)
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == stack_id)
    )
    if area is None:
        raise NotFound("stack", stack_id)
    return area
