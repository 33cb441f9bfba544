"""Changeover plans: what was wished for a stack and how it is to be done, frozen when made."""

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, sha256, text, utc


class ChangeoverPlan(Base):
    """One plan for one stack, from one build of it. Never changed but for the record it opens."""

    __tablename__ = "changeover_plan"
    __table_args__ = (Index("ix_changeover_plan_stack_id", "stack_id"),)
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    base_build_id: Mapped[int] = reference("build", comment="the build it changes")
    wishes: Mapped[text] = mapped_column(comment="JSON, a version and the wishes by their kinds")
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of the plan as made")
    content_sha256: Mapped[sha256]
    note: Mapped[text] = mapped_column(comment="why the change is made")
    made_by_id: Mapped[int] = reference("person")
    made_at: Mapped[utc]
    record_id: Mapped[int | None] = reference(
        "rebuild_record", unique=True, comment="the record begun by it"
    )
