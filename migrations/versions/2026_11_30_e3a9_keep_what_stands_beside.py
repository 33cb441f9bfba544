"""Keep what stands beside a signature, the browser of a session and a person's mail address.

Revision ID: e3a9
Revises: d1e7
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e3a9"
down_revision = "d1e7"
branch_labels = None
depends_on = None

INDEX = "ix_sign_in_session_browser_sha256"
COLUMNS = (
    ("person", "mail", sa.String(200), "to tell accounts apart; nothing is sent there"),
    ("sign_in_session", "browser_sha256", sa.String(64), "of a random value the browser keeps"),
    ("decision", "remarks", sa.Text(), "what stood beside the signature"),
    ("build_release", "remarks", sa.Text(), "what stood beside the signature"),
    ("limit_set", "remarks", sa.Text(), "what stood beside the approval"),
)


def upgrade() -> None:
    """Add the columns, empty for what was before."""
    for table, column, kind, comment in COLUMNS:
        op.add_column(table, sa.Column(column, kind, nullable=True, comment=comment))
    op.create_index(op.f(INDEX), "sign_in_session", ["browser_sha256"])


def downgrade() -> None:
    """Drop them."""
    op.get_context().opts["lift_triggers"]()
    op.drop_index(op.f(INDEX), "sign_in_session")
    for table, column, _kind, _comment in COLUMNS:
        op.drop_column(table, column)
