"""Keep limits and figures of a design in versions, and what parts and instruments add to them.

A part type says what it gives under load, a part how thick it was measured, an instrument how far
it may be off.

Revision ID: c7d2
Revises: b6d1
Create Date: 2026-11-27
"""

import sqlalchemy as sa
from alembic import op

revision = "c7d2"
down_revision = "b6d1"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
THICKNESS = "ck_part_measured_thickness_is_positive"
ACCURACY = "ck_instrument_accuracy_is_not_negative"
RESOLUTION = "ck_instrument_resolution_is_not_negative"


def upgrade() -> None:
    """Make the table and the columns."""
    op.get_context().opts["lift_triggers"]()
    op.create_table(
        "limit_set",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("version", WHOLE, nullable=False),
        sa.Column(
            "content",
            sa.Text(),
            nullable=False,
            comment="RFC 8785 JSON of the figures and limits",
        ),
        sa.Column("content_sha256", sa.String(length=64), nullable=False),
        sa.Column(
            "source", sa.Text(), nullable=False, comment="where the figures come from, in words"
        ),
        sa.Column("reason", sa.Text(), nullable=False, comment="why this version is made"),
        sa.Column("made_by_id", WHOLE, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("approved_by_id", WHOLE, nullable=True),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("version >= 1", name=op.f("ck_limit_set_versions_count_from_one")),
        sa.CheckConstraint(
            "(approved_at IS NULL) = (approved_by_id IS NULL)",
            name=op.f("ck_limit_set_approved_by_somebody"),
        ),
        sa.CheckConstraint(
            "approved_by_id IS NULL OR approved_by_id <> made_by_id",
            name=op.f("ck_limit_set_approved_by_another"),
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_limit_set_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in (
                ("design_id", "design"),
                ("made_by_id", "person"),
                ("approved_by_id", "person"),
            )
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_limit_set")),
        sa.UniqueConstraint("design_id", "version", name=op.f("uq_limit_set_design_id_version")),
    )
    with op.batch_alter_table("part_type") as batch:
        batch.add_column(
            sa.Column(
                "stiffness",
                sa.Text(),
                nullable=True,
                comment="JSON: what it gives under load; none: not known",
            )
        )
    with op.batch_alter_table("part") as batch:
        batch.add_column(
            sa.Column(
                "measured_thickness_mm",
                sa.Float(53),
                nullable=True,
                comment="mm, free, by incoming inspection; none: not measured",
            )
        )
        batch.create_check_constraint(
            op.f(THICKNESS), "measured_thickness_mm IS NULL OR measured_thickness_mm > 0"
        )
    with op.batch_alter_table("instrument") as batch:
        batch.add_column(
            sa.Column(
                "accuracy_percent",
                sa.Float(53),
                nullable=True,
                comment="% of reading, greatest deviation; none: as is usual for its kind",
            )
        )
        batch.add_column(
            sa.Column(
                "resolution",
                sa.Float(53),
                nullable=True,
                comment="smallest step shown, in unit",
            )
        )
        batch.create_check_constraint(op.f(ACCURACY), "accuracy_percent >= 0")
        batch.create_check_constraint(op.f(RESOLUTION), "resolution >= 0")


def downgrade() -> None:
    """Drop them, with what is in them."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("instrument") as batch:
        batch.drop_constraint(op.f(RESOLUTION), type_="check")
        batch.drop_constraint(op.f(ACCURACY), type_="check")
        batch.drop_column("resolution")
        batch.drop_column("accuracy_percent")
    with op.batch_alter_table("part") as batch:
        batch.drop_constraint(op.f(THICKNESS), type_="check")
        batch.drop_column("measured_thickness_mm")
    with op.batch_alter_table("part_type") as batch:
        batch.drop_column("stiffness")
    op.drop_table("limit_set")
