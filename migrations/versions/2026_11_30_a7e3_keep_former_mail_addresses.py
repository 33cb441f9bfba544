"""Keep the mail addresses people had, so that two accounts stay alike after one is changed.

Until this step a mail address could not be changed: there are none of before.

Revision ID: a7e3
Revises: d6a4
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a7e3"
down_revision = "d6a4"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "former_mail"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("mail", sa.String(200), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f(f"fk_{TABLE}_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_person_id"), TABLE, ["person_id"])


def downgrade() -> None:
    """Forget them; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
