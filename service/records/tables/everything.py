"""All tables, imported together so that the schema is whole."""

from service.records.tables import (
    attachments,
    audit,
    changeover_plans,
    corrections,
    designs,
    holds,
    hours,
    instruments,
    parts,
    people,
    rebuild_records,
    stacks,
)
from service.records.tables.base import Base

metadata = Base.metadata

__all__ = [
    "attachments",
    "audit",
    "changeover_plans",
    "corrections",
    "designs",
    "holds",
    "hours",
    "instruments",
    "metadata",
    "parts",
    "people",
    "rebuild_records",
    "stacks",
]
