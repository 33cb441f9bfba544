"""Keep who proposed that a record be made void: somebody else confirms it.

Revision ID: b7e2
Revises: a4d8
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b7e2"
down_revision = "a4d8"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "void_proposal"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column(
            "record_version",
            WHOLE,
            nullable=False,
            comment="of the record proposed; at another one it has lapsed",
        ),
        sa.Column("proposed_by_id", WHOLE, nullable=False),
        sa.Column("proposed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_{TABLE}_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in (("record_id", "rebuild_record"), ("proposed_by_id", "person"))
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_record_id"), TABLE, ["record_id"])


def downgrade() -> None:
    """Forget what was proposed; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
