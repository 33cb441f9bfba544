"""The builds of a stack: when each was closed and opened, and by which record."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.queries.answers import columns, read_all
from service.platform.queries.as_of import known
from service.platform.queries.prepared import as_of_param, param, params, statement
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.stacks.queries.release_standing import release_stands
from service.stacks.tables.stacks import Build, BuildPeriod

RELEASED = "released"
NOT_RELEASED = "not released"


@dataclass(frozen=True, slots=True)
class BuildFacts:
    """One build of a stack: when it was closed and opened, and the record that made it."""

    build_id: int
    number: int
    closed_at: datetime
    opened_at: datetime | None
    opened_by_record_id: int | None
    record_id: int
    record_kind: RecordKind
    record_state: RecordState
    known_from: datetime
    correction_id: int | None
    release_stands: bool
    """released and nothing done to it since; of a build opened since: it stood so then"""

    @property
    def is_present(self) -> bool:
        """Whether the stack has not been opened since."""
        return self.opened_at is None

    @property
    def state(self) -> str:
        """Whether the build was released to be run, and nothing was done to it since."""
        return RELEASED if self.release_stands else NOT_RELEASED


@statement
def _builds(is_then: bool) -> Any:
    return (
        select(
            *columns(
                BuildFacts,
                Build,
                BuildPeriod,
                build_id=Build.id,
                record_kind=RebuildRecord.kind,
                record_state=RebuildRecord.state,
                release_stands=release_stands(until=as_of_param(is_then)),
            )
        )
        .join(Build, Build.id == BuildPeriod.build_id)
        .join(RebuildRecord, RebuildRecord.id == Build.record_id)
        .where(BuildPeriod.stack_id == param("stack_id"), known(BuildPeriod, as_of_param(is_then)))
        .order_by(BuildPeriod.closed_at, Build.number)
    )


def builds_of(
    session: Session, stack_id: int, known_at: datetime | None = None
) -> tuple[BuildFacts, ...]:
    """Every build of a stack in their order, as known now or at a time."""
    rows: Any = session.execute(_builds(known_at is not None), params(known_at, stack_id=stack_id))
    return read_all(BuildFacts, rows)
