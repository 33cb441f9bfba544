"""What was read while a stack was closed: torque on each nut with its driver, the closed height."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.records.queries.known import known
from service.records.queries.prepared import given, prepared
from service.records.tables.instruments import Calibration, Instrument
from service.records.tables.rebuild_records import (
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.records.tables.stacks import Build
from service.trade.closing_checks import ClosingCheck
from service.trade.words import ReadingKind, Stage

UNOPENED = (RecordKind.RE_TORQUE, RecordKind.INSPECTION)


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """One closing reading with what is known of its driver; N·m, %, resolution in ``unit``."""

    record_id: int
    rod_number: int
    pass_number: int
    kind: ReadingKind
    torque_nm: float
    taken_at: datetime
    instrument_id: int
    instrument: str
    unit: str
    accuracy_percent: float | None
    resolution: float | None
    error_percent: float | None


def readings_taken(session: Session, record_id: int) -> tuple[ReadingTaken, ...]:
    """The closing readings of a record, in their order; one statement.

    Of a record that opened nothing, those the build stood closed with come before: of the record
    that closed it, and of other events which did not open it.
    """
    rows: Any = session.execute(
        prepared(_readings),
        {"record_id": record_id},
    )
    return tuple(ReadingTaken(*row) for row in rows)


def _readings() -> Any:
    this = aliased(RebuildRecord)
    base = aliased(Build)
    earlier = and_(
        this.kind.in_(UNOPENED),
        this.opened_at.is_(None),
        or_(
            RebuildRecord.id == base.record_id,
            and_(
                RebuildRecord.stack_id == this.stack_id,
                RebuildRecord.base_build_id == this.base_build_id,
                RebuildRecord.kind.in_(UNOPENED),
                RebuildRecord.opened_at.is_(None),
                RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
                RebuildRecord.id < this.id,
            ),
        ),
    )
    return (
        select(
            TorqueReading.record_id,
            TorqueReading.rod_number,
            TorqueReading.pass_number,
            TorqueReading.kind,
            TorqueReading.torque_nm,
            TorqueReading.taken_at,
            Instrument.id,
            Instrument.label,
            Instrument.unit,
            Instrument.accuracy_percent,
            Instrument.resolution,
            Calibration.error_percent,
        )
        .select_from(this)
        .outerjoin(base, base.id == this.base_build_id)
        .join(RebuildRecord, or_(RebuildRecord.id == this.id, earlier))
        .join(TorqueReading, TorqueReading.record_id == RebuildRecord.id)
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .outerjoin(Calibration, Calibration.id == TorqueReading.calibration_id)
        .where(
            this.id == given("record_id"),
            TorqueReading.stage == Stage.CLOSING,
            known(TorqueReading),
        )
        .order_by(
            RebuildRecord.id,
            TorqueReading.pass_number,
            TorqueReading.id,
        )
    )


def measured_height_mm(session: Session, record_id: int) -> float | None:
    """The closed height a record's checks measured last; None where none did. One statement."""
    found: float | None = session.scalar(
        prepared(
            lambda: (
                select(MakeSafeLine.reading)
                .join(Step, Step.id == MakeSafeLine.step_id)
                .where(
                    Step.record_id == given("record_id"),
                    Step.kind == StepKind.CLOSING_CHECK,
                    Step.undone_at.is_(None),
                    MakeSafeLine.wording == ClosingCheck.HEIGHT.wording,
                )
                .order_by(Step.sequence.desc())
                .limit(1)
            )
        ),
        {"record_id": record_id},
    )
    return found
