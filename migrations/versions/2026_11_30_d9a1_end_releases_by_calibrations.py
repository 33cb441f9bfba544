"""Keep which releases a calibration ended: their closing does not hold with what it found.

Calibrations of before ended no release by themselves; what rests on them was judged, or waits.

Revision ID: d9a1
Revises: e7c3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d9a1"
down_revision = "e7c3"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Lay the table."""
    op.create_table(
        "release_end",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_release_end")),
        *(
            sa.ForeignKeyConstraint(
                [f"{other}_id"],
                [f"{other}.id"],
                name=op.f(f"fk_release_end_{other}_id_{other}"),
                ondelete="RESTRICT",
            )
            for other in ("build", "calibration")
        ),
    )
    op.create_index("ix_release_end_build_id", "release_end", ["build_id", "ended_at"])


def downgrade() -> None:
    """Drop the table: releases a calibration ended stand again."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("release_end")
