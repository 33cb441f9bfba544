"""Let a person's word on an MEA say which of three it is, and keep what it rests on.

Every word until now meant “failed” by the voltage: each is kept as that, withdrawn ones too.

Revision ID: e7a2
Revises: d8b1
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e7a2"
down_revision = "d8b1"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "failing_ground"
CHECKS = {
    "groundkind": "kind IN ('voltage', 'hours', 'crossover', 'short', 'leak', 'finding')",
    "a_finding_names_itself": "(kind = 'finding') = (finding_id IS NOT NULL)",
    "what_is_read_names_its_test": (
        "(kind IN ('crossover', 'short', 'leak')) = (test_id IS NOT NULL)"
    ),
}
REFERENCES = {"mark_id": "failing_mark", "finding_id": "finding", "test_id": "stack_test"}


def upgrade() -> None:
    """Add the word and the table of grounds; carry over what was said."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("failing_mark") as batch:
        batch.add_column(sa.Column("says", sa.String(40), nullable=True))
    op.execute("UPDATE failing_mark SET says = 'failed'")
    with op.batch_alter_table("failing_mark") as batch:
        batch.alter_column("says", existing_type=sa.String(40), nullable=False)
        batch.create_check_constraint(
            op.f("ck_failing_mark_meaword"), "says IN ('failed', 'suspected', 'end of life')"
        )
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("mark_id", WHOLE, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("finding_id", WHOLE, nullable=True),
        sa.Column("test_id", WHOLE, nullable=True),
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
    op.create_index(op.f(f"ix_{TABLE}_mark_id"), TABLE, ["mark_id"])
    op.execute(
        f"INSERT INTO {TABLE} (mark_id, kind) SELECT id, 'voltage' FROM failing_mark ORDER BY id"  # noqa: S608
    )


def downgrade() -> None:
    """Forget the grounds; only words that said “failed” stay."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
    other = "(SELECT id FROM failing_mark WHERE says <> 'failed')"
    op.execute(f"UPDATE hold SET failing_mark_id = NULL WHERE failing_mark_id IN {other}")  # noqa: S608
    op.execute(f"DELETE FROM failing_mark WHERE id IN {other}")  # noqa: S608
    with op.batch_alter_table("failing_mark") as batch:
        batch.drop_constraint(op.f("ck_failing_mark_meaword"), type_="check")
        batch.drop_column("says")
