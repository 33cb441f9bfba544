"""Keep what an act leaves alone by the rules of a version of limits.

Versions of before have no rules: every act outdates every verdict and ends a release, as ever.

Revision ID: a7d1
Revises: b8a1
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a7d1"
down_revision = "b8a1"
branch_labels = None
depends_on = None

ACTS = (
    "re-torque",
    "clamp released and closed again",
    "changed part",
    "new load cycle",
    "correction",
)
SPARES = ("release", "leak")


def words(column: str, kinds: tuple[str, ...]) -> str:
    """Return the check that a column holds one of these."""
    return f"{column} IN ({', '.join(repr(kind) for kind in kinds)})"


def upgrade() -> None:
    """Lay the table of what is left alone."""
    key = sa.BigInteger().with_variant(sa.Integer, "sqlite")
    op.create_table(
        "spared",
        sa.Column("id", key, autoincrement=True, nullable=False),
        sa.Column("limit_set_id", key, nullable=False),
        sa.Column("act", sa.String(length=40), nullable=False),
        sa.Column("spares", sa.String(length=40), nullable=False),
        sa.CheckConstraint(words("act", ACTS), name=op.f("ck_spared_undoing")),
        sa.CheckConstraint(words("spares", SPARES), name=op.f("ck_spared_spares")),
        sa.ForeignKeyConstraint(
            ["limit_set_id"],
            ["limit_set.id"],
            name=op.f("fk_spared_limit_set_id_limit_set"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spared")),
        sa.UniqueConstraint(
            "limit_set_id", "act", "spares", name=op.f("uq_spared_limit_set_id_act_spares")
        ),
    )


def downgrade() -> None:
    """Take the table away."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("spared")
