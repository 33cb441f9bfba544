"""Keep how a stack was held that is closed to height or by press force.

Revision ID: d3f8
Revises: b6c2
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "d3f8"
down_revision = "b6c2"
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
    "heights at corners",
)
REFERS = {
    "record_id": "rebuild_record",
    "step_id": "step",
    "load_cell_id": "instrument",
    "load_cell_calibration_id": "calibration",
    "load_cell_concession_id": "concession",
    "gauge_id": "instrument",
    "gauge_calibration_id": "calibration",
    "gauge_concession_id": "concession",
}
RULES = {
    "closingmode": "mode IN ('to torque', 'to height', 'by press force')",
    "heldby": "held_by IN ('hard stop', 'gauge')",
    "held_otherwise_than_by_torque": "mode <> 'to torque'",
    "to_height_by_stop_or_gauge": "mode <> 'to height' OR held_by IS NOT NULL",
    "by_force_with_its_readings": "mode <> 'by press force'"
    " OR (force_kn IS NOT NULL AND height_before_mm IS NOT NULL)",
    "force_by_a_load_cell": "(force_kn IS NULL) = (load_cell_id IS NULL)",
}


def upgrade() -> None:
    """Add the table; every closing before went by its torques."""
    op.get_context().opts["lift_triggers"]()
    _allow((*KINDS, "nuts run down to hold"))

    def whole(name: str, *, nullable: bool = True) -> sa.Column[int]:
        return sa.Column(name, WHOLE, nullable=nullable)

    op.create_table(
        "held_closing",
        whole("id", nullable=False),
        whole("record_id", nullable=False),
        whole("step_id", nullable=False),
        sa.Column("mode", sa.String(40), nullable=False, comment="as it was closed"),
        sa.Column("held_by", sa.String(40), nullable=True),
        sa.Column("press", sa.String(200), nullable=False, comment="mark on the press"),
        sa.Column(
            "force_kn",
            sa.Float(53),
            nullable=True,
            comment="held while the nuts were run down",
        ),
        whole("load_cell_id"),
        whole("load_cell_calibration_id"),
        whole("load_cell_concession_id"),
        sa.Column("height_before_mm", sa.Float(53), nullable=True, comment="under the press"),
        sa.Column("height_after_mm", sa.Float(53), nullable=False, comment="once it was let off"),
        whole("gauge_id", nullable=False),
        whole("gauge_calibration_id"),
        whole("gauge_concession_id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_held_closing")),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_held_closing_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in REFERS.items()
        ),
        sa.UniqueConstraint("step_id", name=op.f("uq_held_closing_step_id")),
        *(
            sa.CheckConstraint(rule, name=op.f(f"ck_held_closing_{name}"))
            for name, rule in RULES.items()
        ),
    )
    op.create_index("ix_held_closing_record_id", "held_closing", ["record_id"])
    for column in ("load_cell_id", "gauge_id"):
        op.create_index(op.f(f"ix_held_closing_{column}"), "held_closing", [column])


def downgrade() -> None:
    """Drop the table; an entry of it stands in the way."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("held_closing")
    _allow(KINDS)


def _allow(kinds: tuple[str, ...]) -> None:
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(
            op.f(CHECK), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )
