"""Stacks, their builds, and what sits in each layer of each build."""

from datetime import date
from enum import StrEnum

from sqlalchemy import CheckConstraint, Date, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.tables import Base, key, reference, text, unique_where, utc, word

KNOWN_NOW = "known_until IS NULL"


class Stack(Base):
    """One physical stack over its whole life."""

    __tablename__ = "stack"
    id: Mapped[key]
    serial: Mapped[str] = mapped_column(comment="as typed")
    serial_key: Mapped[str] = mapped_column(unique=True, comment="without regard to case and space")
    design_id: Mapped[int] = reference("design", index=True)
    place: Mapped[str] = mapped_column(default="", comment="where it stands, in words")
    notes: Mapped[text] = mapped_column(default="")
    origin_build_id: Mapped[int | None] = mapped_column(
        ForeignKey("build.id", ondelete="RESTRICT", use_alter=True),
        index=True,
        comment="it was split from",
    )
    added_at: Mapped[utc]


class Build(Base):
    """The state of a stack between one closing and the next opening."""

    __tablename__ = "build"
    __table_args__ = (
        UniqueConstraint("stack_id", "number"),
        CheckConstraint("number >= 1", name="number_counts_from_one"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    number: Mapped[int]
    record_id: Mapped[int] = reference("rebuild_record", unique=True, comment="that made it")


class BuildPeriod(Base):
    """From when to when a build was true: closed at one event, opened at the next."""

    __tablename__ = "build_period"
    __table_args__ = (
        CheckConstraint("opened_at IS NULL OR opened_at >= closed_at", name="opens_after_closing"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        unique_where(
            "uq_build_period_present",
            "stack_id",
            condition="known_until IS NULL AND opened_at IS NULL",
        ),
        unique_where("uq_build_period_build_id_known_now", "build_id", condition=KNOWN_NOW),
        Index("ix_build_period_stack_id_closed_at", "stack_id", "closed_at"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    build_id: Mapped[int] = reference("build", index=True)
    closed_at: Mapped[utc]
    opened_at: Mapped[utc | None]
    opened_by_record_id: Mapped[int | None] = reference("rebuild_record", index=True)
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = reference("correction")


class Layer(Base):
    """One part at one position of one build, as known from one time to another."""

    __tablename__ = "layer"
    __table_args__ = (
        CheckConstraint("position >= 1", name="position_counts_from_one"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        CheckConstraint("NOT present OR known_until IS NULL", name="present_is_known"),
        unique_where(
            "uq_layer_build_id_position_known_now", "build_id", "position", condition=KNOWN_NOW
        ),
        unique_where("uq_layer_part_id_present", "part_id", condition="present"),
        Index("ix_layer_build_id_position", "build_id", "position"),
        Index("ix_layer_part_id", "part_id"),
    )
    id: Mapped[key]
    build_id: Mapped[int] = reference("build")
    position: Mapped[int] = mapped_column(comment="from the fixed end, from 1")
    part_id: Mapped[int] = reference("part")
    facing: Mapped[Facing]
    cell: Mapped[int | None] = mapped_column(comment="label within this build, from the fixed end")
    present: Mapped[bool] = mapped_column(comment="in the stack's present build, as known now")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = reference("correction")


class Fixing(Base):
    """A tie rod, sleeve, spring, nut or compression plate of one build."""

    __tablename__ = "fixing"
    __table_args__ = (
        CheckConstraint("(rod_number IS NULL) <> (end_ IS NULL)", name="at_a_rod_or_an_end"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        CheckConstraint("NOT present OR known_until IS NULL", name="present_is_known"),
        unique_where("uq_fixing_part_id_present", "part_id", condition="present"),
        Index("ix_fixing_build_id", "build_id"),
        Index("ix_fixing_part_id", "part_id"),
    )
    id: Mapped[key]
    build_id: Mapped[int] = reference("build")
    kind: Mapped[Kind]
    rod_number: Mapped[int | None]
    end: Mapped[End | None] = mapped_column("end_", comment="of a compression plate")
    part_id: Mapped[int] = reference("part")
    present: Mapped[bool]
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = reference("correction")


# Operating hours: meters which can be replaced, and readings which can be corrected.
#
# Hours of a stack at a reading = what earlier meters counted between fitting and removal, plus
# this reading less this meter's reading when it was fitted.


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
    stack_id: Mapped[int] = reference("stack")
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
    stack_id: Mapped[int] = reference("stack")
    meter_id: Mapped[int] = reference("hour_meter")
    moment: Mapped[Moment] = mapped_column(word(Moment))
    hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    taken_at: Mapped[utc]
    record_id: Mapped[int | None] = reference("rebuild_record")
    step_id: Mapped[int | None] = reference("step")
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = reference("correction")
    replaces_id: Mapped[int | None] = reference("hour_reading")


class HourReport(Base):
    """What a bench reported of one meter on one day (UTC): the first and the newest showing.

    A row that was taken back (``known_until``) stays as it was; the day may then be reported anew.
    """

    __tablename__ = "hour_report"
    __table_args__ = (
        unique_where(
            "uq_hour_report_meter_id_day_known_now", "meter_id", "day", condition=KNOWN_NOW
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
    stack_id: Mapped[int] = reference("stack")
    meter_id: Mapped[int] = reference("hour_meter")
    day: Mapped[date] = mapped_column(Date)
    first_hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    first_at: Mapped[utc]
    last_hours: Mapped[float] = mapped_column(comment="h, as the meter showed")
    last_at: Mapped[utc]
    report_count: Mapped[int]
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc] = mapped_column(comment="when the day's first report came")
    known_until: Mapped[utc | None] = mapped_column(comment="taken back then; none: it counts")
    taken_back_because: Mapped[text] = mapped_column(default="")


# Cells bridged in service.


class CellBridge(Base):
    """A cell bridged or shorted in service: gas flows, it carries no load."""

    __tablename__ = "cell_bridge"
    __table_args__ = (
        CheckConstraint("cell >= 1", name="cell_counts_from_one"),
        CheckConstraint("until_at IS NULL OR until_at >= from_at", name="ends_after_it_began"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        unique_where(
            "uq_cell_bridge_build_id_cell_standing",
            "build_id",
            "cell",
            condition="known_until IS NULL AND until_at IS NULL",
        ),
        Index("ix_cell_bridge_build_id", "build_id"),
        Index("ix_cell_bridge_stack_id", "stack_id"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    build_id: Mapped[int] = reference("build")
    cell: Mapped[int]
    from_at: Mapped[utc]
    until_at: Mapped[utc | None]
    reason: Mapped[text]
    allowed_by: Mapped[str] = mapped_column(comment="who allowed it, in words")
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
