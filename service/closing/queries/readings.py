"""What was read while a stack was closed: torque on each nut with its driver, the closed height."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select, union
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.queries.build_torques import LEFT_CLOSED, UNOPENED
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.queries.answers import columns, read_all
from service.platform.queries.as_of import known
from service.platform.queries.prepared import param, statement
from service.records.tables import MakeSafeLine, RebuildRecord, Step, StepKind, TorqueReading
from service.stacks.tables.stacks import Build
from service.store.tables.instruments import Calibration, Instrument


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
    rows: Any = session.execute(_readings(), {"record_id": record_id})
    return read_all(ReadingTaken, rows)


@statement
def _readings() -> Any:
    this = aliased(RebuildRecord)
    is_this = this.id == param("record_id")
    opens_nothing = and_(is_this, this.kind.in_(UNOPENED), this.opened_at.is_(None))
    records = union(
        select(this.id).where(is_this),
        select(Build.record_id).join(this, this.base_build_id == Build.id).where(opens_nothing),
        select(RebuildRecord.id)
        .join(this, this.base_build_id == RebuildRecord.base_build_id)
        .where(opens_nothing, RebuildRecord.id < this.id, *LEFT_CLOSED),
    ).subquery()
    return (
        select(
            *columns(
                ReadingTaken,
                TorqueReading,
                Instrument,
                Calibration,
                instrument_id=Instrument.id,
                instrument=Instrument.label,
            )
        )
        .select_from(records)
        .join(TorqueReading, TorqueReading.record_id == records.c.id)
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .outerjoin(Calibration, Calibration.id == TorqueReading.calibration_id)
        .where(TorqueReading.stage == Stage.CLOSING, known(TorqueReading))
        .order_by(
            records.c.id,
            TorqueReading.pass_number,
            TorqueReading.id,
        )
    )


HEIGHT = (
    select(MakeSafeLine.reading)
    .join(Step, Step.id == MakeSafeLine.step_id)
    .where(
        Step.record_id == param("record_id"),
        Step.kind == StepKind.CLOSING_CHECK,
        Step.undone_at.is_(None),
        MakeSafeLine.wording == ClosingCheck.HEIGHT.wording,
    )
    .order_by(Step.sequence.desc())
    .limit(1)
)


def measured_height_mm(session: Session, record_id: int) -> float | None:
    """The closed height a record's checks measured last; None where none did. One statement."""
    found: float | None = session.scalar(HEIGHT, {"record_id": record_id})
    return found
