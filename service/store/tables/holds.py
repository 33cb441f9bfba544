"""Holds on parts, lots and instruments, and concessions which allow one use in spite of one."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.arithmetic.vocabulary import Usability
from service.platform.tables.base import Base, key, text, utc

ONE_SUBJECT = (
    "(CASE WHEN part_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN lot_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN instrument_id IS NULL THEN 0 ELSE 1 END) = 1"
)
STANDING = sql("lifted_at IS NULL")


class Hold(Base):
    """A part, a lot or an instrument that must not be used, with the reason."""

    __tablename__ = "hold"
    __table_args__ = (
        CheckConstraint(ONE_SUBJECT, name="one_subject"),
        CheckConstraint("(lifted_at IS NULL) = (lifted_by_id IS NULL)", name="lifted_by_somebody"),
        CheckConstraint("step_id IS NULL OR failing_mark_id IS NULL", name="placed_by_one_word"),
        Index("ix_hold_part_id", "part_id", sqlite_where=STANDING, postgresql_where=STANDING),
        Index("ix_hold_lot_id", "lot_id", sqlite_where=STANDING, postgresql_where=STANDING),
        Index(
            "ix_hold_instrument_id",
            "instrument_id",
            sqlite_where=STANDING,
            postgresql_where=STANDING,
        ),
    )
    id: Mapped[key]
    part_id: Mapped[int | None] = mapped_column(ForeignKey("part.id", ondelete="RESTRICT"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id", ondelete="RESTRICT"))
    instrument_id: Mapped[int | None] = mapped_column(
        ForeignKey("instrument.id", ondelete="RESTRICT")
    )
    usability_before: Mapped[Usability | None] = mapped_column(
        comment="of a held part, given back when its last hold is lifted"
    )
    reason: Mapped[text]
    placed_by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    placed_at: Mapped[utc]
    lifted_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    lifted_at: Mapped[utc | None]
    lift_reason: Mapped[text] = mapped_column(default="")
    step_id: Mapped[int | None] = mapped_column(
        ForeignKey("step.id", ondelete="RESTRICT"), comment="entry whose finding placed it"
    )
    failing_mark_id: Mapped[int | None] = mapped_column(
        ForeignKey("failing_mark.id", ondelete="RESTRICT"), comment="word of failing that placed it"
    )


class Concession(Base):
    """Leave to use a held part or an instrument out of calibration in one record."""

    __tablename__ = "concession"
    __table_args__ = (
        CheckConstraint(ONE_SUBJECT, name="one_subject"),
        Index("ix_concession_part_id", "part_id"),
        Index("ix_concession_lot_id", "lot_id"),
        Index("ix_concession_instrument_id", "instrument_id"),
    )
    id: Mapped[key]
    part_id: Mapped[int | None] = mapped_column(ForeignKey("part.id", ondelete="RESTRICT"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id", ondelete="RESTRICT"))
    instrument_id: Mapped[int | None] = mapped_column(
        ForeignKey("instrument.id", ondelete="RESTRICT")
    )
    reason: Mapped[text]
    given_by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    given_at: Mapped[utc]
    used_in_record_id: Mapped[int | None] = mapped_column(
        ForeignKey("rebuild_record.id", ondelete="RESTRICT"), index=True
    )
