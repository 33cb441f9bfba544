"""What a record being written says of itself, for the search for what it lacks."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.queries.answers import columns, read_as
from service.records.tables import Finding, MakeSafeLine, Step, StepKind


@dataclass(frozen=True, slots=True)
class Entry:
    """A standing entry, and the conditions noted with it."""

    sequence: int
    kind: StepKind
    part_id: int | None
    note: str
    rod_number: int | None
    line_number: int | None
    conditions: frozenset[str]


def standing_entries(session: Session, record_id: int) -> list[Entry]:
    """The standing entries in their order. Two statements."""
    conditions: dict[int, set[str]] = {}
    for step_id, condition in session.execute(
        select(Finding.step_id, Finding.condition).where(Finding.record_id == record_id)
    ):
        conditions.setdefault(step_id, set()).add(condition)
    rows = session.execute(
        select(Step.id, *columns(Entry, Step, MakeSafeLine))
        .outerjoin(MakeSafeLine, MakeSafeLine.step_id == Step.id)
        .where(Step.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence)
    )
    return [read_as(Entry, row, conditions=frozenset(conditions.get(row.id, ()))) for row in rows]
