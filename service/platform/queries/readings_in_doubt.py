"""Readings taken with an instrument that was found out of tolerance afterwards."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session

from service.platform.queries.answers import read_as
from service.platform.queries.as_of import known
from service.proof.tables.stack_tests import StackTest
from service.records.tables import (
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables.stacks import Stack
from service.store.tables.instruments import Calibration, CalibrationResult


@dataclass(frozen=True, slots=True)
class Span:
    """From one calibration (None: from the beginning) to the one that found it out."""

    calibration_id: int
    since: datetime | None
    until: datetime


@dataclass(frozen=True, slots=True)
class InDoubt:
    """One reading taken with an instrument that was found out of tolerance afterwards.

    ``shown`` is the reading with its unit, ``what`` names it: rod 2 pass 3 closing, or the line.
    """

    calibration_id: int
    record_id: int
    record_kind: RecordKind
    record_state: RecordState
    stack_serial: str
    taken_at: datetime
    what: str
    shown: str


def doubtful_spans(session: Session, instrument_id: int) -> tuple[Span, ...]:
    """For each calibration that found an instrument out of tolerance: which readings it doubts.

    From the calibration before (None: from the beginning) up to the finding. One statement.
    """
    calibrations = session.execute(
        select(Calibration.id, Calibration.done_at, Calibration.result)
        .where(Calibration.instrument_id == instrument_id)
        .order_by(Calibration.done_at, Calibration.id)
    )
    spans = []
    since: datetime | None = None
    for calibration in calibrations:
        if calibration.result is CalibrationResult.OUT_OF_TOLERANCE:
            spans.append(Span(calibration.id, since, calibration.done_at))
        since = calibration.done_at
    return tuple(spans)


def readings_in_doubt(session: Session, instrument_id: int) -> tuple[InDoubt, ...]:
    """Which readings were taken with an instrument before it was found out of tolerance?

    Those since the calibration before, as known now, in their order. Four statements at most.
    """
    spans = doubtful_spans(session, instrument_id)
    if not spans:
        return ()
    record = (
        RebuildRecord.id.label("record_id"),
        RebuildRecord.kind.label("record_kind"),
        RebuildRecord.state.label("record_state"),
        Stack.serial.label("stack_serial"),
    )
    torques = session.execute(
        select(
            *record,
            TorqueReading.taken_at,
            TorqueReading.rod_number,
            TorqueReading.pass_number,
            TorqueReading.stage,
            TorqueReading.torque_nm,
        )
        .join(RebuildRecord, RebuildRecord.id == TorqueReading.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(TorqueReading.instrument_id == instrument_id, known(TorqueReading))
        .where(_within(TorqueReading.taken_at, spans))
        .order_by(TorqueReading.taken_at, TorqueReading.id)
    )
    lines = session.execute(
        select(
            *record,
            Step.done_at.label("taken_at"),
            Step.kind.label("step"),
            MakeSafeLine.line_number,
            MakeSafeLine.wording,
            MakeSafeLine.reading,
            MakeSafeLine.unit,
        )
        .join(Step, Step.id == MakeSafeLine.step_id)
        .join(RebuildRecord, RebuildRecord.id == MakeSafeLine.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(MakeSafeLine.instrument_id == instrument_id, Step.undone_at.is_(None))
        .where(_within(Step.done_at, spans))
        .order_by(Step.done_at, Step.id)
    )
    tests = session.execute(
        select(
            *record,
            Step.done_at.label("taken_at"),
            Step.kind.label("step"),
            StackTest.verdict,
        )
        .join(Step, Step.id == StackTest.step_id)
        .join(RebuildRecord, RebuildRecord.id == StackTest.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(
            or_(
                StackTest.instrument_id == instrument_id,
                StackTest.thermometer_id == instrument_id,
                StackTest.meter_id == instrument_id,
            ),
            Step.undone_at.is_(None),
        )
        .where(_within(Step.done_at, spans))
        .order_by(Step.done_at, Step.id)
    )
    found = [
        _doubt(
            row,
            spans,
            what=f"rod {row.rod_number} pass {row.pass_number}, {row.stage}",
            shown=f"{row.torque_nm:g}\u2009N·m",
        )
        for row in torques
    ]
    found += [
        _doubt(
            row,
            spans,
            what=f"make-safe line {row.line_number}"
            if row.step is StepKind.MAKE_SAFE
            else row.wording.lower(),
            shown="no reading" if row.reading is None else f"{row.reading:g}\u2009{row.unit}",
        )
        for row in lines
    ]
    found += [_doubt(row, spans, what=str(row.step), shown=str(row.verdict)) for row in tests]
    return tuple(sorted(found, key=lambda one: (one.taken_at, one.record_id)))


def _doubt(row: Any, spans: Sequence[Span], *, what: str, shown: str) -> InDoubt:
    span = _span_of(row.taken_at, spans)
    return read_as(InDoubt, row, calibration_id=span, what=what, shown=shown)


def _within(at: Any, spans: Sequence[Span]) -> ColumnElement[bool]:
    return or_(
        *(
            at < span.until if span.since is None else and_(at >= span.since, at < span.until)
            for span in spans
        )
    )


def _span_of(at: datetime, spans: Sequence[Span]) -> int:
    return next(
        span.calibration_id
        for span in spans
        if at < span.until and (span.since is None or at >= span.since)
    )
