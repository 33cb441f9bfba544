"""Instruments, their calibrations, and whether one was in calibration on a date."""

from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, exists, func, or_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.tables import Attachment
from service.store.arithmetic.calibrations import (
    AsLeft,
    CalibrationResult,
    CalibrationState,
    Point,
    state_of,
)
from service.store.arithmetic.instrument_errors import Coverage
from service.store.arithmetic.instruments import (
    GasMatrix,
    InstrumentKind,
    Principle,
    TorqueTool,
)
from service.store.queries.calibrations import operations_between
from service.store.tables import (
    Calibration,
    CalibrationPoint,
    Hold,
    Instrument,
    InstrumentAway,
    InstrumentDevice,
)


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
    away: str | None
    """where it is, if it is away now"""
    done_at: datetime | None
    due_at: datetime | None
    due_operations: int | None
    operations: int
    """counted since the last calibration"""
    result: CalibrationResult | None
    as_left: AsLeft | None
    accuracy_percent: float | None
    accuracy_offset: float | None
    accuracy_full_scale_percent: float | None
    accuracy_coverage: Coverage
    """± % of the reading, in ``unit`` and % of full scale; all None: as is usual for its kind"""
    resolution: float | None
    """smallest step shown, in ``unit``; None: as is usual for its kind"""
    tool: TorqueTool | None
    """how a torque driver works; None of any other kind"""
    principle: Principle | None
    gas_matrix: GasMatrix | None

    def state_on(self, now: datetime) -> CalibrationState:
        """Say how its last calibration stands at a time after it."""
        return state_of(self, now, self.operations)


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One calibration; the error as found, shown less true, in up to three parts."""

    id: int
    done_at: datetime
    due_at: datetime
    due_operations: int | None
    certificate: str
    result: CalibrationResult
    as_left: AsLeft | None
    error_percent: float | None
    error_offset: float | None
    error_full_scale_percent: float | None
    notes: str
    written_by: str
    written_at: datetime
    known_until: datetime | None
    replaces_id: int | None
    points: tuple[Point, ...] = ()
    file_id: int | None = None
    """the certificate as a file"""


@dataclass(frozen=True, slots=True)
class AwayRow:
    """One absence of an instrument; ``back_at`` None: it is still away."""

    id: int
    away_from: datetime
    back_at: datetime | None
    place: str
    written_by: str


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """From when on which device bore the mark."""

    from_at: datetime
    device: str
    reason: str
    written_by: str


@dataclass(frozen=True, slots=True)
class InstrumentOnPage:
    """An instrument with its calibrations, the latest first."""

    row: InstrumentRow
    added_at: datetime
    calibrations: tuple[CalibrationRow, ...]
    """those corrected since stand with what took their place"""
    aways: tuple[AwayRow, ...]
    devices: tuple[DeviceRow, ...]
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
    """Return all instruments in use and at hand, by kind and mark. One statement."""
    statement = _instrument_rows().where(Instrument.in_use, ~is_away()).order_by(*BY_KIND.keys)
    return read_all(InstrumentRow, session.execute(statement))


def instrument(session: Session, instrument_id: int) -> InstrumentOnPage:
    """Return one instrument with its calibrations. Seven statements. Raises NotFound."""
    row = session.execute(_instrument_rows().where(Instrument.id == instrument_id)).first()
    if row is None:
        raise NotFound("instrument", instrument_id)
    added_at = session.scalars(
        select(Instrument.added_at).where(Instrument.id == instrument_id)
    ).one()
    calibrations = _calibrations(session, instrument_id)
    readings = session.scalar(select(operations_between(instrument_id)))
    return InstrumentOnPage(
        read_as(InstrumentRow, row),
        added_at,
        calibrations,
        _beside(session, instrument_id, AwayRow, InstrumentAway, InstrumentAway.away_from),
        _beside(session, instrument_id, DeviceRow, InstrumentDevice, InstrumentDevice.from_at),
        readings or 0,
    )


def calibration_on_page(
    session: Session, calibration_id: int
) -> tuple[InstrumentOnPage, CalibrationRow]:
    """Return one calibration with its instrument. Eight statements. Raises NotFound."""
    of = select(Calibration.instrument_id).where(Calibration.id == calibration_id)
    instrument_id = session.scalar(of)
    if instrument_id is None:
        raise NotFound("calibration", calibration_id)
    on_page = instrument(session, instrument_id)
    return on_page, next(each for each in on_page.calibrations if each.id == calibration_id)


Beside = TypeVar("Beside", AwayRow, DeviceRow)


def _beside(
    session: Session, instrument_id: int, of: type[Beside], table: Any, begins: Any
) -> tuple[Beside, ...]:
    """What is recorded of an instrument in a table, the latest first. One statement."""
    rows = session.execute(
        select(*columns(of, table, written_by=Person.name))
        .join(Person, Person.id == table.written_by_id)
        .where(table.instrument_id == instrument_id)
        .order_by(begins.desc())
    )
    return read_all(of, rows)


def _calibrations(session: Session, instrument_id: int) -> tuple[CalibrationRow, ...]:
    """All of an instrument, also those corrected, the latest first. Two statements."""
    of = Calibration.instrument_id == instrument_id
    points = grouped(
        session.execute(
            select(
                CalibrationPoint.calibration_id,
                CalibrationPoint.reference,
                CalibrationPoint.as_found,
                CalibrationPoint.as_left,
            )
            .join(Calibration, Calibration.id == CalibrationPoint.calibration_id)
            .where(of)
            .order_by(CalibrationPoint.number)
        ),
        "calibration_id",
    )
    rows = session.execute(
        select(*columns(CalibrationRow, Calibration, written_by=Person.name, file_id=Attachment.id))
        .join(Person, Person.id == Calibration.written_by_id)
        .outerjoin(Attachment, Attachment.calibration_id == Calibration.id)
        .where(of)
        .order_by(Calibration.done_at.desc(), Calibration.id.desc())
    )
    return tuple(
        read_as(
            CalibrationRow,
            row,
            points=tuple(read_as(Point, point) for point in points.get(row.id, ())),
        )
        for row in rows
    )


def is_away() -> ColumnElement[bool]:
    """Say whether an instrument is away now."""
    return exists().where(
        InstrumentAway.instrument_id == Instrument.id, InstrumentAway.back_at.is_(None)
    )


def _instrument_rows() -> Select[*tuple[Any, ...]]:
    newest_device = (
        select(func.max(InstrumentDevice.from_at))
        .where(InstrumentDevice.instrument_id == Instrument.id)
        .correlate(Instrument)
        .scalar_subquery()
    )
    last = (
        select(Calibration.id)
        .where(
            Calibration.instrument_id == Instrument.id,
            Calibration.known_until.is_(None),
            or_(newest_device.is_(None), Calibration.done_at >= newest_device),
        )
        .order_by(Calibration.done_at.desc(), Calibration.id.desc())
        .limit(1)
        .correlate(Instrument)
        .scalar_subquery()
    )
    away = (
        select(InstrumentAway.place)
        .where(InstrumentAway.instrument_id == Instrument.id, InstrumentAway.back_at.is_(None))
        .correlate(Instrument)
        .scalar_subquery()
    )
    return select(
        *columns(
            InstrumentRow,
            Instrument,
            Calibration,
            held=exists().where(Hold.instrument_id == Instrument.id, Hold.lifted_at.is_(None)),
            away=away,
            operations=operations_between(Instrument.id, Calibration.done_at),
        )
    ).outerjoin(Calibration, Calibration.id == last)
