"""Keep what a used part was accepted on, and how far.

Parts accepted used before get a row that says that nothing of it was recorded, and no limit.

Revision ID: d2b7
Revises: d3f8
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d2b7"
down_revision = "d3f8"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "accepted_used"
NOW = {"sqlite": "strftime('%Y-%m-%d %H\\:%M\\:%f000', 'now')", "postgresql": "now()"}
CHECKS = {
    "basis": "basis IN ('inspection', 'finding', 'measurement', 'papers', 'not recorded')",
    "facing": "facing_before IN ('fixed end', 'free end', 'either way')",
    "hours_are_positive": "until_hours_h > 0",
    "openings_are_not_negative": "until_openings >= 0",
    "thickness_is_positive": "thickness_mm > 0",
    "cells_in_order": "cell_to >= cell_from",
}
REFERENCES = {"part_id": "part", "design_id": "design", "by_id": "person"}


def upgrade() -> None:
    """Make the table; say of parts accepted used before that nothing was recorded."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("basis", sa.String(40), nullable=False),
        sa.Column("thickness_mm", sa.Float(), nullable=True, comment="mm, measured then"),
        sa.Column("leak", sa.String(200), nullable=False, comment="found then, with its unit"),
        sa.Column("hours_h", sa.Float(), nullable=True, comment="h it had then"),
        sa.Column("until_hours_h", sa.Float(), nullable=True, comment="h in all"),
        sa.Column("until_openings", WHOLE, nullable=True, comment="openings in all"),
        sa.Column("design_id", WHOLE, nullable=True, comment="for this design only"),
        sa.Column("cell_from", WHOLE, nullable=True),
        sa.Column("cell_to", WHOLE, nullable=True),
        sa.Column("same_anode_side", sa.Boolean(), nullable=False),
        sa.Column(
            "facing_before",
            sa.String(40),
            nullable=True,
            comment="which end its marked face looked at last",
        ),
        sa.Column("by_id", WHOLE, nullable=True, comment="none: it was not recorded"),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        *(
            sa.CheckConstraint(condition, name=op.f(f"ck_{TABLE}_{name}"))
            for name, condition in CHECKS.items()
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_{TABLE}_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in REFERENCES.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_part_id"), TABLE, ["part_id"])
    bound = op.get_bind()
    bound.execute(
        sa.text(
            f"INSERT INTO {TABLE} (part_id, basis, leak, same_anode_side, at)"  # noqa: S608
            f" SELECT id, 'not recorded', '', false, {NOW[bound.dialect.name]} FROM part"
            " WHERE usability = 'accepted used' ORDER BY id"
        )
    )


def downgrade() -> None:
    """Forget it; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
