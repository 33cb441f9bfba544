"""Keep the heights measured at the corners of a closed stack after each pass.

Revision ID: b6c2
Revises: c8e5
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b6c2"
down_revision = "c8e5"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CHECK = "ck_step_stepkind"
KINDS = (
    "make-safe line",
    "exception to make-safe",
    "opened",
    "lifted off",
    "put on",
    "fixing removed",
    "fixing fitted",
    "finding",
    "torque reading",
    "hour reading",
    "closed",
    "departure from the design",
    "closing check",
    "leak test",
    "insulation test",
    "short check",
    "not done",
    "torque tool set",
    "nut tightened by a click tool",
    "bump test",
    "handover",
)
REFERS = {
    "record_id": "rebuild_record",
    "step_id": "step",
    "instrument_id": "instrument",
    "calibration_id": "calibration",
    "concession_id": "concession",
}


def upgrade() -> None:
    """Add the table; nothing is known of closings before."""
    op.get_context().opts["lift_triggers"]()
    _allow((*KINDS, "heights at corners"))
    op.create_table(
        "corner_height",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("step_id", WHOLE, nullable=False),
        sa.Column("pass_number", WHOLE, nullable=False),
        _column("corner", sa.String(200), "its name as the design's figures had it"),
        _column("x_mm", sa.Float(53), "from the plate's middle, as it was then"),
        sa.Column("y_mm", sa.Float(53), nullable=False),
        _column("height_mm", sa.Float(53), "over both compression plates"),
        sa.Column("instrument_id", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True, comment="valid when it was taken"),
        sa.Column("concession_id", WHOLE, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_corner_height")),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_corner_height_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in REFERS.items()
        ),
        sa.UniqueConstraint("step_id", "corner", name=op.f("uq_corner_height_step_id_corner")),
        sa.CheckConstraint("height_mm > 0", name=op.f("ck_corner_height_height_is_more_than_zero")),
    )
    op.create_index("ix_corner_height_record_id", "corner_height", ["record_id", "pass_number"])
    op.create_index(op.f("ix_corner_height_instrument_id"), "corner_height", ["instrument_id"])


def downgrade() -> None:
    """Drop the table; an entry of it stands in the way."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("corner_height")
    _allow(KINDS)


def _column(name: str, kind: sa.types.TypeEngine[object], comment: str) -> sa.Column[object]:
    return sa.Column(name, kind, nullable=False, comment=comment)


def _allow(kinds: tuple[str, ...]) -> None:
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(
            op.f(CHECK), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )
