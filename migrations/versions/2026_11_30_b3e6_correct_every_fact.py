"""Let corrections be of every fact: entries, findings, people, the head, layers too few or many.

An entry corrected is undone and written anew by its correction; a finding and somebody named keep
since when a correction says otherwise. What was before is known as it was.

Revision ID: b3e6
Revises: c9d2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b3e6"
down_revision = "c9d2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CHECK = "ck_correction_correctionof"
BEFORE = (
    "part in a layer",
    "facing of a layer",
    "fixing",
    "torque reading",
    "instrument of a torque reading",
    "hour-meter reading",
    "time of opening",
    "time of closing",
)
NEW = (
    "entry",
    "finding",
    "person named",
    "head of the record",
    "layer too few",
    "layer too many",
    "fixing too few",
    "fixing too many",
)
FACTS = "RFC 8785 JSON of what else is right: of a finding or a layer added afterwards"
NAMED_SINCE = "named by a correction since then; empty: by those who wrote the record"
INDEX = "ix_step_correction_id"


def upgrade() -> None:
    """Add the columns, empty for what was before."""
    op.get_context().opts["lift_triggers"]()
    _facts((*BEFORE, *NEW))
    with op.batch_alter_table("correction") as batch:
        batch.add_column(
            sa.Column(
                "field",
                sa.String(200),
                nullable=False,
                server_default="",
                comment="which of its facts, where a row has several",
            )
        )
        batch.add_column(sa.Column("new_facts", sa.Text(), nullable=True, comment=FACTS))
        batch.alter_column(
            "new_number",
            existing_type=sa.Float(53),
            comment="N·m, h, a number in the fact's unit, or the id of an instrument, person or"
            " lot",
        )
    with op.batch_alter_table("correction") as batch:
        batch.alter_column("field", existing_type=sa.String(200), server_default=None)
        for name in ("old_value", "new_value"):
            batch.alter_column(name, existing_type=sa.String(200), type_=sa.Text())
    with op.batch_alter_table("step") as batch:
        for name, table, comment in (
            (
                "correction_id",
                "correction",
                "that wrote this entry in place of another, or added it",
            ),
            ("replaces_id", "step", "the entry as it was before"),
        ):
            batch.add_column(sa.Column(name, WHOLE, nullable=True, comment=comment))
            batch.create_foreign_key(
                op.f(f"fk_step_{name}_{table}"), table, [name], ["id"], ondelete="RESTRICT"
            )
        batch.create_index(op.f(INDEX), ["correction_id"])
    with op.batch_alter_table("finding") as batch:
        batch.add_column(
            _time("known_until", "a correction withdrew it then, or put another in its place")
        )
    with op.batch_alter_table("record_person") as batch:
        batch.add_column(_time("known_from", NAMED_SINCE))
        batch.add_column(_time("known_until", "a correction says otherwise since"))


def downgrade() -> None:
    """Drop them; a correction of a new kind stands in the way."""
    op.get_context().opts["lift_triggers"]()
    _facts(BEFORE)
    with op.batch_alter_table("record_person") as batch:
        batch.drop_column("known_from")
        batch.drop_column("known_until")
    with op.batch_alter_table("finding") as batch:
        batch.drop_column("known_until")
    with op.batch_alter_table("step") as batch:
        batch.drop_index(op.f(INDEX))
        for name, table in (("correction_id", "correction"), ("replaces_id", "step")):
            batch.drop_constraint(op.f(f"fk_step_{name}_{table}"), type_="foreignkey")
            batch.drop_column(name)
    with op.batch_alter_table("correction") as batch:
        for name in ("old_value", "new_value"):
            batch.alter_column(name, existing_type=sa.Text(), type_=sa.String(200))
        batch.drop_column("field")
        batch.drop_column("new_facts")
        batch.alter_column(
            "new_number",
            existing_type=sa.Float(53),
            comment="N·m, h, or an instrument's id",
        )


def _time(name: str, comment: str) -> sa.Column[object]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=True, comment=comment)


def _facts(facts: tuple[str, ...]) -> None:
    with op.batch_alter_table("correction") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(
            op.f(CHECK), f"of_ IN ({', '.join(repr(fact) for fact in facts)})"
        )
