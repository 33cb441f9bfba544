"""Stacks, their builds, and what sits in each layer of each build."""

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.tables.base import Base, key, text, utc

KNOWN_NOW = sql("known_until IS NULL")


class Stack(Base):
    """One physical stack over its whole life."""

    __tablename__ = "stack"
    id: Mapped[key]
    serial: Mapped[str] = mapped_column(comment="as typed")
    serial_key: Mapped[str] = mapped_column(unique=True, comment="without regard to case and space")
    design_id: Mapped[int] = mapped_column(ForeignKey("design.id", ondelete="RESTRICT"), index=True)
    place: Mapped[str] = mapped_column(default="", comment="where it stands, in words")
    notes: Mapped[text] = mapped_column(default="")
    added_at: Mapped[utc]


class Build(Base):
    """The state of a stack between one closing and the next opening."""

    __tablename__ = "build"
    __table_args__ = (
        UniqueConstraint("stack_id", "number"),
        CheckConstraint("number >= 1", name="number_counts_from_one"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    number: Mapped[int]
    record_id: Mapped[int] = mapped_column(
        ForeignKey("rebuild_record.id", ondelete="RESTRICT"), unique=True, comment="that made it"
    )


class BuildPeriod(Base):
    """From when to when a build was true: closed at one event, opened at the next."""

    __tablename__ = "build_period"
    __table_args__ = (
        CheckConstraint("opened_at IS NULL OR opened_at >= closed_at", name="opens_after_closing"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        Index(
            "uq_build_period_present",
            "stack_id",
            unique=True,
            sqlite_where=sql("known_until IS NULL AND opened_at IS NULL"),
            postgresql_where=sql("known_until IS NULL AND opened_at IS NULL"),
        ),
        Index(
            "uq_build_period_build_id_known_now",
            "build_id",
            unique=True,
            sqlite_where=KNOWN_NOW,
            postgresql_where=KNOWN_NOW,
        ),
        Index("ix_build_period_stack_id_closed_at", "stack_id", "closed_at"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    build_id: Mapped[int] = mapped_column(ForeignKey("build.id", ondelete="RESTRICT"), index=True)
    closed_at: Mapped[utc]
    opened_at: Mapped[utc | None]
    opened_by_record_id: Mapped[int | None] = mapped_column(
        ForeignKey("rebuild_record.id", ondelete="RESTRICT"), index=True
    )
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = mapped_column(
        ForeignKey("correction.id", ondelete="RESTRICT")
    )


class Layer(Base):
    """One part at one position of one build, as known from one time to another."""

    __tablename__ = "layer"
    __table_args__ = (
        CheckConstraint("position >= 1", name="position_counts_from_one"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        CheckConstraint("NOT present OR known_until IS NULL", name="present_is_known"),
        Index(
            "uq_layer_build_id_position_known_now",
            "build_id",
            "position",
            unique=True,
            sqlite_where=KNOWN_NOW,
            postgresql_where=KNOWN_NOW,
        ),
        Index(
            "uq_layer_part_id_present",
            "part_id",
            unique=True,
            sqlite_where=sql("present"),
            postgresql_where=sql("present"),
        ),
        Index("ix_layer_build_id_position", "build_id", "position"),
        Index("ix_layer_part_id", "part_id"),
    )
    id: Mapped[key]
    build_id: Mapped[int] = mapped_column(ForeignKey("build.id", ondelete="RESTRICT"))
    position: Mapped[int] = mapped_column(comment="from the fixed end, from 1")
    part_id: Mapped[int] = mapped_column(ForeignKey("part.id", ondelete="RESTRICT"))
    facing: Mapped[Facing]
    cell: Mapped[int | None] = mapped_column(comment="label within this build, from the fixed end")
    present: Mapped[bool] = mapped_column(comment="in the stack's present build, as known now")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = mapped_column(
        ForeignKey("correction.id", ondelete="RESTRICT")
    )


class Fixing(Base):
    """A tie rod, sleeve, spring, nut or compression plate of one build."""

    __tablename__ = "fixing"
    __table_args__ = (
        CheckConstraint("(rod_number IS NULL) <> (end_ IS NULL)", name="at_a_rod_or_an_end"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        CheckConstraint("NOT present OR known_until IS NULL", name="present_is_known"),
        Index(
            "uq_fixing_part_id_present",
            "part_id",
            unique=True,
            sqlite_where=sql("present"),
            postgresql_where=sql("present"),
        ),
        Index("ix_fixing_build_id", "build_id"),
        Index("ix_fixing_part_id", "part_id"),
    )
    id: Mapped[key]
    build_id: Mapped[int] = mapped_column(ForeignKey("build.id", ondelete="RESTRICT"))
    kind: Mapped[Kind]
    rod_number: Mapped[int | None]
    end: Mapped[End | None] = mapped_column("end_", comment="of a compression plate")
    part_id: Mapped[int] = mapped_column(ForeignKey("part.id", ondelete="RESTRICT"))
    present: Mapped[bool]
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = mapped_column(
        ForeignKey("correction.id", ondelete="RESTRICT")
    )
