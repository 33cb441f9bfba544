"""Find the records which began from a build: its verdicts are gathered from them.

Revision ID: e9f5
Revises: d8e4
Create Date: 2026-11-27
"""

from alembic import op

revision = "e9f5"
down_revision = "d8e4"
branch_labels = None
depends_on = None

INDEX = "ix_rebuild_record_base_build_id"


def upgrade() -> None:
    """Make the index."""
    op.create_index(INDEX, "rebuild_record", ["base_build_id"])


def downgrade() -> None:
    """Drop it."""
    op.drop_index(INDEX, "rebuild_record")
