"""Keep which build a stack was split from.

Revision ID: e9a3
Revises: e8b3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e9a3"
down_revision = "e8b3"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the column; no stack before is known to be split from another."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("stack") as batch:
        batch.add_column(
            sa.Column("origin_build_id", WHOLE, nullable=True, comment="it was split from")
        )
        batch.create_foreign_key(
            op.f("fk_stack_origin_build_id_build"),
            "build",
            ["origin_build_id"],
            ["id"],
            ondelete="RESTRICT",
        )
    op.create_index("ix_stack_origin_build_id", "stack", ["origin_build_id"])


def downgrade() -> None:
    """Drop the column; the trail still says what was split."""
    op.get_context().opts["lift_triggers"]()
    op.drop_index("ix_stack_origin_build_id", "stack")
    with op.batch_alter_table("stack") as batch:
        batch.drop_constraint(op.f("fk_stack_origin_build_id_build"), type_="foreignkey")
        batch.drop_column("origin_build_id")
