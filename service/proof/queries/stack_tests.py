"""Tests of a closed stack as they were made: those of a record, those of a build."""

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.limits.tables import LimitSet
from service.people.tables import Person
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param, statement
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.stack_tests import (
    Result,
    StackTest,
    TestKind,
    result_from_data,
    test_from_data,
)
from service.proof.arithmetic.tests_in_words import ResultLine, lines_of, what_of
from service.proof.tables import PressureTrace
from service.proof.tables import StackTest as Row
from service.records.queries.entries import LATE_AFTER
from service.records.tables import RebuildRecord, RecordState, Step
from service.store.tables import Calibration, Instrument

REMEMBERED = 512


@dataclass(frozen=True, slots=True)
class ToolRead:
    """An instrument a test was read with; ``certificate`` None: used under a concession."""

    id: int
    kind: str
    label: str
    certificate: str | None


@dataclass(frozen=True, slots=True)
class MadeTest:
    """One test as it was made, with what it gave under the limits of its time."""

    step_id: int
    record_id: int
    sequence: int
    kind: TestKind
    done_at: datetime
    written_at: datetime
    by: str
    note: str
    undone_at: datetime | None
    verdict: Verdict
    formula: str
    limit_set_id: int | None
    limit_version: int | None
    content: str
    result_text: str
    tools: tuple[ToolRead, ...]
    correction_id: int | None
    """the correction that put it in place of another"""
    corrected_in: int | None
    """the correction that put another in its place"""

    @property
    def stands(self) -> bool:
        """Say whether it was not undone."""
        return self.undone_at is None

    @property
    def is_late(self) -> bool:
        """Say whether it was written down long after it was done."""
        return self.written_at - self.done_at > LATE_AFTER

    @property
    def test(self) -> StackTest:
        """What was set and read."""
        return read_test(self.kind, self.content)

    @property
    def result(self) -> Result:
        """What it gave."""
        return read_result(self.kind, self.result_text)

    @property
    def steps(self) -> tuple[tuple[str, datetime, str], ...]:
        """The steps of its recipe that were kept: what, when, with which value."""
        if not isinstance(self.test, LeakTest):
            return ()
        return tuple(
            (step.name, self.done_at - timedelta(minutes=step.before_end_min), step.value)
            for step in self.test.steps
        )

    @property
    def trace(self) -> str:
        """The hash of its trace; empty: it was typed."""
        kept = self.test.kept if isinstance(self.test, LeakTest) else None
        return kept.trace_sha256 if kept else ""

    @property
    def what(self) -> str:
        """Which test it is, in a few words."""
        return what_of(self.result)

    @property
    def lines(self) -> tuple[ResultLine, ...]:
        """What it gave, value by value."""
        return lines_of(self.result)

    @property
    def limits(self) -> str:
        """Which version of the limits it was judged by, in words."""
        return f"version {self.limit_version}" if self.limit_version else "no limits in force"


@lru_cache(maxsize=REMEMBERED)
def read_test(kind: TestKind, text: str) -> StackTest:
    """Return a test from its kept text."""
    return test_from_data(kind, json.loads(text))


@lru_cache(maxsize=REMEMBERED)
def read_result(kind: TestKind, text: str) -> Result:
    """Return what a test gave from its kept text."""
    return result_from_data(kind, json.loads(text))


def trace_kept(session: Session, sha256: str) -> str:
    """Return the trace of this hash. One statement. Raises NotFound."""
    content = session.scalar(
        select(PressureTrace.content).where(PressureTrace.content_sha256 == sha256)
    )
    if content is None:
        raise NotFound("trace", sha256[:12])
    return content


@statement
def _in_record() -> Any:
    return _select().where(Row.record_id == param("record_id"))


def made_in_record(session: Session, record_id: int) -> tuple[MadeTest, ...]:
    """Return the tests entered in a record in their order, undone ones too. One statement."""
    rows = session.execute(_in_record(), {"record_id": record_id})
    return tuple(_made(row) for row in rows)


@statement
def _while_closed() -> Any:
    return (
        _select()
        .join(RebuildRecord, RebuildRecord.id == Row.record_id)
        .where(Step.undone_at.is_(None), of_closed(Step.done_at))
        .order_by(None)
        .order_by(Step.done_at, Step.id)
    )


def made_while_closed(session: Session, record_id: int, build_id: int) -> tuple[MadeTest, ...]:
    """Return the standing tests of a closed stack in the order of making. One statement.

    ``record_id`` closed it; ``build_id`` is the build it made, 0 while it is not handed in: tests
    of records which found it closed count with it.
    """
    rows = session.execute(_while_closed(), {"record_id": record_id, "build_id": build_id})
    return tuple(_made(row) for row in rows)


def of_closed(done_at: Any) -> ColumnElement[bool]:
    """Return what was done to a stack while it was closed.

    After its closing, before its next opening.
    """
    opened_at = RebuildRecord.opened_at
    return and_(
        RebuildRecord.state != RecordState.VOID,
        or_(
            and_(
                RebuildRecord.id == param("record_id"),
                or_(opened_at.is_(None), done_at >= opened_at),
            ),
            and_(
                RebuildRecord.base_build_id == param("build_id"),
                or_(opened_at.is_(None), done_at < opened_at),
            ),
        ),
    )


def _select() -> Any:
    right = aliased(Step)
    return tools_joined(
        select(
            *columns(
                MadeTest,
                Step,
                Row,
                by=Person.name,
                limit_version=LimitSet.version,
                result_text=Row.result,
                corrected_in=right.correction_id,
            )
        )
        .join(Step, Step.id == Row.step_id)
        .join(Person, Person.id == Step.by_id)
        .outerjoin(right, right.replaces_id == Step.id)
        .outerjoin(LimitSet, LimitSet.id == Row.limit_set_id)
        .order_by(Step.sequence),
        Row,
    )


TOOLS = {"tool": "", "warm": "thermometer_", "meter": "meter_"}
"""The instruments of a test, and how their columns begin."""


def tools_joined(tests: Any, of: Any) -> Any:
    """Return a statement of tests with the columns of the instruments each was read with."""
    for name, begins in TOOLS.items():
        tool, calibration = aliased(Instrument), aliased(Calibration)
        tool_id = getattr(of, f"{begins or 'instrument_'}id")
        tool_columns = columns(ToolRead, tool, calibration)
        tests = (
            tests.add_columns(*(column.label(f"{name}_{column.key}") for column in tool_columns))
            .outerjoin(tool, tool.id == tool_id)
            .outerjoin(calibration, calibration.id == getattr(of, f"{begins}calibration_id"))
        )
    return tests


def tools_of(row: Any) -> tuple[ToolRead, ...]:
    """Return the instruments of a test from its row."""
    values = row._mapping
    return tuple(
        ToolRead(
            values[f"{name}_id"],
            str(values[f"{name}_kind"]),
            values[f"{name}_label"],
            values[f"{name}_certificate"],
        )
        for name in TOOLS
        if values[f"{name}_id"]
    )


def _made(row: Any) -> MadeTest:
    return read_as(MadeTest, row, kind=TestKind(row.kind.value), tools=tools_of(row))
