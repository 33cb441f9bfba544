"""Keep the traces of tests of tightness under their hashes.

Tests of before have none: they were typed, and stay as they are.

Revision ID: a7d2
Revises: b1f6
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a7d2"
down_revision = "b1f6"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Lay the table of traces."""
    key = sa.BigInteger().with_variant(sa.Integer, "sqlite")
    op.create_table(
        "pressure_trace",
        sa.Column("id", key, autoincrement=True, nullable=False),
        sa.Column("content_sha256", sa.String(length=64), nullable=False),
        sa.Column(
            "content",
            sa.Text(),
            nullable=False,
            comment="lines of time, pressure and temperature",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pressure_trace")),
        sa.UniqueConstraint("content_sha256", name=op.f("uq_pressure_trace_content_sha256")),
    )


def downgrade() -> None:
    """Forget the traces; the tests still name their hashes."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("pressure_trace")
