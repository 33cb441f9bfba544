"""Keep changeover plans: what was wished for a stack, and the plan as it was made.

Revision ID: a5c3
Revises: 9b4e
Create Date: 2026-11-26
"""

import sqlalchemy as sa
from alembic import op

revision = "a5c3"
down_revision = "9b4e"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "changeover_plan",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("base_build_id", WHOLE, nullable=False, comment="the build it changes"),
        sa.Column(
            "wishes",
            sa.Text(),
            nullable=False,
            comment="JSON, a version and the wishes by their kinds",
        ),
        sa.Column(
            "content", sa.Text(), nullable=False, comment="RFC 8785 JSON of the plan as made"
        ),
        sa.Column("content_sha256", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False, comment="why the change is made"),
        sa.Column("made_by_id", WHOLE, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("record_id", WHOLE, nullable=True, comment="the record begun by it"),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_changeover_plan_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in (
                ("stack_id", "stack"),
                ("base_build_id", "build"),
                ("made_by_id", "person"),
                ("record_id", "rebuild_record"),
            )
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changeover_plan")),
        sa.UniqueConstraint("record_id", name=op.f("uq_changeover_plan_record_id")),
    )
    op.create_index("ix_changeover_plan_stack_id", "changeover_plan", ["stack_id"])


def downgrade() -> None:
    """Drop it, with the plans in it."""
    op.drop_table("changeover_plan")
