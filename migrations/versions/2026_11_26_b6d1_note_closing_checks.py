"""Note checks of the closing: closed height, thread on each rod, sleeves, shorts.

They stand in the table of the make-safe checks, under entries of a kind of their own.

Revision ID: b6d1
Revises: a5c3
Create Date: 2026-11-26
"""

from alembic import op

revision = "b6d1"
down_revision = "a5c3"
branch_labels = None
depends_on = None

KINDS = "ck_step_stepkind"
CLOSING_CHECK = "closing check"
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
)


def upgrade() -> None:
    """Let entries be checks of the closing."""
    allow((*BEFORE, CLOSING_CHECK))


def downgrade() -> None:
    """Refused by the old rule where such a check was noted."""
    allow(BEFORE)


def allow(kinds: tuple[str, ...]) -> None:
    """Let entries be of these kinds only."""
    op.get_context().opts["lift_triggers"]()  # SQLite renames no table they speak of
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(KINDS), type_="check")
        batch.create_check_constraint(
            op.f(KINDS), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )
