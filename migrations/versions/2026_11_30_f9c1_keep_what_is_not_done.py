"""Keep what was not done when a record was handed in, and why: an entry for each thing.

Records handed in before have none: nobody was asked.

Revision ID: f9c1
Revises: f3d9
Create Date: 2026-11-30
"""

from alembic import op

revision = "f9c1"
down_revision = "f3d9"
branch_labels = None
depends_on = None

KINDS = "ck_step_stepkind"
NOT_DONE = "not done"
BEFORE = (
    "make-safe line",
    "exception to make-safe",
    "opened",
    "lifted off",
    "put on",
    "fixing removed",
    "fixing fitted",
    "finding",
    "torque reading",
    "hour reading",
    "closed",
    "departure from the design",
    "closing check",
    "leak test",
    "insulation test",
    "short check",
)
HAS_REASON = "ck_step_not_done_has_its_reason"
REASON = "kind <> 'not done' OR (deviation_because IS NOT NULL AND deviation_because <> '')"
COMMENT = "how the entry departs from what was set, as it read when it was asked about"


def upgrade() -> None:
    """Let entries say what is not done, with a reason."""
    allow((*BEFORE, NOT_DONE), comment=f"{COMMENT}; of what is not done: what is missing")
    with op.batch_alter_table("step") as batch:
        batch.create_check_constraint(op.f(HAS_REASON), REASON)


def downgrade() -> None:
    """Refused by the old rule where something was not done."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(HAS_REASON), type_="check")
    allow(BEFORE, comment=COMMENT)


def allow(kinds: tuple[str, ...], *, comment: str) -> None:
    """Let entries be of these kinds only."""
    op.get_context().opts["lift_triggers"]()  # SQLite renames no table they speak of
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(KINDS), type_="check")
        batch.create_check_constraint(
            op.f(KINDS), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )
        batch.alter_column("deviation", comment=comment)
