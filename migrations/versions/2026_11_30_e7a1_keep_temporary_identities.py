"""Give a part without a readable serial a temporary identity, and say which part it is later.

Every part of before has its own serial or is an item of a lot: none is temporary.

Revision ID: e7a1
Revises: b9d3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e7a1"
down_revision = "b9d3"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
COLUMNS = {
    "temporary_number": (
        WHOLE,
        "of a part without a readable serial; its serial is made of it",
    ),
    "is_part_id": (
        WHOLE,
        "which part it was found to be; none: not identified, or no temporary one",
    ),
    "came_over": (
        sa.Text(),
        "JSON of what that part was given with it, to be taken back",
    ),
}
CHECKS = {
    "another_if_temporary": "is_part_id IS NULL OR temporary_number IS NOT NULL",
    "is_another_part": "is_part_id <> id",
    "says_what_came_over": "(is_part_id IS NULL) = (came_over IS NULL)",
    "not_identified_is_held": (
        "temporary_number IS NULL OR is_part_id IS NOT NULL"
        " OR usability IN ('on hold', 'under concession')"
    ),
}
KINDS = (
    *("stiffness", "failing rule", "pattern", "lab words", "calibration", "make-safe list"),
    *("lot shelf life", "part shelf life", "tap map"),
)


def upgrade() -> None:
    """Add the columns, and let an identity be proposed."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("part") as batch:
        for name, (kind, comment) in COLUMNS.items():
            batch.add_column(sa.Column(name, kind, nullable=True, comment=comment))
        batch.create_foreign_key(
            op.f("fk_part_is_part_id_part"), "part", ["is_part_id"], ["id"], ondelete="RESTRICT"
        )
        batch.create_unique_constraint(op.f("uq_part_temporary_number"), ["temporary_number"])
        for name, condition in CHECKS.items():
            batch.create_check_constraint(op.f(f"ck_part_{name}"), condition)
    op.create_index("ix_part_is_part_id", "part", ["is_part_id"])
    _allow((*KINDS, "identity"))


def downgrade() -> None:
    """Refused by the old rules where an identity was proposed; parts keep the serials made up."""
    op.get_context().opts["lift_triggers"]()
    _allow(KINDS)
    op.drop_index("ix_part_is_part_id", "part")
    with op.batch_alter_table("part") as batch:
        for name in CHECKS:
            batch.drop_constraint(op.f(f"ck_part_{name}"), type_="check")
        batch.drop_constraint(op.f("uq_part_temporary_number"), type_="unique")
        batch.drop_constraint(op.f("fk_part_is_part_id_part"), type_="foreignkey")
        for name in COLUMNS:
            batch.drop_column(name)


def _allow(kinds: tuple[str, ...]) -> None:
    name = op.f("ck_proposed_change_changekind")
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(name, type_="check")
        batch.create_check_constraint(name, f"kind IN ({', '.join(map(repr, kinds))})")
