"""All tables, imported together so that the schema is whole."""

from service.records.tables import (
    attachments,
    audit,
    changeover_plans,
    closing_results,
    corrections,
    designs,
    holds,
    hours,
    instruments,
    limit_sets,
    parts,
    people,
    rebuild_records,
    releases,
    stack_tests,
    stacks,
)
from service.records.tables.base import Base

metadata = Base.metadata

__all__ = [
    "attachments",
    "audit",
    "changeover_plans",
    "closing_results",
    "corrections",
    "designs",
    "holds",
    "hours",
    "instruments",
    "limit_sets",
    "metadata",
    "parts",
    "people",
    "rebuild_records",
    "releases",
    "stack_tests",
    "stacks",
]
