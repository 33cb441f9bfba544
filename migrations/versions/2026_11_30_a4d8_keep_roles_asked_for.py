"""Keep the roles an admin asks for themself, until a second admin decides or a day has passed.

Revision ID: a4d8
Revises: f2b6
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a4d8"
down_revision = "f2b6"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
TABLE = "role_request"
CHECKS = {
    "role": "role IN ('builder', 'quality', 'supervisor', 'admin')",
    "decided_by_somebody": (
        "(decided_at IS NULL) = (decided_by_id IS NULL)"
        " AND (decided_at IS NULL) = (granted IS NULL)"
    ),
    "alone_after_a_day": (
        "decided_by_id IS NULL OR NOT granted OR decided_at >= alone_from"
        " OR (decided_by_id <> asked_by_id AND decided_by_id <> person_id)"
    ),
}


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("role", sa.String(40), nullable=False),
        sa.Column("asked_by_id", WHOLE, nullable=False),
        sa.Column("asked_at", UTC, nullable=False),
        sa.Column("alone_from", UTC, nullable=False, comment="when one admin alone may grant it"),
        sa.Column("decided_by_id", WHOLE, nullable=True),
        sa.Column("decided_at", UTC, nullable=True),
        sa.Column("granted", sa.Boolean(), nullable=True),
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
            for column in ("person_id", "asked_by_id", "decided_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    waiting = sa.text("decided_at IS NULL")
    op.create_index(
        f"uq_{TABLE}_person_id_role_waiting",
        TABLE,
        ["person_id", "role"],
        unique=True,
        sqlite_where=waiting,
        postgresql_where=waiting,
    )


def downgrade() -> None:
    """Forget what waits; roles given stay."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
