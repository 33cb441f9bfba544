"""Let a whole stack be put on hold.

Revision ID: c4a6
Revises: a7f4
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "c4a6"
down_revision = "a7f4"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
BEFORE = ("part_id", "lot_id", "part_type_id", "design_id", "instrument_id")
ON_STACK = sa.text("stack_id IS NOT NULL")


def upgrade() -> None:
    """Add the stack to what a hold can be on."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("hold") as batch:
        batch.drop_constraint(op.f("ck_hold_about_one_subject"), type_="check")
        batch.add_column(sa.Column("stack_id", WHOLE, nullable=True))
        batch.create_foreign_key(
            op.f("fk_hold_stack_id_stack"), "stack", ["stack_id"], ["id"], ondelete="RESTRICT"
        )
        batch.create_check_constraint(
            op.f("ck_hold_on_one_subject"), _exactly_one((*BEFORE, "stack_id"))
        )
    op.create_index(
        "ix_hold_stack_id", "hold", ["stack_id"], sqlite_where=ON_STACK, postgresql_where=ON_STACK
    )


def downgrade() -> None:
    """Drop the holds on stacks: the release of theirs stands again."""
    op.get_context().opts["lift_triggers"]()
    op.drop_index("ix_hold_stack_id", "hold")
    op.execute(sa.text("DELETE FROM hold WHERE stack_id IS NOT NULL"))
    with op.batch_alter_table("hold") as batch:
        batch.drop_constraint(op.f("ck_hold_on_one_subject"), type_="check")
        batch.drop_constraint(op.f("fk_hold_stack_id_stack"), type_="foreignkey")
        batch.drop_column("stack_id")
        batch.create_check_constraint(op.f("ck_hold_about_one_subject"), _exactly_one(BEFORE))


def _exactly_one(columns):  # type: ignore[no-untyped-def]
    return " + ".join(f"(CASE WHEN {x} IS NULL THEN 0 ELSE 1 END)" for x in columns) + " = 1"
