"""What the arithmetic of a closing gave when its record was handed in, and from what."""

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, sha256, text, utc


class ClosingResult(Base):
    """One computation of one closing. Never changed: a later one stands beside it.

    At hand-in, and anew for each approved correction that reaches it; the newest counts.
    """

    __tablename__ = "closing_result"
    __table_args__ = (Index("ix_closing_result_record_id", "record_id"),)
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    limit_set_id: Mapped[int] = reference("limit_set", comment="computed with it, judged by it")
    inputs: Mapped[text] = mapped_column(comment="RFC 8785 JSON: enough to compute it again")
    inputs_sha256: Mapped[sha256]
    results: Mapped[text] = mapped_column(comment="RFC 8785 JSON")
    results_sha256: Mapped[sha256]
    formulas: Mapped[str] = mapped_column(comment="names and versions of what computed it")
    computed_at: Mapped[utc]
    correction_id: Mapped[int | None] = reference(
        "correction", comment="computed anew for it; none: at hand-in"
    )
