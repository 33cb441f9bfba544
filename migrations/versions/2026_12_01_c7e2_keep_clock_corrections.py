"""Keep by how much the clock of a run's log was corrected.

Revision ID: c7e2
Revises: c6e2
Create Date: 2026-12-01
"""

import json
import re

import sqlalchemy as sa
from alembic import op

revision = "c7e2"
down_revision = "c6e2"
branch_labels = None
depends_on = None

CORRECTED_BY = re.compile(r"The log’s clock was corrected by ([+-][\d.e+-]+) min\.")
READINGS = sa.table(
    "run_reading",
    sa.column("id", sa.Integer),
    sa.column("doubts", sa.Text),
    sa.column("clock_min", sa.Float),
)


def upgrade() -> None:
    """Add the column; of readings before, the sum of what their doubts say."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("run_reading") as batch:
        batch.add_column(
            sa.Column(
                "clock_min",
                sa.Float(),
                nullable=False,
                server_default="0",
                comment="by how much the log's clock was corrected in all",
            )
        )
    connection = op.get_bind()
    for row in connection.execute(sa.select(READINGS.c.id, READINGS.c.doubts)).all():
        minutes = sum(map(float, CORRECTED_BY.findall(" ".join(json.loads(row.doubts)))))
        if minutes:
            connection.execute(
                READINGS.update().where(READINGS.c.id == row.id).values(clock_min=minutes)
            )
    with op.batch_alter_table("run_reading") as batch:
        batch.alter_column("clock_min", server_default=None, existing_type=sa.Float())


def downgrade() -> None:
    """Drop the column; the doubts say it."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("run_reading") as batch:
        batch.drop_column("clock_min")
