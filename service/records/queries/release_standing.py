"""Does a release of a build still stand? Until something was done to the closed stack.

A re-torque, an exchanged fixing, a test that failed or an opening ends it, from when it was written
down: what was done before and told later was not known to whoever released.
"""

from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import aliased

from service.records.tables.rebuild_records import (
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.records.tables.releases import BuildRelease
from service.records.tables.stack_tests import StackTest
from service.records.tables.stacks import Build, BuildPeriod
from service.trade.verdicts import Verdict
from service.trade.words import Stage

EXCHANGED = (StepKind.FIXING_FITTED, StepKind.FIXING_REMOVED)
TESTED = (StepKind.LEAK_TEST, StepKind.INSULATION_TEST, StepKind.SHORT_CHECK)


def released_at(build: Any = Build, until: Any = None) -> Any:
    """When a build was released last, None: never; as known at a time, if given."""
    told = select(func.max(BuildRelease.released_at)).where(BuildRelease.build_id == build.id)
    if until is not None:
        told = told.where(BuildRelease.released_at <= until)
    return told.correlate(build).scalar_subquery()


def release_stands(
    build: Any = Build, period: Any = BuildPeriod, until: Any = None
) -> ColumnElement[bool]:
    """Be true where the release of a build stands; of a build opened since, where it stood then.

    An expression for a statement that has the build and its period.
    """
    at = released_at(build, until)
    return and_(at.is_not(None), ~ended_since(at, build, period, until).exists())


def ended_since(at: Any, build: Any, period: Any, until: Any = None) -> Any:
    """Entries of other records of a build, written after a time, that end its release."""
    record, step = aliased(RebuildRecord), aliased(Step)
    turned, test = aliased(TorqueReading), aliased(StackTest)
    while_closed = or_(record.opened_at.is_(None), step.done_at < record.opened_at)
    a_nut = select(turned.id).where(turned.step_id == step.id, turned.stage == Stage.CLOSING)
    failed = select(test.id).where(test.step_id == step.id, test.verdict == Verdict.FAIL)
    told = (
        select(step.id)
        .join(record, record.id == step.record_id)
        .where(
            record.stack_id == build.stack_id,
            record.base_build_id == build.id,
            record.state != RecordState.VOID,
            step.undone_at.is_(None),
            step.written_at > at,
            or_(
                and_(step.kind == StepKind.OPENED, period.opened_by_record_id.is_(None)),
                and_(step.kind.in_(EXCHANGED), while_closed),
                and_(step.kind == StepKind.TORQUE, while_closed, a_nut.exists()),
                and_(step.kind.in_(TESTED), while_closed, failed.exists()),
            ),
        )
        .correlate(build, period)
    )
    return told if until is None else told.where(step.written_at <= until)
