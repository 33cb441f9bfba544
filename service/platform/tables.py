"""Naming, column types and the two clocks every table shares.

Facts which can be corrected carry ``known_from`` and ``known_until``: when the lab knew them so.
When a fact was true stands in the fact itself. A corrected fact is closed out (``known_until``)
and a new row is written; nothing else of the row may change (``migrations/triggers.py``).
"""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    DateTime,
    Dialect,
    Enum,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
)
from sqlalchemy import text as sql
from sqlalchemy.orm import DeclarativeBase, Mapped, MappedColumn, mapped_column

from service.platform.arithmetic import vocabulary
from service.platform.arithmetic.dates import as_kept, to_keep

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC to the microsecond on both engines."""

    impl = DateTime(timezone=True)
    cache_ok = True
    python_type = datetime

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a time without a zone; SQLite keeps UTC without the mark."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value.isoformat()} has no zone")
        value = to_keep(value.astimezone(UTC))
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Give every stored time back as aware UTC."""
        if value is None:
            return None
        aware = value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        return as_kept(aware)


def word(kind: type[StrEnum]) -> Enum:
    """Return an enum stored by its word, checked by the database on both engines."""
    return Enum(
        kind,
        native_enum=False,
        create_constraint=True,
        length=40,
        name=kind.__name__.lower(),
        values_callable=lambda members: [member.value for member in members],
    )


BigKey = BigInteger().with_variant(Integer, "sqlite")

key = Annotated[int, mapped_column(BigKey, primary_key=True, autoincrement=True)]
utc = Annotated[datetime, mapped_column(UtcDateTime)]
short = Annotated[str, mapped_column(String(200))]
text = Annotated[str, mapped_column(Text)]
sha256 = Annotated[str, mapped_column(String(64))]


def reference(table: str, **more: Any) -> MappedColumn[Any]:
    """A column naming a row of a table, which then cannot be deleted."""
    return mapped_column(ForeignKey(f"{table}.id", ondelete="RESTRICT"), **more)


def unique_where(name: str, *names: str, condition: str) -> Index:
    """An index that lets columns be equal in at most one row of those meant, on both engines."""
    return Index(
        name, *names, unique=True, sqlite_where=sql(condition), postgresql_where=sql(condition)
    )


class Base(DeclarativeBase):
    """Parent of all tables."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map: dict[Any, Any] = {  # noqa: RUF012 - declared so by SQLAlchemy
        bool: Boolean(),
        float: Float(53),
        int: BigKey,
        str: String(200),
        datetime: UtcDateTime(),
        vocabulary.Kind: word(vocabulary.Kind),
        vocabulary.Material: word(vocabulary.Material),
        vocabulary.Side: word(vocabulary.Side),
        vocabulary.Back: word(vocabulary.Back),
        vocabulary.Joint: word(vocabulary.Joint),
        vocabulary.Facing: word(vocabulary.Facing),
        vocabulary.End: word(vocabulary.End),
        vocabulary.Whereabouts: word(vocabulary.Whereabouts),
        vocabulary.Usability: word(vocabulary.Usability),
        vocabulary.ReadingKind: word(vocabulary.ReadingKind),
        vocabulary.Stage: word(vocabulary.Stage),
    }


__all__ = [
    "Base",
    "BigKey",
    "UtcDateTime",
    "key",
    "reference",
    "sha256",
    "short",
    "text",
    "unique_where",
    "utc",
    "word",
]


# The audit trail and the one-time keys of entries.


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
    person_id: Mapped[int | None] = reference("person")
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
    person_id: Mapped[int] = reference("person", primary_key=True, autoincrement=False)
    sent_to: Mapped[str] = mapped_column(
        String(400), primary_key=True, comment="method and path; empty for keys of before"
    )
    key: Mapped[str] = mapped_column(String(80), primary_key=True)
    payload_sha256: Mapped[str] = mapped_column(String(64), comment="empty for keys of before")
    answer: Mapped[text]
    at: Mapped[utc]


# Attachments: photos and papers, kept on disk under the hash of their content.


class Attachment(Base):
    """One file at a record, part or calibration, or a word's picture; the same content once."""

    __tablename__ = "attachment"
    __table_args__ = (
        CheckConstraint("size_bytes > 0", name="size_is_positive"),
        CheckConstraint(
            "record_id IS NOT NULL OR part_id IS NOT NULL OR shows_word IS NOT NULL"
            " OR calibration_id IS NOT NULL",
            name="belongs_to_something",
        ),
        Index("ix_attachment_record_id", "record_id"),
        Index("ix_attachment_part_id", "part_id"),
        Index("ix_attachment_calibration_id", "calibration_id"),
    )
    id: Mapped[key]
    content_sha256: Mapped[sha256] = mapped_column(index=True)
    media_type: Mapped[str] = mapped_column(comment="found in the content, not taken from the name")
    size_bytes: Mapped[int]
    name: Mapped[str] = mapped_column(comment="as given")
    record_id: Mapped[int | None] = reference("rebuild_record")
    part_id: Mapped[int | None] = reference("part")
    shows_word: Mapped[str | None] = mapped_column(
        index=True, comment="code of the condition it is the picture of"
    )
    calibration_id: Mapped[int | None] = reference("calibration", comment="its certificate")
    added_by_id: Mapped[int] = reference("person")
    added_at: Mapped[utc]
    removed_at: Mapped[utc | None] = mapped_column(
        comment="from an open record only; content stays"
    )
