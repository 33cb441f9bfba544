"""What a record tells of the tests of its closed stack: every attempt, and what counts now."""

from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.proof.queries.build_verdicts import ClosedVerdicts
from service.proof.queries.stack_tests import MadeTest, made_in_record
from service.proof.queries.verdict_lines import VerdictLine, verdict_lines
from service.records.queries.record_heads import Head


@dataclass(frozen=True, slots=True)
class TestedSheet:
    """The tests of a record, and the verdicts of the stack it left closed."""

    __test__ = False

    made: tuple[MadeTest, ...]
    lines: tuple[VerdictLine, ...]
    hints: tuple[str, ...]
    limits: str
    build_id: int


def tested_sheet(session: Session, head: Head, closed: ClosedVerdicts | None) -> TestedSheet | None:
    """The section of a record; None where nothing was tested or asked for. One statement."""
    made = made_in_record(session, head.id)
    if closed is None or (not made and head.closed_at is None):
        return TestedSheet(made, (), (), "", 0) if made else None
    lines = verdict_lines(closed)
    if not made and not lines:
        return None
    return TestedSheet(
        made,
        lines,
        closed.together.hints,
        closed.limits.name if closed.limits else "",
        closed.build_id,
    )
