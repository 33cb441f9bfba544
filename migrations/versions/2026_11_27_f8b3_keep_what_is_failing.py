"""Keep rules of failing, what people confirmed by them, and what comparisons need.

Revision ID: f8b3
Revises: f1a6
Create Date: 2026-11-27
"""

import sqlalchemy as sa
from alembic import op

revision = "f8b3"
down_revision = "f1a6"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "failing_rule",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("version", WHOLE, nullable=False),
        sa.Column(
            "content",
            sa.Text(),
            nullable=False,
            comment="JSON: reference current density and criteria",
        ),
        sa.Column(
            "source", sa.Text(), nullable=False, comment="where the figures come from, in words"
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("version >= 1", name=op.f("ck_failing_rule_versions_count_from_one")),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_failing_rule_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_failing_rule_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failing_rule")),
        sa.UniqueConstraint("design_id", "version", name=op.f("uq_failing_rule_design_id_version")),
    )
    op.create_table(
        "failing_mark",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("rule_id", WHOLE, nullable=True, comment="in force when confirmed"),
        sa.Column(
            "failed_at",
            sa.DateTime(timezone=True),
            nullable=False,
            comment="since when, as the person says",
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False, comment="JSON: what the rule said then"),
        sa.Column("confirmed_by_id", WHOLE, nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_by_id", WHOLE, nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_because", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_by_id IS NULL)",
            name=op.f("ck_failing_mark_withdrawn_by_somebody"),
        ),
        sa.ForeignKeyConstraint(
            ["confirmed_by_id"],
            ["person.id"],
            name=op.f("fk_failing_mark_confirmed_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_failing_mark_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["rule_id"],
            ["failing_rule.id"],
            name=op.f("fk_failing_mark_rule_id_failing_rule"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["withdrawn_by_id"],
            ["person.id"],
            name=op.f("fk_failing_mark_withdrawn_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failing_mark")),
    )
    op.create_index("ix_failing_mark_part_id", "failing_mark", ["part_id"])
    op.create_index(
        "uq_failing_mark_part_id_standing",
        "failing_mark",
        ["part_id"],
        unique=True,
        sqlite_where=sa.text("withdrawn_at IS NULL"),
        postgresql_where=sa.text("withdrawn_at IS NULL"),
    )
    op.create_table(
        "rule_verdict",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("rule_id", WHOLE, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False, comment="where its newest voltage was taken"),
        sa.Column("answer", sa.String(40), nullable=False),
        sa.Column(
            "reasons",
            sa.Text(),
            nullable=False,
            comment="JSON: each criterion, in words with figures",
        ),
        sa.Column("figures", sa.Text(), nullable=False, comment="JSON: rate, hours, voltage, …"),
        sa.Column("judged_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_rule_verdict_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["rule_id"],
            ["failing_rule.id"],
            name=op.f("fk_rule_verdict_rule_id_failing_rule"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_rule_verdict_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.CheckConstraint(
            "answer IN ('met', 'not met', 'cannot be judged')",
            name=op.f("ck_rule_verdict_ruleanswer"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rule_verdict")),
        sa.UniqueConstraint("part_id", name=op.f("uq_rule_verdict_part_id")),
    )
    op.create_index("ix_rule_verdict_rule_id_answer", "rule_verdict", ["rule_id", "answer"])
    op.create_index("ix_rule_verdict_stack_id_answer", "rule_verdict", ["stack_id", "answer"])
    op.create_table(
        "build_makeup",
        sa.Column("build_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column(
            "packed", sa.Text(), nullable=False, comment="base64 of whole numbers, a row an MEA"
        ),
        sa.Column("written_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["build_id"],
            ["build.id"],
            name=op.f("fk_build_makeup_build_id_build"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_build_makeup_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_build_makeup_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("build_id", name=op.f("pk_build_makeup")),
    )
    op.create_index("ix_build_makeup_design_id", "build_makeup", ["design_id"])
    op.create_index("ix_build_makeup_stack_id", "build_makeup", ["stack_id"])


def downgrade() -> None:
    """Drop them."""
    op.drop_table("build_makeup")
    op.drop_table("rule_verdict")
    op.drop_table("failing_mark")
    op.drop_table("failing_rule")
