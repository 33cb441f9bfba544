"""Keep the hash of the one-time code by which the first person is added.

Revision ID: d1a1
Revises: c3b8
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d1a1"
down_revision = "c3b8"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "first_code",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("code_hash", sa.Text(), nullable=False, comment="Argon2id"),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("expires_at", UTC, nullable=False),
        sa.Column("used_at", UTC, nullable=True),
        sa.CheckConstraint("expires_at > made_at", name=op.f("ck_first_code_expires_later")),
        sa.CheckConstraint("used_at <= expires_at", name=op.f("ck_first_code_used_in_time")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_first_code")),
    )


def downgrade() -> None:
    """Drop the table: the first person is added by the command again."""
    op.drop_table("first_code")
