"""The audit trail and the one-time keys of entries."""

from sqlalchemy import ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables.base import Base, key, text, utc


class AuditEntry(Base):
    """Who changed what, when, from what to what, and why. Never changed, never deleted."""

    __tablename__ = "audit_entry"
    __table_args__ = (
        Index("ix_audit_entry_at", "at"),
        Index("ix_audit_entry_person_id_at", "person_id", "at"),
        Index("ix_audit_entry_act_at", "act", "at"),
        Index("ix_audit_entry_subject", "subject_kind", "subject_id"),
        Index("ix_audit_entry_record_id", "record_id"),
        Index("ix_audit_entry_stack_id", "stack_id"),
    )
    id: Mapped[key]
    at: Mapped[utc]
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id", ondelete="RESTRICT"))
    person_name: Mapped[str] = mapped_column(comment="as of then")
    act: Mapped[str] = mapped_column(String(60), comment="a member of audit.Act")
    subject_kind: Mapped[str] = mapped_column(String(40))
    subject_id: Mapped[int | None]
    subject_label: Mapped[str]
    stack_id: Mapped[int | None]
    record_id: Mapped[int | None]
    changes: Mapped[text] = mapped_column(comment="JSON list of [field, before, after]")
    reason: Mapped[text] = mapped_column(default="")
    via: Mapped[str] = mapped_column(String(20), comment="page, api or command")


class EntryKey(Base):
    """The one-time key of a person's form or API call, with the answer the first one got."""

    __tablename__ = "entry_key"
    person_id: Mapped[int] = mapped_column(
        ForeignKey("person.id", ondelete="RESTRICT"), primary_key=True, autoincrement=False
    )
    sent_to: Mapped[str] = mapped_column(
        String(400), primary_key=True, comment="method and path; empty for keys of before"
    )
    key: Mapped[str] = mapped_column(String(80), primary_key=True)
    payload_sha256: Mapped[str] = mapped_column(String(64), comment="empty for keys of before")
    answer: Mapped[text]
    at: Mapped[utc]
