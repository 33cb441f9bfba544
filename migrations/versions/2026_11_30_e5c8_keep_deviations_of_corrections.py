"""Keep how a correction's new value departs from what was set, and why it stands.

Revision ID: e5c8
Revises: a7e3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e5c8"
down_revision = "a7e3"
branch_labels = None
depends_on = None

COLUMNS = (
    (
        "deviation",
        sa.Text(),
        "how the new value departs from what was set, as it read when it was asked about",
    ),
    ("deviation_because", sa.Text(), "why it stands all the same"),
    (
        "unloaded_first",
        sa.Boolean(),
        "of a torque above the target: whether the stack was unloaded first",
    ),
)
CHECKS = {
    "ck_correction_deviation_has_its_reason": "(deviation IS NULL) = (deviation_because IS NULL)",
    "ck_correction_unloaded_before_a_deviation": (
        "unloaded_first IS NULL OR deviation IS NOT NULL"
    ),
}


def upgrade() -> None:
    """Add the columns, empty for what was before."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("correction") as batch:
        for name, kind, comment in COLUMNS:
            batch.add_column(sa.Column(name, kind, nullable=True, comment=comment))
        for name, rule in CHECKS.items():
            batch.create_check_constraint(op.f(name), rule)


def downgrade() -> None:
    """Drop them."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("correction") as batch:
        for name in CHECKS:
            batch.drop_constraint(op.f(name), type_="check")
        for name, _kind, _comment in COLUMNS:
            batch.drop_column(name)
