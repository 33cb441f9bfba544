"""Instruments, their calibrations, and whether one was in calibration on a date."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Literal

from sqlalchemy import ColumnElement, Select, and_, exists, func, or_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import known, param
from service.proof.tables import StackTest
from service.records.tables import (
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables import Stack
from service.store.arithmetic.instrument_errors import Coverage
from service.store.arithmetic.instruments import CalibrationResult, InstrumentKind, TorqueTool
from service.store.tables import Calibration, Hold, Instrument

THROUGH_THE_DAY = timedelta(hours=12)
"""Days without a time of day are kept as noon in the lab; what is due on a day holds through it."""

CalibrationState = Literal["valid", "overdue", "never", "out of tolerance"]


@dataclass(frozen=True, slots=True)
class CalibrationOn:
    """How an instrument stood on a date. Only ``valid`` may be used without a concession.

    ``id`` is the calibration that counted then, None where there was none. ``found_out_at`` is
    the time of a later calibration which found the instrument out of tolerance with no good one
    between: readings of that date are in doubt, though they were taken in good faith.
    """

    id: int | None
    state: CalibrationState
    due_at: datetime | None
    sentence: str
    found_out_at: datetime | None = None

    @property
    def is_valid(self) -> bool:
        """Say whether the instrument may be used without a concession."""
        return self.state == "valid"


_CALIBRATIONS = (
    select(Calibration.id, Calibration.done_at, Calibration.due_at, Calibration.result)
    .where(Calibration.instrument_id == param("id"))
    .order_by(Calibration.done_at, Calibration.id)
)


def calibration_on(session: Session, instrument_id: int, when: datetime) -> CalibrationOn:
    """Say whether the instrument was in calibration on that date, and by which one.

    The latest calibration done by then counts, through the whole day it is due. One that found
    the instrument out of tolerance does not let it be used until a later one found it in
    tolerance. Raises NotFound.
    """
    label = session.scalar(select(Instrument.label).where(Instrument.id == instrument_id))
    if label is None:
        raise NotFound("instrument", instrument_id)
    rows = session.execute(_CALIBRATIONS, {"id": instrument_id}).all()
    before = [row for row in rows if row.done_at <= when]
    after = next((row for row in rows if row.done_at > when), None)
    bad = CalibrationResult.OUT_OF_TOLERANCE
    found_out_at = after.done_at if after is not None and after.result is bad else None
    day = f"{when:%Y-%m-%d}"
    if not before:
        return CalibrationOn(
            None, "never", None, f"{label} had no calibration on {day}.", found_out_at
        )
    last = before[-1]
    if last.result is bad:
        sentence = f"{label} was found out of tolerance on {last.done_at:%Y-%m-%d}."
        return CalibrationOn(last.id, "out of tolerance", last.due_at, sentence, found_out_at)
    if when > last.due_at + THROUGH_THE_DAY:
        sentence = f"The calibration of {label} was due on {last.due_at:%Y-%m-%d}."
        return CalibrationOn(last.id, "overdue", last.due_at, sentence, found_out_at)
    sentence = f"{label} was in calibration on {day}, due on {last.due_at:%Y-%m-%d}."
    if found_out_at is not None:
        sentence += f" It was found out of tolerance afterwards, on {found_out_at:%Y-%m-%d}."
    return CalibrationOn(last.id, "valid", last.due_at, sentence, found_out_at)


@dataclass(frozen=True, slots=True)
class InstrumentRow:
    """One instrument in the list, with its last calibration and whether it is held."""

    id: int
    kind: InstrumentKind
    label: str
    description: str
    range_least: float | None
    range_most: float | None
    unit: str
    in_use: bool
    held: bool
    done_at: datetime | None
    due_at: datetime | None
    result: CalibrationResult | None
    accuracy_percent: float | None
    accuracy_offset: float | None
    accuracy_full_scale_percent: float | None
    accuracy_coverage: Coverage
    """± % of the reading, in ``unit`` and % of full scale; all None: as is usual for its kind"""
    resolution: float | None
    """smallest step shown, in ``unit``; None: as is usual for its kind"""
    tool: TorqueTool | None
    """how a torque driver works; None of any other kind"""

    def state_on(self, now: datetime) -> CalibrationState:
        """Say how its last calibration stands at a time after it."""
        if self.due_at is None:
            return "never"
        if self.result is CalibrationResult.OUT_OF_TOLERANCE:
            return "out of tolerance"
        return "overdue" if now > self.due_at + THROUGH_THE_DAY else "valid"


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One calibration; the error as found, shown less true, in up to three parts."""

    id: int
    done_at: datetime
    due_at: datetime
    certificate: str
    result: CalibrationResult
    error_percent: float | None
    error_offset: float | None
    error_full_scale_percent: float | None
    notes: str
    written_by: str
    written_at: datetime


