"""Keep changes of stiffness and failing rules until somebody else approves them.

What is in force stays so; who wrote it stands where it stood.

Revision ID: d6a4
Revises: b5d2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d6a4"
down_revision = "b5d2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
TABLE = "proposed_change"
CHECKS = {
    "changekind": "kind IN ('stiffness', 'failing rule', 'pattern')",
    "approved_by_somebody": "(approved_at IS NULL) = (approved_by_id IS NULL)",
    "approved_by_another": "approved_by_id IS NULL OR approved_by_id <> made_by_id",
}


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("subject_id", WHOLE, nullable=False, comment="part type or design"),
        sa.Column("subject_label", sa.String(200), nullable=False),
        sa.Column("content", sa.Text(), nullable=False, comment="RFC 8785 JSON of what is wanted"),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column(
            "changes", sa.Text(), nullable=False, comment="JSON list of [field, before, after]"
        ),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("made_by_id", WHOLE, nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("approved_by_id", WHOLE, nullable=True),
        sa.Column("approved_at", UTC, nullable=True),
        sa.Column("remarks", sa.Text(), nullable=True, comment="what stood beside the approval"),
        *(
            sa.CheckConstraint(condition, name=op.f(f"ck_{TABLE}_{name}"))
            for name, condition in CHECKS.items()
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                ["person.id"],
                name=op.f(f"fk_{TABLE}_{column}_person"),
                ondelete="RESTRICT",
            )
            for column in ("made_by_id", "approved_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_kind_subject_id"), TABLE, ["kind", "subject_id"])


def downgrade() -> None:
    """Forget what waits; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
