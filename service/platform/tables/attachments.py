"""Attachments: photos and papers, kept on disk under the hash of their content."""

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, sha256, utc


class Attachment(Base):
    """One file at one record or part; the same content is kept once."""

    __tablename__ = "attachment"
    __table_args__ = (
        CheckConstraint("size_bytes > 0", name="size_is_positive"),
        CheckConstraint("record_id IS NOT NULL OR part_id IS NOT NULL", name="belongs_somewhere"),
        Index("ix_attachment_record_id", "record_id"),
        Index("ix_attachment_part_id", "part_id"),
    )
    id: Mapped[key]
    content_sha256: Mapped[sha256] = mapped_column(index=True)
    media_type: Mapped[str] = mapped_column(comment="found in the content, not taken from the name")
    size_bytes: Mapped[int]
    name: Mapped[str] = mapped_column(comment="as given")
    record_id: Mapped[int | None] = mapped_column(
        ForeignKey("rebuild_record.id", ondelete="RESTRICT")
    )
    part_id: Mapped[int | None] = mapped_column(ForeignKey("part.id", ondelete="RESTRICT"))
    added_by_id: Mapped[int] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    added_at: Mapped[utc]
    removed_at: Mapped[utc | None] = mapped_column(
        comment="from an open record only; content stays"
    )
