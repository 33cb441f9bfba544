"""Keep who made a password, and revoke the tokens of whoever is shut out.

Passwords of before count as their people's own.

Revision ID: f2b6
Revises: e3a9
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "f2b6"
down_revision = "e3a9"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
TABLE = "password_made"
NOW = {"sqlite": "strftime('%Y-%m-%d %H:%M:%f000', 'now')", "postgresql": "now()"}
CHECKS = {
    "made_by_another": "made_by_id <> person_id",
    "confirmed_by_a_third": "confirmed_by_id <> person_id AND confirmed_by_id <> made_by_id",
    "chosen_before_confirmed": (
        "made_by_id IS NULL OR confirmed_at IS NULL OR changed_at IS NOT NULL"
    ),
    "confirmed_once": "confirmed_by_id IS NULL OR confirmed_at IS NOT NULL",
    "changed_in_a_session": "(changed_at IS NULL) = (changed_in IS NULL)",
}


def upgrade() -> None:
    """Make the table; end the tokens of people who are shut out."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("made_by_id", WHOLE, nullable=True, comment="none: the command line"),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("changed_at", UTC, nullable=True, comment="when the person chose another one"),
        sa.Column(
            "changed_in", sa.String(64), nullable=True, comment="hash of the session's secret"
        ),
        sa.Column("confirmed_by_id", WHOLE, nullable=True, comment="none: the command line"),
        sa.Column("confirmed_at", UTC, nullable=True),
        *(
            sa.CheckConstraint(condition, name=op.f(f"ck_{TABLE}_{name}"))
            for name, condition in CHECKS.items()
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                ["person.id"],
                name=op.f(f"fk_{TABLE}_{column}_person"),
                ondelete="RESTRICT",
            )
            for column in ("person_id", "made_by_id", "confirmed_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_person_id"), TABLE, ["person_id"])
    now = NOW[op.get_bind().dialect.name]
    op.get_bind().exec_driver_sql(
        f"UPDATE api_token SET revoked_at = {now} WHERE revoked_at IS NULL"  # noqa: S608 - our own
        " AND person_id IN (SELECT id FROM person WHERE NOT active)"
    )


def downgrade() -> None:
    """Forget who made passwords; the tokens stay revoked."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
