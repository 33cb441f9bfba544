"""Find parts of which nobody knows with how many hours they came.

Revision ID: c6e2
Revises: a4d7
Create Date: 2026-12-01
"""

import sqlalchemy as sa
from alembic import op

revision = "c6e2"
down_revision = "a4d7"
branch_labels = None
depends_on = None

SAID = sa.text("hours_before_unknown IS NOT NULL")


def upgrade() -> None:
    """Add the index."""
    op.create_index(
        "ix_part_hours_before_unknown",
        "part",
        ["hours_before_unknown"],
        sqlite_where=SAID,
        postgresql_where=SAID,
    )


def downgrade() -> None:
    """Leave it out."""
    op.drop_index("ix_part_hours_before_unknown", "part")
