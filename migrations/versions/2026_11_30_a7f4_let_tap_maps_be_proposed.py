"""Let changes of tap maps wait for somebody else.

Proposals of before stay as they are.

Revision ID: a7f4
Revises: c1d8
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a7f4"
down_revision = "c1d8"
branch_labels = None
depends_on = None

KINDS = (
    *("stiffness", "failing rule", "pattern", "lab words", "calibration", "make-safe list"),
    *("lot shelf life", "part shelf life"),
)
SUBJECT = "part type, design, calibration, make-safe list, lot or part"
MORE = "part type, design, calibration, make-safe list, lot, part or stack"


def upgrade() -> None:
    """Add the kind."""
    op.get_context().opts["lift_triggers"]()
    _allow((*KINDS, "tap map"), MORE, SUBJECT)


def downgrade() -> None:
    """Refused by the old rules where a change of a tap map was proposed."""
    op.get_context().opts["lift_triggers"]()
    _allow(KINDS, SUBJECT, MORE)


def _allow(kinds: tuple[str, ...], subject: str, before: str) -> None:
    name = op.f("ck_proposed_change_changekind")
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(name, type_="check")
        batch.create_check_constraint(name, f"kind IN ({', '.join(map(repr, kinds))})")
        batch.alter_column(
            "subject_id",
            existing_type=sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            existing_nullable=False,
            comment=subject,
            existing_comment=before,
        )
