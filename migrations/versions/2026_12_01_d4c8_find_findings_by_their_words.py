"""Find findings by the code of their word.

Revision ID: d4c8
Revises: e9c5
Create Date: 2026-12-01
"""

from alembic import op

revision = "d4c8"
down_revision = "e9c5"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the index."""
    op.create_index("ix_finding_code", "finding", ["code"])


def downgrade() -> None:
    """Leave it out."""
    op.drop_index("ix_finding_code", "finding")
