"""Keep tests of a closed stack, the arithmetic of its closing, and its releases to hydrogen.

Revision ID: d8e4
Revises: c7d2
Create Date: 2026-11-27
"""

import sqlalchemy as sa
from alembic import op

revision = "d8e4"
down_revision = "c7d2"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
KINDS = "ck_step_stepkind"
TESTS = ("leak test", "insulation test", "short check")
BEFORE = (
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
)


def upgrade() -> None:
    """Let entries be tests and make the tables."""
    allow((*BEFORE, *TESTS))
    table(
        "stack_test",
        {
            "record_id": "rebuild_record",
            "step_id": "step",
            "limit_set_id": "limit_set",
            "instrument_id": "instrument",
            "calibration_id": "calibration",
            "thermometer_id": "instrument",
            "thermometer_calibration_id": "calibration",
            "meter_id": "instrument",
            "meter_calibration_id": "calibration",
        },
        whole("record_id"),
        whole("step_id"),
        words("content", "RFC 8785 JSON of what was set and read"),
        words("result", "RFC 8785 JSON of what was computed from it"),
        sa.Column(
            "formula",
            sa.String(200),
            nullable=False,
            comment="name and version of what computed it",
        ),
        sa.Column("verdict", sa.String(40), nullable=False),
        whole("limit_set_id", "judged by it", nullable=True),
        whole("instrument_id"),
        whole("calibration_id", "valid when it was used", nullable=True),
        whole("thermometer_id", nullable=True),
        whole("thermometer_calibration_id", "valid when it was used", nullable=True),
        whole("meter_id", "flow meter, where one was read", nullable=True),
        whole("meter_calibration_id", "valid when it was used", nullable=True),
        sa.CheckConstraint(
            "verdict IN ('pass', 'fail', 'undecided', 'test again')",
            name=op.f("ck_stack_test_verdict"),
        ),
        sa.UniqueConstraint("step_id", name=op.f("uq_stack_test_step_id")),
    )
    op.create_index("ix_stack_test_record_id", "stack_test", ["record_id"])
    op.create_index("ix_stack_test_instrument_id", "stack_test", ["instrument_id"])
    table(
        "closing_result",
        {"record_id": "rebuild_record", "limit_set_id": "limit_set"},
        whole("record_id"),
        whole("limit_set_id", "computed with it, judged by it"),
        words("inputs", "RFC 8785 JSON: enough to compute it again"),
        sa.Column("inputs_sha256", sa.String(64), nullable=False),
        words("results", "RFC 8785 JSON"),
        sa.Column("results_sha256", sa.String(64), nullable=False),
        sa.Column(
            "formulas",
            sa.String(200),
            nullable=False,
            comment="names and versions of what computed it",
        ),
        sa.Column("computed_at", sa.DateTime(timezone=True), nullable=False),
    )
    op.create_index("ix_closing_result_record_id", "closing_result", ["record_id"])
    table(
        "build_release",
        {"build_id": "build", "limit_set_id": "limit_set", "released_by_id": "person"},
        whole("build_id"),
        whole("limit_set_id"),
        words("content", "RFC 8785 JSON: verdicts, set points acknowledged"),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        whole("released_by_id"),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=False),
    )
    op.create_index("ix_build_release_build_id", "build_release", ["build_id", "released_at"])


def downgrade() -> None:
    """Drop the tables; refused by the old rule where a test was noted."""
    op.drop_table("build_release")
    op.drop_table("closing_result")
    op.drop_table("stack_test")
    allow(BEFORE)


def allow(kinds: tuple[str, ...]) -> None:
    """Let entries be of these kinds only."""
    op.get_context().opts["lift_triggers"]()  # SQLite renames no table they speak of
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(KINDS), type_="check")
        batch.create_check_constraint(
            op.f(KINDS), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )


def table(name: str, keys: dict[str, str], *columns: sa.Column | sa.Constraint) -> None:
    """Make a table of rows with an id, which keep the rows they name."""
    op.create_table(
        name,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        *columns,
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{of}.id"],
                name=op.f(f"fk_{name}_{column}_{of}"),
                ondelete="RESTRICT",
            )
            for column, of in keys.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )


def whole(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A column that names a row."""
    return sa.Column(name, WHOLE, nullable=nullable, comment=comment)


def words(name: str, comment: str) -> sa.Column:
    """A column of text."""
    return sa.Column(name, sa.Text(), nullable=False, comment=comment)
