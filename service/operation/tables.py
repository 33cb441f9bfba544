"""All tables, imported together so that the schema is whole."""

from service.life.tables import failing
from service.platform.tables import attachments, audit
from service.platform.tables.base import Base
from service.proof.tables import releases, stack_tests
from service.stacks.tables import hours, stacks
from service.store.tables import holds, instruments, parts

metadata = Base.metadata

__all__ = [
    "attachments",
    "audit",
    "build_makeups",
    "cell_taps",
    "changeover_plans",
    "closing_results",
    "corrections",
    "designs",
    "failing",
    "holds",
    "hours",
    "instruments",
    "limit_sets",
    "metadata",
    "parts",
    "people",
    "rebuild_records",
    "releases",
    "runs",
    "stack_tests",
    "stacks",
]
