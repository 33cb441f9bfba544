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
    DateTime,
    Dialect,
    Enum,
    Float,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
)
from sqlalchemy.orm import DeclarativeBase, mapped_column

from service.platform.arithmetic import vocabulary

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

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a time without a zone; SQLite keeps UTC without the mark."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value.isoformat()} has no zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Give every stored time back as aware UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def word(kind: type[StrEnum]) -> Enum:
    """An enum stored by its word, checked by the database on both engines."""
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


__all__ = ["Base", "BigKey", "UtcDateTime", "key", "sha256", "short", "text", "utc", "word"]
