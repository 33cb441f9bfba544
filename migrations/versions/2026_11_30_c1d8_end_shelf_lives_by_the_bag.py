"""End a shelf life with the open life of a bag as well, or later after an inspection.

Of what was delivered before, no bag is known to be opened: its expiry stays what ends it.

Revision ID: c1d8
Revises: d2b7
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "c1d8"
down_revision = "d2b7"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
COLUMNS = {
    "bag_opened_at": (UTC, None),
    "bag_opened_by_id": (WHOLE, None),
    "bag_good_until": (
        UTC,
        "by the open life of its type when the bag was opened; none: no limit",
    ),
    "extended_to": (UTC, "by an approved proposal"),
    "extended_at": (UTC, "when the extension was proposed"),
}
CHECKS = {
    "bag_opened_by_somebody": "(bag_opened_at IS NULL) = (bag_opened_by_id IS NULL)",
    "bag_good_once_opened": "bag_good_until >= bag_opened_at",
    "extended_at_a_time": "(extended_to IS NULL) = (extended_at IS NULL)",
    "extended_ahead": "extended_to > extended_at",
}
KINDS = ("stiffness", "failing rule", "pattern", "lab words", "calibration", "make-safe list")
ADDED = ("lot shelf life", "part shelf life")
SUBJECTS = "part type, design, calibration or make-safe list"
MORE_SUBJECTS = "part type, design, calibration, make-safe list, lot or part"


def upgrade() -> None:
    """Add the columns, and let extensions be proposed."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("part_type") as batch:
        batch.add_column(
            sa.Column("open_life_days", WHOLE, nullable=True, comment="days from opening the bag")
        )
    for table in ("lot", "part"):
        with op.batch_alter_table(table) as batch:
            for column, (kind, comment) in COLUMNS.items():
                batch.add_column(sa.Column(column, kind, nullable=True, comment=comment))
            batch.create_foreign_key(
                op.f(f"fk_{table}_bag_opened_by_id_person"),
                "person",
                ["bag_opened_by_id"],
                ["id"],
                ondelete="RESTRICT",
            )
            for name, condition in CHECKS.items():
                batch.create_check_constraint(op.f(f"ck_{table}_{name}"), condition)
    _proposals_of((*KINDS, *ADDED), MORE_SUBJECTS, SUBJECTS)


def downgrade() -> None:
    """Forget opened bags and extensions; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    rows = sa.table("proposed_change", sa.column("kind"))
    op.execute(sa.delete(rows).where(rows.c.kind.in_(ADDED)))
    _proposals_of(KINDS, SUBJECTS, MORE_SUBJECTS)
    for table in ("part", "lot"):
        with op.batch_alter_table(table) as batch:
            for name in CHECKS:
                batch.drop_constraint(op.f(f"ck_{table}_{name}"), type_="check")
            batch.drop_constraint(op.f(f"fk_{table}_bag_opened_by_id_person"), type_="foreignkey")
            for column in COLUMNS:
                batch.drop_column(column)
    with op.batch_alter_table("part_type") as batch:
        batch.drop_column("open_life_days")


def _proposals_of(kinds: tuple[str, ...], comment: str, before: str) -> None:
    check = op.f("ck_proposed_change_changekind")
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(check, type_="check")
        batch.create_check_constraint(check, f"kind IN ({', '.join(map(repr, kinds))})")
        batch.alter_column(
            "subject_id",
            existing_type=WHOLE,
            existing_nullable=False,
            comment=comment,
            existing_comment=before,
        )
