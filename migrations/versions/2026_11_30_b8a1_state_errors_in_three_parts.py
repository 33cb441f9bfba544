"""Know more kinds of instruments, and state how far off one may be in three parts.

What was kept as one share of the reading stays so; the other parts are not stated.

Revision ID: b8a1
Revises: f9c1
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b8a1"
down_revision = "f9c1"
branch_labels = None
depends_on = None

BEFORE = (
    "torque driver",
    "pressure gauge",
    "insulation tester",
    "multimeter",
    "thermometer",
    "gas detector",
    "height gauge",
    "flow meter",
)
ADDED = (
    "micrometer or thickness gauge",
    "scale",
    "milliohm meter",
    "press load cell",
    "helium leak detector",
    "oxygen monitor",
    "conductivity meter",
    "potentiostat",
    "cell voltage monitor",
)
COVERAGES = ("greatest deviation", "expanded, k = 2", "standard, k = 1")
KINDS_CHECK, COVERAGE_CHECK = "ck_instrument_instrumentkind", "ck_instrument_coverage"
PARTS = {
    "percent": "of_reading",
    "offset": "offset",
    "full_scale_percent": "of_full_scale",
}
OF_ACCURACY = {
    "accuracy_offset": "±, in unit",
    "accuracy_full_scale_percent": "± % of range_most",
}
OF_ERROR = {
    "error_offset": "the same, in the unit",
    "error_full_scale_percent": "the same, % of range",
}
SHARE_BEFORE = "% of reading, greatest deviation; none: as is usual for its kind"
SHARE = "± % of reading; none of the three stated: as is usual for its kind"
FOUND_BEFORE, FOUND = "as found, % of reading", "as found, shown less true, % of reading"


def upgrade() -> None:
    """Add kinds and columns; what is kept covers the greatest deviation."""
    op.get_context().opts["lift_triggers"]()
    coverage = sa.Column(
        "accuracy_coverage", sa.String(40), nullable=True, comment="what the three cover"
    )
    with op.batch_alter_table("instrument") as batch:
        for name, comment in OF_ACCURACY.items():
            batch.add_column(sa.Column(name, sa.Float(53), nullable=True, comment=comment))
        batch.add_column(coverage)
    op.execute(f"UPDATE instrument SET accuracy_coverage = '{COVERAGES[0]}'")  # noqa: S608
    with op.batch_alter_table("instrument") as batch:
        batch.alter_column("accuracy_coverage", existing_type=sa.String(40), nullable=False)
        batch.alter_column(
            "accuracy_percent",
            existing_type=sa.Float(53),
            comment=SHARE,
            existing_comment=SHARE_BEFORE,
        )
        batch.drop_constraint(op.f("ck_instrument_accuracy_is_not_negative"), type_="check")
        for part, name in PARTS.items():
            batch.create_check_constraint(
                op.f(f"ck_instrument_accuracy_{name}_is_not_negative"), f"accuracy_{part} >= 0"
            )
        batch.create_check_constraint(
            op.f(COVERAGE_CHECK), f"accuracy_coverage IN ({_listed(COVERAGES)})"
        )
        batch.drop_constraint(op.f(KINDS_CHECK), type_="check")
        batch.create_check_constraint(op.f(KINDS_CHECK), f"kind IN ({_listed(BEFORE + ADDED)})")
    with op.batch_alter_table("calibration") as batch:
        batch.alter_column(
            "error_percent",
            existing_type=sa.Float(53),
            comment=FOUND,
            existing_comment=FOUND_BEFORE,
        )
        for name, comment in OF_ERROR.items():
            batch.add_column(sa.Column(name, sa.Float(53), nullable=True, comment=comment))


def downgrade() -> None:
    """Forget the parts that are not a share of the reading; new kinds stand in the way."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("calibration") as batch:
        for name in OF_ERROR:
            batch.drop_column(name)
        batch.alter_column(
            "error_percent",
            existing_type=sa.Float(53),
            comment=FOUND_BEFORE,
            existing_comment=FOUND,
        )
    with op.batch_alter_table("instrument") as batch:
        batch.drop_constraint(op.f(KINDS_CHECK), type_="check")
        batch.create_check_constraint(op.f(KINDS_CHECK), f"kind IN ({_listed(BEFORE)})")
        batch.drop_constraint(op.f(COVERAGE_CHECK), type_="check")
        for name in PARTS.values():
            batch.drop_constraint(
                op.f(f"ck_instrument_accuracy_{name}_is_not_negative"), type_="check"
            )
        batch.create_check_constraint(
            op.f("ck_instrument_accuracy_is_not_negative"), "accuracy_percent >= 0"
        )
        batch.alter_column(
            "accuracy_percent",
            existing_type=sa.Float(53),
            comment=SHARE_BEFORE,
            existing_comment=SHARE,
        )
        for name in ("accuracy_coverage", *OF_ACCURACY):
            batch.drop_column(name)


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(repr(word) for word in words)
