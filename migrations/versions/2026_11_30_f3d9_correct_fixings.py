"""Let a correction change a fixing: the part at a rod, or at an end.

Revision ID: f3d9
Revises: e5c8
Create Date: 2026-11-30
"""

from alembic import op

revision = "f3d9"
down_revision = "e5c8"
branch_labels = None
depends_on = None

CHECK = "ck_correction_correctionof"
BEFORE = (
    "part in a layer",
    "facing of a layer",
    "torque reading",
    "instrument of a torque reading",
    "hour-meter reading",
    "time of opening",
    "time of closing",
)


def upgrade() -> None:
    """Let corrections be of a fixing too."""
    _facts((*BEFORE[:2], "fixing", *BEFORE[2:]))


def downgrade() -> None:
    """Let them be of what was before; one of a fixing stands in the way."""
    _facts(BEFORE)


def _facts(facts: tuple[str, ...]) -> None:
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("correction") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(
            op.f(CHECK), f"of_ IN ({', '.join(repr(fact) for fact in facts)})"
        )
