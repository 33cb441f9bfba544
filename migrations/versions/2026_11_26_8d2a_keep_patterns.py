"""Keep a design's pattern: the order of its layers, and what belongs on each of its rods.

The pattern is one TOML text in the design's own row, so that it is frozen with it. Designs there
are have none: nobody wrote it down, and their piles are not checked until somebody does.

Revision ID: 8d2a
Revises: 7c1e
Create Date: 2026-11-26
"""

import sqlalchemy as sa
from alembic import op

revision = "8d2a"
down_revision = "7c1e"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
COUNTED = ("sleeves", "disc_springs", "nuts")


def upgrade() -> None:
    """Add the columns, empty."""
    op.get_context().opts["lift_triggers"]()  # SQLite renames no table they speak of
    with op.batch_alter_table("design") as batch:
        batch.add_column(
            sa.Column(
                "pattern",
                sa.Text(),
                nullable=True,
                comment="order of the layers as TOML; none: not kept",
            )
        )
        for kind in COUNTED:
            batch.add_column(
                sa.Column(
                    f"rod_{kind}", WHOLE, nullable=True, comment="on each rod; none: not said"
                )
            )
            batch.create_check_constraint(
                op.f(f"ck_design_{kind}_are_not_negative"), f"rod_{kind} >= 0"
            )


def downgrade() -> None:
    """Drop them, with the patterns in them."""
    op.get_context().opts["lift_triggers"]()  # SQLite renames no table they speak of
    with op.batch_alter_table("design") as batch:
        for kind in COUNTED:
            batch.drop_constraint(op.f(f"ck_design_{kind}_are_not_negative"), type_="check")
            batch.drop_column(f"rod_{kind}")
        batch.drop_column("pattern")
