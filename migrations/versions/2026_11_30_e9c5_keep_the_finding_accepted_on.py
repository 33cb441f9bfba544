"""Keep the finding a used part was accepted on.

Parts accepted on a finding before keep that basis; which finding it was nobody wrote down.

Revision ID: e9c5
Revises: f6d4
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e9c5"
down_revision = "f6d4"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CHECK = "ck_accepted_used_a_finding_is_its_basis"
COMMENT = "it rests on; none where it was accepted before that was kept"


def upgrade() -> None:
    """Add the column."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("accepted_used") as batch:
        batch.add_column(sa.Column("finding_id", WHOLE, nullable=True, comment=COMMENT))
        batch.create_foreign_key(
            op.f("fk_accepted_used_finding_id_finding"),
            "finding",
            ["finding_id"],
            ["id"],
            ondelete="RESTRICT",
        )
        batch.create_check_constraint(op.f(CHECK), "finding_id IS NULL OR basis = 'finding'")


def downgrade() -> None:
    """Forget which finding it was."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("accepted_used") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.drop_constraint(op.f("fk_accepted_used_finding_id_finding"), type_="foreignkey")
        batch.drop_column("finding_id")
