"""Keep who looked again at what rests on a fact corrected since.

Revision ID: b9d3
Revises: e9a3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b9d3"
down_revision = "e9a3"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
SUBJECTS = ("record", "changeover plan", "failing MEA", "accepted used part", "judged readings")


def upgrade() -> None:
    """Add the table: nobody has looked again yet."""
    op.create_table(
        "looked_again",
        sa.Column("id", WHOLE, primary_key=True, autoincrement=True),
        sa.Column(
            "of_",
            sa.Enum(*SUBJECTS, native_enum=False, create_constraint=True, length=40, name="rests"),
            nullable=False,
        ),
        sa.Column("subject_id", WHOLE, nullable=False, comment="row of what was looked at"),
        sa.Column("note", sa.Text(), nullable=False, comment="what came of it"),
        sa.Column("by_id", WHOLE, sa.ForeignKey("person.id", ondelete="RESTRICT"), nullable=False),
        sa.Column("looked_at", sa.DateTime(timezone=True), nullable=False),
    )
    op.create_index("ix_looked_again_subject_id_of", "looked_again", ["subject_id", "of_"])


def downgrade() -> None:
    """Drop it: what rests on a corrected fact is to be looked at again."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("looked_again")
