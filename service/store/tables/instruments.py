"""Instruments and their calibrations."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, text, utc, word


class InstrumentKind(StrEnum):
    """What an instrument measures or sets."""

    TORQUE_DRIVER = "torque driver"
    PRESSURE_GAUGE = "pressure gauge"
    INSULATION_TESTER = "insulation tester"
    MULTIMETER = "multimeter"
    THERMOMETER = "thermometer"
    GAS_DETECTOR = "gas detector"
    HEIGHT_GAUGE = "height gauge"
    FLOW_METER = "flow meter"


class CalibrationResult(StrEnum):
    """How the instrument was found."""

    IN_TOLERANCE = "in tolerance as found"
    OUT_OF_TOLERANCE = "out of tolerance as found"


class Instrument(Base):
    """One measuring or setting tool with its own mark."""

    __tablename__ = "instrument"
    __table_args__ = (
        CheckConstraint("accuracy_percent >= 0", name="accuracy_is_not_negative"),
        CheckConstraint("resolution >= 0", name="resolution_is_not_negative"),
    )
    id: Mapped[key]
    kind: Mapped[InstrumentKind] = mapped_column(word(InstrumentKind))
    label: Mapped[str] = mapped_column(comment="mark on the tool, as typed")
    label_key: Mapped[str] = mapped_column(unique=True)
    description: Mapped[str] = mapped_column(default="")
    range_least: Mapped[float | None]
    range_most: Mapped[float | None]
    unit: Mapped[str] = mapped_column(default="", comment="of the range")
    accuracy_percent: Mapped[float | None] = mapped_column(
        comment="% of reading, greatest deviation; none: as is usual for its kind"
    )
    resolution: Mapped[float | None] = mapped_column(comment="smallest step shown, in unit")
    in_use: Mapped[bool]
    added_at: Mapped[utc]


class Calibration(Base):
    """One calibration: valid from when it was done until it is due. Never changed."""

    __tablename__ = "calibration"
    __table_args__ = (
        CheckConstraint("due_at > done_at", name="due_after_done"),
        Index("ix_calibration_instrument_id_done_at", "instrument_id", "done_at"),
    )
    id: Mapped[key]
    instrument_id: Mapped[int] = mapped_column(ForeignKey("instrument.id", ondelete="RESTRICT"))
    done_at: Mapped[utc]
    due_at: Mapped[utc]
    certificate: Mapped[str]
    result: Mapped[CalibrationResult] = mapped_column(word(CalibrationResult))
    error_percent: Mapped[float | None] = mapped_column(comment="as found, % of reading")
    notes: Mapped[text] = mapped_column(default="")
    written_by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    written_at: Mapped[utc]