@dataclass(frozen=True, slots=True)
class InstrumentOnPage:
    """An instrument with its calibrations, the latest first."""

    row: InstrumentRow
    added_at: datetime
    calibrations: tuple[CalibrationRow, ...]
    readings: int
    """torque readings, checklist readings and tests taken with it, as known now"""


BY_KIND = Order((Instrument.kind, Instrument.label_key))


def instrument_list(
    session: Session,
    kind: InstrumentKind | None = None,
    turn: Turn = FIRST,
    *,
    withdrawn: bool = False,
) -> Listing[InstrumentRow]:
    """Return the instruments of a page by kind and mark, those withdrawn only if asked.

    One statement.
    """
    statement = _instrument_rows()
    if kind is not None:
        statement = statement.where(Instrument.kind == kind)
    if not withdrawn:
        statement = statement.where(Instrument.in_use)
    return listing(session, statement, BY_KIND, turn, partial(read_all, InstrumentRow))


def instruments(session: Session) -> tuple[InstrumentRow, ...]:
    """Return all instruments in use to choose from, by kind and mark. One statement."""
    statement = _instrument_rows().where(Instrument.in_use).order_by(*BY_KIND.keys)
    return read_all(InstrumentRow, session.execute(statement))


def instrument(session: Session, instrument_id: int) -> InstrumentOnPage:
    """Return one instrument with its calibrations. Four statements. Raises NotFound."""
    row = session.execute(_instrument_rows().where(Instrument.id == instrument_id)).first()
    if row is None:
        raise NotFound("instrument", instrument_id)
    added_at = session.scalars(
        select(Instrument.added_at).where(Instrument.id == instrument_id)
    ).one()
    calibrations = tuple(
        read_as(CalibrationRow, calibration)
        for calibration in session.execute(
            select(*columns(CalibrationRow, Calibration, written_by=Person.name))
            .join(Person, Person.id == Calibration.written_by_id)
            .where(Calibration.instrument_id == instrument_id)
            .order_by(Calibration.done_at.desc(), Calibration.id.desc())
        )
    )
    readings = session.scalar(
        select(
            select(func.count())
            .where(TorqueReading.instrument_id == instrument_id, known(TorqueReading))
            .scalar_subquery()
            + select(func.count())
            .where(MakeSafeLine.instrument_id == instrument_id)
            .scalar_subquery()
            + select(func.count())
            .where(
                or_(
                    StackTest.instrument_id == instrument_id,
                    StackTest.thermometer_id == instrument_id,
                    StackTest.meter_id == instrument_id,
                )
            )
            .scalar_subquery()
        )
    )
    return InstrumentOnPage(read_as(InstrumentRow, row), added_at, calibrations, readings or 0)


def _instrument_rows() -> Select[*tuple[Any, ...]]:
    last = (
        select(Calibration.id)
        .where(Calibration.instrument_id == Instrument.id)
        .order_by(Calibration.done_at.desc(), Calibration.id.desc())
        .limit(1)
        .correlate(Instrument)
        .scalar_subquery()
    )
    return select(
        *columns(
            InstrumentRow,
            Instrument,
            Calibration,
            held=exists().where(Hold.instrument_id == Instrument.id, Hold.lifted_at.is_(None)),
        )
    ).outerjoin(Calibration, Calibration.id == last)


# Readings taken with an instrument that was found out of tolerance afterwards.


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
    """Return the readings each calibration that found an instrument out of tolerance doubts.

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
    """Return readings taken with an instrument before it was found out of tolerance.

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
            TorqueReading.press,
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
        select(*record, Step.done_at.label("taken_at"), Step.kind.label("step"), StackTest.verdict)
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
    doubts = [
        _doubt(
            row,
            spans,
            quantity=f"rod {row.rod_number} pass {row.pass_number}, {row.stage}",
            value=f"{f'{row.press} at ' if row.press else ''}{row.torque_nm:g}\u2009N·m",
        )
        for row in torques
    ]
    doubts += [
        _doubt(
            row,
            spans,
            quantity=f"make-safe line {row.line_number}"
            if row.step is StepKind.MAKE_SAFE
            else row.wording.lower(),
            value="no reading" if row.reading is None else f"{row.reading:g}\u2009{row.unit}",
        )
        for row in lines
    ]
    doubts += [_doubt(row, spans, quantity=str(row.step), value=str(row.verdict)) for row in tests]
    return tuple(sorted(doubts, key=lambda doubt: (doubt.taken_at, doubt.record_id)))


def _doubt(row: Any, spans: Sequence[Span], *, quantity: str, value: str) -> InDoubt:
    span = _span_of(row.taken_at, spans)
    return read_as(InDoubt, row, calibration_id=span, what=quantity, shown=value)


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
