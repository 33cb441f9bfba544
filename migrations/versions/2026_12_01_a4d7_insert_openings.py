"""Let a record begin from a build inserted since, and keep the one it was signed with.

Revision ID: a4d7
Revises: d4c8
Create Date: 2026-12-01
"""

import sqlalchemy as sa
from alembic import op

revision = "a4d7"
down_revision = "d4c8"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
COMMENT = "it was signed as beginning from, where an opening was inserted since"
KEY = "fk_rebuild_record_signed_base_build_id_build"


def upgrade() -> None:
    """Add the column."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("rebuild_record") as batch:
        batch.add_column(sa.Column("signed_base_build_id", WHOLE, nullable=True, comment=COMMENT))
        batch.create_foreign_key(
            op.f(KEY), "build", ["signed_base_build_id"], ["id"], ondelete="RESTRICT"
        )


def downgrade() -> None:
    """Let each record begin again from the build it was signed with."""
    op.get_context().opts["lift_triggers"]()
    op.execute(
        "UPDATE rebuild_record SET base_build_id = signed_base_build_id"
        " WHERE signed_base_build_id IS NOT NULL"
    )
    with op.batch_alter_table("rebuild_record") as batch:
        batch.drop_constraint(op.f(KEY), type_="foreignkey")
        batch.drop_column("signed_base_build_id")
