"""What searches for the cell that leaks point to, by build: suspicion, never a verdict."""

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.verdicts import Verdict
from service.platform.queries.statements import param_list, statement
from service.proof.arithmetic.leak_searches import SearchOutcome
from service.proof.arithmetic.stack_tests import TestKind, result_from_data
from service.proof.tables import StackTest
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Build


@dataclass(frozen=True, slots=True)
class LeakSuspicion:
    """The newest search of one build: the cells that stood out in it."""

    build_id: int
    build_number: int
    record_id: int
    done_at: datetime
    way: str
    cells: tuple[int, ...]


def leak_suspicions(
    session: Session, build_ids: Collection[int], as_of: AsOf = PRESENT
) -> dict[int, LeakSuspicion]:
    """Return what the newest valid search of each build points to. One statement."""
    newest: dict[int, LeakSuspicion] = {}
    rows: Any = session.execute(_searches(), {"build_ids": list(build_ids)})
    for row in rows:
        if not as_of.has(happened_at=row.done_at, written_at=row.written_at):
            continue
        result = result_from_data(TestKind.SEARCH, json.loads(row.result))
        assert isinstance(result, SearchOutcome)  # noqa: S101
        newest[row.build_id] = LeakSuspicion(
            row.build_id, row.number, row.record_id, row.done_at, result.way, result.suspects
        )
    return {build_id: search for build_id, search in newest.items() if search.cells}


@statement
def _searches() -> Any:
    opened = RebuildRecord.opened_at
    return (
        select(
            Build.id.label("build_id"),
            Build.number,
            StackTest.record_id,
            Step.done_at,
            Step.written_at,
            StackTest.result,
        )
        .join(Step, Step.id == StackTest.step_id)
        .join(RebuildRecord, RebuildRecord.id == StackTest.record_id)
        .join(
            Build,
            or_(
                and_(
                    Build.record_id == RebuildRecord.id,
                    or_(opened.is_(None), Step.done_at >= opened),
                ),
                and_(
                    Build.id == RebuildRecord.base_build_id,
                    or_(opened.is_(None), Step.done_at < opened),
                ),
            ),
        )
        .where(
            Build.id.in_(param_list("build_ids")),
            Step.kind == StepKind.LEAK_SEARCH,
            Step.undone_at.is_(None),
            StackTest.verdict != Verdict.TEST_AGAIN,
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(Step.done_at, Step.id)
    )
