"""Find records by the build they began from, checks and tests by what they were read with.

Revision ID: e9f5
Revises: d8e4
Create Date: 2026-11-27
"""

from alembic import op

revision = "e9f5"
down_revision = "d8e4"
branch_labels = None
depends_on = None

FOUND_BY = (
    ("rebuild_record", "base_build_id"),
    ("make_safe_line", "instrument_id"),
    ("stack_test", "thermometer_id"),
    ("stack_test", "meter_id"),
)


def upgrade() -> None:
    """Make the indexes."""
    for table, column in FOUND_BY:
        op.create_index(f"ix_{table}_{column}", table, [column])


def downgrade() -> None:
    """Drop them."""
    for table, column in FOUND_BY:
        op.drop_index(f"ix_{table}_{column}", table)
