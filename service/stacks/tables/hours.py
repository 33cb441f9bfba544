"""Operating hours: meters which can be replaced, and readings which can be corrected.

Hours of a stack at a reading = what earlier meters counted between fitting and removal, plus
this reading less this meter's reading when it was fitted.
"""

from datetime import date
from enum import StrEnum

from sqlalchemy import CheckConstraint, Date, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, text, utc, word
from service.stacks.tables.stacks import KNOWN_NOW


class Moment(StrEnum):
    """At which moment a meter was read."""

    FITTED = "meter fitted"
    RUNNING = "in operation"
    OPENING = "at opening"
    CLOSING = "at closing"
    REMOVED = "meter removed"


class HourMeter(Base):
    """One meter on one stack, from its fitting to its removal."""

    __tablename__ = "hour_meter"
    __table_args__ = (UniqueConstraint("stack_id", "number"),)
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    number: Mapped[int] = mapped_column(comment="first meter of the stack is 1")
    label: Mapped[str] = mapped_column(default="", comment="mark on the meter")
    fitted_at: Mapped[utc]
    removed_at: Mapped[utc | None]


class HourReading(Base):
    """What a meter showed at one moment, in h."""

    __tablename__ = "hour_reading"
    __table_args__ = (
        CheckConstraint("hours >= 0", name="hours_are_not_negative"),
        Index("ix_hour_reading_stack_id_taken_at", "stack_id", "taken_at"),
        Index("ix_hour_reading_record_id", "record_id"),
        Index("ix_hour_reading_meter_id", "meter_id"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    meter_id: Mapped[int] = mapped_column(ForeignKey("hour_meter.id", ondelete="RESTRICT"))
    moment: Mapped[Moment] = mapped_column(word(Moment))
    hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    taken_at: Mapped[utc]
    record_id: Mapped[int | None] = mapped_column(
        ForeignKey("rebuild_record.id", ondelete="RESTRICT")
    )
    step_id: Mapped[int | None] = mapped_column(ForeignKey("step.id", ondelete="RESTRICT"))
    by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = mapped_column(
        ForeignKey("correction.id", ondelete="RESTRICT")
    )
    replaces_id: Mapped[int | None] = mapped_column(
        ForeignKey("hour_reading.id", ondelete="RESTRICT")
    )


class HourReport(Base):
    """What a bench reported of one meter on one day (UTC): the first and the newest showing.

    A row that was taken back (``known_until``) stays as it was; the day may then be reported anew.
    """

    __tablename__ = "hour_report"
    __table_args__ = (
        Index(
            "uq_hour_report_meter_id_day_known_now",
            "meter_id",
            "day",
            unique=True,
            sqlite_where=KNOWN_NOW,
            postgresql_where=KNOWN_NOW,
        ),
        CheckConstraint("first_hours >= 0", name="hours_are_not_negative"),
        CheckConstraint("last_hours >= first_hours", name="meter_counts_forward"),
        CheckConstraint("last_at >= first_at", name="ends_after_it_began"),
        CheckConstraint("report_count >= 1", name="was_reported"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        Index("ix_hour_report_meter_id_day", "meter_id", "day"),
        Index("ix_hour_report_stack_id_day", "stack_id", "day"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    meter_id: Mapped[int] = mapped_column(ForeignKey("hour_meter.id", ondelete="RESTRICT"))
    day: Mapped[date] = mapped_column(Date)
    first_hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    first_at: Mapped[utc]
    last_hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    last_at: Mapped[utc]
    report_count: Mapped[int]
    by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    known_from: Mapped[utc] = mapped_column(comment="when the day's first report came")
    known_until: Mapped[utc | None] = mapped_column(comment="taken back then; none: it counts")
    taken_back_because: Mapped[text] = mapped_column(default="")
