"""Limits and figures of a design: versions with their source, in force once somebody approved."""

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.limits.arithmetic.retests import Spares
from service.platform.arithmetic.verdicts import Undoing
from service.platform.tables import Base, key, reference, sha256, text, utc, word


class LimitSet(Base):
    """One version of what a design's stacks are computed with and judged by."""

    __tablename__ = "limit_set"
    __table_args__ = (
        UniqueConstraint("design_id", "version"),
        CheckConstraint("version >= 1", name="versions_count_from_one"),
        CheckConstraint(
            "(approved_at IS NULL) = (approved_by_id IS NULL)", name="approved_by_somebody"
        ),
        CheckConstraint(
            "approved_by_id IS NULL OR approved_by_id <> made_by_id", name="approved_by_another"
        ),
    )
    id: Mapped[key]
    design_id: Mapped[int] = reference("design")
    version: Mapped[int]
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of the figures and limits")
    content_sha256: Mapped[sha256]
    source: Mapped[text] = mapped_column(comment="where the figures come from, in words")
    reason: Mapped[text] = mapped_column(comment="why this version is made")
    made_by_id: Mapped[int] = reference("person")
    made_at: Mapped[utc]
    approved_by_id: Mapped[int | None] = reference("person")
    approved_at: Mapped[utc | None]
    remarks: Mapped[text | None] = mapped_column(comment="what stood beside the approval")


class Spared(Base):
    """What an act leaves alone by the rules of a version: found by index, as its content says."""

    __tablename__ = "spared"
    __table_args__ = (UniqueConstraint("limit_set_id", "act", "spares"),)
    id: Mapped[key]
    limit_set_id: Mapped[int] = reference("limit_set")
    act: Mapped[Undoing] = mapped_column(word(Undoing))
    spares: Mapped[Spares] = mapped_column(word(Spares))
