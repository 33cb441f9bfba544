"""Keep that a part ran before it came, and nobody knows how long.

Revision ID: f6d4
Revises: d9a1
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "f6d4"
down_revision = "d9a1"
branch_labels = None
depends_on = None

CHECK = "ck_part_unknown_hours_are_none"


def upgrade() -> None:
    """Add the column; of parts before, the number they came with stands."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("part") as batch:
        batch.add_column(
            sa.Column(
                "hours_before_unknown",
                sa.Boolean(),
                nullable=True,
                comment="nobody knows how long it ran before it came; none: not said",
            )
        )
        batch.create_check_constraint(
            op.f(CHECK), "hours_before_unknown IS NOT TRUE OR hours_before = 0"
        )


def downgrade() -> None:
    """Drop the column; the notes of such a part say so from now on."""
    op.get_context().opts["lift_triggers"]()
    op.execute(
        sa.text(
            "UPDATE part SET notes = 'Hours before it came are unknown. ' || notes"
            " WHERE hours_before_unknown"
        )
    )
    with op.batch_alter_table("part") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.drop_column("hours_before_unknown")
