"""What comparisons need to know of each build, packed: derived, written anew with the build."""

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, text, utc


class BuildMakeup(Base):
    """One build's MEAs with the lots, tools and figures around each."""

    __tablename__ = "build_makeup"
    __table_args__ = (
        Index("ix_build_makeup_design_id", "design_id"),
        Index("ix_build_makeup_stack_id", "stack_id"),
    )
    build_id: Mapped[int] = mapped_column(
        ForeignKey("build.id", ondelete="RESTRICT"), primary_key=True, autoincrement=False
    )
    stack_id: Mapped[int] = mapped_column(ForeignKey("stack.id", ondelete="RESTRICT"))
    design_id: Mapped[int] = mapped_column(ForeignKey("design.id", ondelete="RESTRICT"))
    packed: Mapped[text] = mapped_column(comment="base64 of whole numbers, a row an MEA")
    written_at: Mapped[utc]
