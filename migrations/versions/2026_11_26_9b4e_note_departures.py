"""Note departures from the design: an entry of a record that accepts one finding of the check.

The finding stands in the entry as it read when it was accepted.

Revision ID: 9b4e
Revises: 8d2a
Create Date: 2026-11-26
"""

import sqlalchemy as sa
from alembic import op

revision = "9b4e"
down_revision = "8d2a"
branch_labels = None
depends_on = None

KINDS = "ck_step_stepkind"
NAMED = "ck_step_departure_names_its_finding"
DEPARTURE = "departure from the design"
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
)


def upgrade() -> None:
    """Let entries be departures."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("step") as batch:
        batch.add_column(
            sa.Column(
                "departs_from",
                sa.Text(),
                nullable=True,
                comment="finding of the check a departure accepts, as it read",
            )
        )
        batch.drop_constraint(op.f(KINDS), type_="check")
        batch.create_check_constraint(op.f(KINDS), among((*BEFORE, DEPARTURE)))
        batch.create_check_constraint(
            op.f(NAMED), f"(kind = '{DEPARTURE}') = (departs_from IS NOT NULL)"
        )


def downgrade() -> None:
    """Refused by the old rule where a departure was noted."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(NAMED), type_="check")
        batch.drop_constraint(op.f(KINDS), type_="check")
        batch.create_check_constraint(op.f(KINDS), among(BEFORE))
        batch.drop_column("departs_from")


def among(kinds: tuple[str, ...]) -> str:
    """Only these words."""
    return f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
