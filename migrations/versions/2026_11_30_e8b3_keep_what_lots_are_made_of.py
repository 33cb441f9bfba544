"""Keep what a lot is made of: rolls, inks, moulds and coatings, themselves lots of materials.

Revision ID: e8b3
Revises: e7a2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e8b3"
down_revision = "e7a2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "lot_input"
ROLES = (
    *("membrane", "anode diffusion layer", "cathode diffusion layer", "catalyst ink"),
    *("frame adhesive", "hot-press run", "compound", "mould", "coating"),
)
KINDS = (
    *("MEA", "half plate", "gasket", "blank cell", "current collector", "insulator plate"),
    *("compression plate", "tie rod", "sleeve", "disc spring", "nut"),
)


def upgrade() -> None:
    """Make the table, and let a part type be a material."""
    _allow_kinds(*KINDS, "material")
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("lot_id", WHOLE, nullable=False),
        sa.Column("input_lot_id", WHOLE, nullable=False),
        sa.Column("role", sa.String(40), nullable=False),
        sa.Column(
            "since",
            sa.DateTime(timezone=True),
            nullable=True,
            comment="counts from then; none: from its making",
        ),
        sa.CheckConstraint(f"role IN {ROLES}", name=op.f(f"ck_{TABLE}_lotrole")),
        *(
            sa.ForeignKeyConstraint(
                [column], ["lot.id"], name=op.f(f"fk_{TABLE}_{column}_lot"), ondelete="RESTRICT"
            )
            for column in ("lot_id", "input_lot_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
        sa.UniqueConstraint(
            "lot_id",
            "input_lot_id",
            "role",
            name=op.f(f"uq_{TABLE}_lot_id_input_lot_id_role"),
        ),
    )
    op.create_index(op.f(f"ix_{TABLE}_input_lot_id"), TABLE, ["input_lot_id"])


def downgrade() -> None:
    """Forget what lots are made of; part types that are materials must be gone before."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
    _allow_kinds(*KINDS)


def _allow_kinds(*kinds: str) -> None:
    op.get_context().opts["lift_triggers"]()
    for table in ("part_type", "fixing"):
        name = op.f(f"ck_{table}_kind")
        with op.batch_alter_table(table) as batch:
            batch.drop_constraint(name, type_="check")
            batch.create_check_constraint(name, f"kind IN {kinds}")
