"""Keep when a witness confirmed, with their own password, what they are named for.

Witnesses of before are named and have not confirmed; contents and hashes of before stay.

Revision ID: c5f3
Revises: b7e2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "c5f3"
down_revision = "b7e2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "witness_confirmation"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column(
            "confirmed_at",
            sa.DateTime(timezone=True),
            nullable=False,
            comment="it covers what was written down until then",
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_{TABLE}_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in (("record_id", "rebuild_record"), ("person_id", "person"))
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_record_id"), TABLE, ["record_id"])


def downgrade() -> None:
    """Forget what witnesses confirmed; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
