"""Tell apart parts of one type that two makers gave the same serial.

The maker of a part of before is the supplier of its lot, where it is known.

Revision ID: e7b2
Revises: e7a1
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e7b2"
down_revision = "e7a1"
branch_labels = None
depends_on = None

COLUMNS = {
    "maker": "as typed; empty: not known",
    "maker_key": "without regard to case and space",
}
OLD = "uq_part_part_type_id_serial_key"
NEW = "uq_part_part_type_id_maker_key_serial_key"


def upgrade() -> None:
    """Add the maker to the key of a part."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("part") as batch:
        for name, comment in COLUMNS.items():
            batch.add_column(
                sa.Column(name, sa.String(), nullable=False, server_default="", comment=comment)
            )
    _carry_over(op.get_bind())
    with op.batch_alter_table("part") as batch:
        for name in COLUMNS:
            batch.alter_column(name, existing_type=sa.String(), server_default=None)
        batch.drop_constraint(op.f(OLD), type_="unique")
        batch.create_unique_constraint(op.f(NEW), ["part_type_id", "maker_key", "serial_key"])


def downgrade() -> None:
    """Refused by the old rule where two makers gave one serial."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("part") as batch:
        batch.drop_constraint(op.f(NEW), type_="unique")
        batch.create_unique_constraint(op.f(OLD), ["part_type_id", "serial_key"])
        for name in COLUMNS:
            batch.drop_column(name)


def _carry_over(connection: sa.Connection) -> None:
    lots = sa.table("lot", sa.column("id"), sa.column("supplier"))
    parts = sa.table(
        "part",
        *map(sa.column, ("lot_id", "serial", "maker", "maker_key")),
    )
    for lot in connection.execute(sa.select(lots).where(lots.c.supplier != "")).all():
        maker = " ".join(lot.supplier.split())
        connection.execute(
            sa.update(parts)
            .where(parts.c.lot_id == lot.id, parts.c.serial.is_not(None))
            .values(maker=maker, maker_key=maker.casefold())
        )
