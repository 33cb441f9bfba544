"""Cells bridged in service."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, text, utc


class CellBridge(Base):
    """A cell bridged or shorted in service: gas flows, it carries no load."""

    __tablename__ = "cell_bridge"
    __table_args__ = (
        CheckConstraint("cell >= 1", name="cell_counts_from_one"),
        CheckConstraint("until_at IS NULL OR until_at >= from_at", name="ends_after_it_began"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        Index(
            "uq_cell_bridge_build_id_cell_standing",
            "build_id",
            "cell",
            unique=True,
            sqlite_where=sql("known_until IS NULL AND until_at IS NULL"),
            postgresql_where=sql("known_until IS NULL AND until_at IS NULL"),
        ),
        Index("ix_cell_bridge_build_id", "build_id"),
        Index("ix_cell_bridge_stack_id", "stack_id"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    build_id: Mapped[int] = mapped_column(ForeignKey("build.id", ondelete="RESTRICT"))
    cell: Mapped[int]
    from_at: Mapped[utc]
    until_at: Mapped[utc | None]
    reason: Mapped[text]
    allowed_by: Mapped[str] = mapped_column(comment="who allowed it, in words")
    by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
