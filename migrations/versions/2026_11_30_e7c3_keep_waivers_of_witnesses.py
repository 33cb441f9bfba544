"""Keep leave to do without a witness, in one record or of one person until a time.

No line recorded before was done without the witness it asked for.

Revision ID: e7c3
Revises: e7b2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e7c3"
down_revision = "e7b2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
WHY = (
    "one person in the laboratory",
    "witness ill or away",
    "work outside working hours",
    "another reason",
)
CHECKS = {
    "of_a_record_or_until": "(record_id IS NULL) <> (until_at IS NULL)",
    "until_of_a_person": "(person_id IS NULL) = (until_at IS NULL)",
    "until_later": "until_at > given_at",
    "given_by_another": "given_by_id <> person_id",
    "waiverwhy": f"why IN ({', '.join(map(repr, WHY))})",
}


def upgrade() -> None:
    """Add the waivers, and let a make-safe line name one."""
    op.get_context().opts["lift_triggers"]()
    op.create_table(
        "witness_waiver",
        sa.Column("id", WHOLE, primary_key=True),
        _to("record_id", "rebuild_record"),
        _to("person_id", "person", comment="who works without a witness until then"),
        sa.Column("until_at", UTC, nullable=True),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        _to("given_by_id", "person", nullable=False),
        sa.Column("given_at", UTC, nullable=False),
        *(
            sa.CheckConstraint(condition, name=op.f(f"ck_witness_waiver_{name}"))
            for name, condition in CHECKS.items()
        ),
    )
    for column in ("record_id", "person_id"):
        op.create_index(op.f(f"ix_witness_waiver_{column}"), "witness_waiver", [column])
    with op.batch_alter_table("make_safe_line") as batch:
        batch.add_column(
            sa.Column(
                "waiver_id", WHOLE, nullable=True, comment="that let it be done without a witness"
            )
        )
        batch.create_foreign_key(
            op.f("fk_make_safe_line_waiver_id_witness_waiver"),
            "witness_waiver",
            ["waiver_id"],
            ["id"],
            ondelete="RESTRICT",
        )
        batch.create_check_constraint(
            op.f("ck_make_safe_line_witnessed_or_waived"),
            "waiver_id IS NULL OR witness_id IS NULL",
        )
    op.create_index(op.f("ix_make_safe_line_waiver_id"), "make_safe_line", ["waiver_id"])


def downgrade() -> None:
    """Forget the waivers; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_index(op.f("ix_make_safe_line_waiver_id"), "make_safe_line")
    with op.batch_alter_table("make_safe_line") as batch:
        batch.drop_constraint(op.f("ck_make_safe_line_witnessed_or_waived"), type_="check")
        batch.drop_constraint(
            op.f("fk_make_safe_line_waiver_id_witness_waiver"), type_="foreignkey"
        )
        batch.drop_column("waiver_id")
    op.drop_table("witness_waiver")


def _to(name: str, table: str, *, nullable: bool = True, comment: str | None = None) -> sa.Column:
    target = sa.ForeignKey(
        f"{table}.id", name=op.f(f"fk_witness_waiver_{name}_{table}"), ondelete="RESTRICT"
    )
    return sa.Column(name, WHOLE, target, nullable=nullable, comment=comment)
