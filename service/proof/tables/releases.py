"""Releases: who let hydrogen into a build, and what stood at the gate."""

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, sha256, text, utc


class BuildRelease(Base):
    """One release of one build. It stands until something makes a verdict of its worth nothing."""

    __tablename__ = "build_release"
    __table_args__ = (Index("ix_build_release_build_id", "build_id", "released_at"),)
    id: Mapped[key]
    build_id: Mapped[int] = mapped_column(ForeignKey("build.id", ondelete="RESTRICT"))
    limit_set_id: Mapped[int] = mapped_column(ForeignKey("limit_set.id", ondelete="RESTRICT"))
    content: Mapped[text] = mapped_column(
        comment="RFC 8785 JSON: verdicts, set points acknowledged"
    )
    content_sha256: Mapped[sha256]
    released_by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    released_at: Mapped[utc]
