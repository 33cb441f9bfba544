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
    table(
        "failing_rule",
        {
            "design_id": "design",
            "by_id": "person",
        },
        whole("design_id"),
        whole("version"),
        words("content", "JSON: reference current density and criteria"),
        words("source", "where the figures come from, in words"),
        words("reason"),
        whole("by_id"),
        moment("made_at"),
        holds("failing_rule", "versions_count_from_one", "version >= 1"),
        once("failing_rule", "design_id", "version"),
    )
    table(
        "rule_verdict",
        {
            "part_id": "part",
            "rule_id": "failing_rule",
            "stack_id": "stack",
        },
        whole("part_id"),
        whole("rule_id"),
        whole("stack_id", "where its newest voltage was taken"),
        sa.Column("answer", sa.String(40), nullable=False),
        holds("rule_verdict", "ruleanswer", "answer IN ('met', 'not met', 'cannot be judged')"),
        words("reasons", "JSON: each criterion, in words with figures"),
        words("figures", "JSON: rate, hours, voltage, …"),
        moment("judged_at"),
        once("rule_verdict", "part_id"),
    )
    op.create_index("ix_rule_verdict_rule_id_answer", "rule_verdict", ["rule_id", "answer"])
    op.create_index("ix_rule_verdict_stack_id_answer", "rule_verdict", ["stack_id", "answer"])
    table(
        "failing_mark",
        {
            "part_id": "part",
            "rule_id": "failing_rule",
            "confirmed_by_id": "person",
            "withdrawn_by_id": "person",
        },
        whole("part_id"),
        whole("rule_id", "in force when confirmed", nullable=True),
        moment("failed_at", "since when, as the person says"),
        words("reason"),
        words("evidence", "JSON: what the rule said then"),
        whole("confirmed_by_id"),
        moment("confirmed_at"),
        whole("withdrawn_by_id", nullable=True),
        moment("withdrawn_at", nullable=True),
        words("withdrawn_because"),
        holds(
            "failing_mark",
            "withdrawn_by_somebody",
            "(withdrawn_at IS NULL) = (withdrawn_by_id IS NULL)",
        ),
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
        "build_makeup",
        sa.Column("build_id", WHOLE, autoincrement=False, nullable=False),
        whole("stack_id"),
        whole("design_id"),
        words("packed", "base64 of whole numbers, a row an MEA"),
        moment("written_at"),
        *(
            sa.ForeignKeyConstraint(
                [f"{of}_id"],
                [f"{of}.id"],
                name=op.f(f"fk_build_makeup_{of}_id_{of}"),
                ondelete="RESTRICT",
            )
            for of in ("build", "stack", "design")
        ),
        sa.PrimaryKeyConstraint("build_id", name=op.f("pk_build_makeup")),
    )
    op.create_index("ix_build_makeup_design_id", "build_makeup", ["design_id"])
    op.create_index("ix_build_makeup_stack_id", "build_makeup", ["stack_id"])


def downgrade() -> None:
    """Drop them."""
    op.drop_table("build_makeup")
    op.drop_table("failing_mark")
    op.drop_table("rule_verdict")
    op.drop_table("failing_rule")


def table(name: str, keys: dict[str, str], *columns: sa.Column | sa.Constraint) -> None:
    """Make a table of rows with an id, which keep the rows they name."""
    named = (
        sa.ForeignKeyConstraint(
            [column], [f"{of}.id"], name=op.f(f"fk_{name}_{column}_{of}"), ondelete="RESTRICT"
        )
        for column, of in keys.items()
    )
    op.create_table(
        name,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        *columns,
        *named,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )


def holds(of: str, name: str, rule: str) -> sa.Constraint:
    """A rule every row keeps."""
    return sa.CheckConstraint(rule, name=op.f(f"ck_{of}_{name}"))


def once(of: str, *columns: str) -> sa.Constraint:
    """Values no two rows share."""
    return sa.UniqueConstraint(*columns, name=op.f(f"uq_{of}_{'_'.join(columns)}"))


def whole(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A whole number, or the id of a row."""
    return sa.Column(name, WHOLE, nullable=nullable, comment=comment)


def words(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """Text of any length."""
    return sa.Column(name, sa.Text(), nullable=nullable, comment=comment)


def moment(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A time in UTC."""
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable, comment=comment)
