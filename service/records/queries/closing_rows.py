"""The rows a closing is computed from: parts with what they give under load, readings, rods."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.records.errors import NotFound
from service.records.queries.known import known
from service.records.queries.prepared import given, given_all, prepared
from service.records.tables.designs import Design, DesignRod
from service.records.tables.instruments import Calibration, Instrument
from service.records.tables.parts import Part, PartType
from service.records.tables.rebuild_records import (
    RebuildRecord,
    RecordKind,
    RecordState,
    TorqueReading,
)
from service.records.tables.stacks import Build, Layer, Stack
from service.trade.words import Joint, Kind, ReadingKind, Stage

UNOPENED = (RecordKind.RE_TORQUE, RecordKind.INSPECTION)
SOFT = (Kind.MEA, Kind.GASKET, Kind.BLANK_CELL)


@dataclass(frozen=True, slots=True)
class PartGives:
    """A part as the arithmetic sees it: mm; ``stiffness`` is JSON, None where nobody gave it."""

    part: int
    type_id: int
    kind: Kind
    type_name: str
    thickness_mm: float | None
    joint: Joint | None
    stiffness: str | None
    measured_mm: float | None


@dataclass(frozen=True, slots=True)
class DesignSizes:
    """What a design says of its clamp: cm², mm, N·m; rods as number, x and y in tightening order.

    Places are in mm from the plate's middle.
    """

    design_id: int
    name: str
    active_area_cm2: float
    plate_mm: tuple[float, float]
    rod_length_mm: float
    target_nm: float
    passes: int
    rods: tuple[tuple[int, float, float], ...]


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


def design_sizes(session: Session, stack_id: int) -> DesignSizes:
    """How large are plate, area and rods of a stack's design? Two statements. Raises NotFound."""
    row: Any = session.execute(
        prepared(
            lambda: (
                select(
                    Design.id,
                    Design.name,
                    Design.revision,
                    Design.active_area_cm2,
                    Design.plate_width_mm,
                    Design.plate_height_mm,
                    Design.rod_length_mm,
                    Design.target_torque_nm,
                    Design.tightening_passes,
                )
                .join(Stack, Stack.design_id == Design.id)
                .where(Stack.id == given("stack_id"))
            )
        ),
        {"stack_id": stack_id},
    ).first()
    if row is None:
        raise NotFound("stack", stack_id)
    rods = session.execute(
        prepared(
            lambda: (
                select(DesignRod.number, DesignRod.x_mm, DesignRod.y_mm)
                .where(DesignRod.design_id == given("design_id"))
                .order_by(DesignRod.turn, DesignRod.number)
            )
        ),
        {"design_id": row.id},
    )
    return DesignSizes(
        row.id,
        f"{row.name} {row.revision}",
        row.active_area_cm2,
        (row.plate_width_mm, row.plate_height_mm),
        row.rod_length_mm,
        row.target_torque_nm,
        row.tightening_passes,
        tuple((number, x, y) for number, x, y in rods),
    )


def parts_giving(session: Session, parts: Collection[int]) -> Mapping[int, PartGives]:
    """What does each of these parts give under load? Two statements."""
    of: Sequence[Any] = session.execute(
        prepared(
            lambda: select(Part.id, Part.part_type_id, Part.measured_thickness_mm).where(
                Part.id.in_(given_all("parts"))
            )
        ),
        {"parts": sorted(parts)},
    ).all()
    types: Any = session.execute(
        prepared(
            lambda: select(
                PartType.id,
                PartType.kind,
                PartType.name,
                PartType.thickness_mm,
                PartType.joint,
                PartType.stiffness,
            ).where(PartType.id.in_(given_all("types")))
        ),
        {"types": sorted({type_id for _part, type_id, _mm in of})},
    )
    found: dict[int, list[Any]] = {row[0]: list(row) for row in types}
    whole: dict[int, list[Any]] = {
        part: [part, *found[type_id], measured] for part, type_id, measured in of
    }
    return {part: PartGives(*given_of) for part, given_of in whole.items()}


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


def closed_before(session: Session, record_id: int, parts: Collection[int]) -> frozenset[int]:
    """Which of these parts were in a build that another record closed? One statement."""
    return frozenset(
        session.scalars(
            prepared(
                lambda: (
                    select(Layer.part_id)
                    .join(Build, Build.id == Layer.build_id)
                    .where(
                        Layer.part_id.in_(given_all("parts")),
                        Layer.known_until.is_(None),
                        Build.record_id != given("record_id"),
                    )
                    .distinct()
                )
            ),
            {"parts": sorted(parts), "record_id": record_id},
        )
    )
