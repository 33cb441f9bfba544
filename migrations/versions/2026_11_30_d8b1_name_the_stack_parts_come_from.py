"""Let a record name the record of another stack that its parts are lifted off in.

Revision ID: d8b1
Revises: e4c6
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d8b1"
down_revision = "e4c6"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CHECK = "ck_step_stepkind"
DONOR = "parts from another stack"
KINDS = (
    "make-safe line",
    "exception to make-safe",
    "opened",
    "lifted off",
    "put on",
    "fixing removed",
    "fixing fitted",
    "finding",
    "torque reading",
    "hour reading",
    "closed",
    "departure from the design",
    "closing check",
    "leak test",
    "insulation test",
    "short check",
    "not done",
    "torque tool set",
    "nut tightened by a click tool",
    "bump test",
    "handover",
    "heights at corners",
    "nuts run down to hold",
    "leak search",
)


def upgrade() -> None:
    """Add the kind of entry and what it names."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("step") as batch:
        batch.add_column(
            sa.Column(
                "donor_id",
                WHOLE,
                nullable=True,
                comment="of another stack: its parts are lifted off there",
            )
        )
        batch.create_foreign_key(
            op.f("fk_step_donor_id_rebuild_record"),
            "rebuild_record",
            ["donor_id"],
            ["id"],
            ondelete="RESTRICT",
        )
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(op.f(CHECK), _in((*KINDS, DONOR)))
        batch.create_check_constraint(
            op.f("ck_step_donor_is_named"), f"(kind = '{DONOR}') = (donor_id IS NOT NULL)"
        )
    op.create_index("ix_step_donor_id", "step", ["donor_id"])


def downgrade() -> None:
    """Drop the column; an entry of the kind stands in the way."""
    op.get_context().opts["lift_triggers"]()
    op.drop_index("ix_step_donor_id", "step")
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f("ck_step_donor_is_named"), type_="check")
        batch.drop_constraint(op.f("fk_step_donor_id_rebuild_record"), type_="foreignkey")
        batch.drop_column("donor_id")
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(op.f(CHECK), _in(KINDS))


def _in(kinds: tuple[str, ...]) -> str:
    return f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
