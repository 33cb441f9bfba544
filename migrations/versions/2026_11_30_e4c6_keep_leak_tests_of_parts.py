"""Keep leak tests of plates and parts of the pile, and searches for the cell that leaks.

Revision ID: e4c6
Revises: c4a6
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "e4c6"
down_revision = "c4a6"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.DateTime(timezone=True)
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
    "nuts run down to hold",
)
TEST = "part_leak_test"
TESTED = "part_leak_tested"
INSTRUMENTS = ("instrument_id", "thermometer_id", "meter_id")
REFERENCES = {
    "limit_set_id": "limit_set",
    "instrument_id": "instrument",
    "calibration_id": "calibration",
    "thermometer_id": "instrument",
    "thermometer_calibration_id": "calibration",
    "meter_id": "instrument",
    "meter_calibration_id": "calibration",
    "record_id": "rebuild_record",
    "by_id": "person",
    "ended_by_id": "person",
}
RULES = {
    "leakobject": "leak_object IN"
    " ('anode half plate', 'cathode half plate', 'pair of half plates', 'part of the pile')",
    "verdict": "verdict IN ('pass', 'fail', 'undecided', 'test again')",
    "ending": "ended_as IN ('taken apart', 'entered wrongly')",
    "ended_as_a_whole": "(ended_at IS NULL) = (ended_as IS NULL)"
    " AND (ended_at IS NULL) = (ended_because IS NULL)"
    " AND (ended_at IS NULL) = (ended_by_id IS NULL)",
    "deviation_has_its_reason": "(deviation IS NULL) = (deviation_because IS NULL)",
}


def upgrade() -> None:
    """Add the tables, and let an acceptance rest on such a test; none rests on one before."""
    op.get_context().opts["lift_triggers"]()
    _allow((*KINDS, "leak search"))
    op.create_table(
        TEST,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("leak_object", sa.String(40), nullable=False),
        sa.Column("fixture", sa.String(200), nullable=False, comment="what it stood in, in words"),
        _whole("record_id", comment="a part of the pile of this record's open stack"),
        sa.Column("done_at", TIME, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("deviation", sa.Text(), nullable=True, comment="what departs from what was set"),
        sa.Column("deviation_because", sa.Text(), nullable=True),
        _whole("by_id", nullable=False),
        sa.Column("written_at", TIME, nullable=False),
        sa.Column("ended_at", TIME, nullable=True),
        sa.Column("ended_as", sa.String(40), nullable=True),
        sa.Column("ended_because", sa.Text(), nullable=True),
        _whole("ended_by_id"),
        _words("content", "RFC 8785 JSON of what was set and read"),
        _words("result", "RFC 8785 JSON of what was computed from it"),
        sa.Column(
            "formula",
            sa.String(200),
            nullable=False,
            comment="name and version of what computed it",
        ),
        sa.Column("verdict", sa.String(40), nullable=False),
        _whole("limit_set_id", comment="judged by it"),
        _whole("instrument_id", nullable=False),
        _whole("calibration_id", comment="valid when it was used"),
        _whole("thermometer_id"),
        _whole("thermometer_calibration_id", comment="valid when it was used"),
        _whole("meter_id", comment="flow meter, where one was read"),
        _whole("meter_calibration_id", comment="valid when it was used"),
        *(_refers(TEST, column, table) for column, table in REFERENCES.items()),
        *(sa.CheckConstraint(rule, name=op.f(f"ck_{TEST}_{name}")) for name, rule in RULES.items()),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TEST}")),
    )
    for column in ("record_id", *INSTRUMENTS):
        op.create_index(op.f(f"ix_{TEST}_{column}"), TEST, [column])
    op.create_table(
        TESTED,
        _whole("test_id", nullable=False),
        _whole("place", nullable=False, comment="from 1"),
        _whole("part_id", nullable=False),
        _refers(TESTED, "test_id", TEST),
        _refers(TESTED, "part_id", "part"),
        sa.PrimaryKeyConstraint("test_id", "place", name=op.f(f"pk_{TESTED}")),
    )
    op.create_index(op.f(f"ix_{TESTED}_part_id"), TESTED, ["part_id"])
    with op.batch_alter_table("accepted_used") as batch:
        batch.add_column(_whole("leak_test_id", comment="it rests on"))
        batch.create_foreign_key(
            op.f(f"fk_accepted_used_leak_test_id_{TEST}"),
            TEST,
            ["leak_test_id"],
            ["id"],
            ondelete="RESTRICT",
        )


def downgrade() -> None:
    """Drop the tables; a search that was entered stands in the way."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("accepted_used") as batch:
        batch.drop_constraint(op.f(f"fk_accepted_used_leak_test_id_{TEST}"), type_="foreignkey")
        batch.drop_column("leak_test_id")
    op.drop_table(TESTED)
    op.drop_table(TEST)
    _allow(KINDS)


def _whole(name: str, *, nullable: bool = True, comment: str | None = None) -> sa.Column[int]:
    return sa.Column(name, WHOLE, nullable=nullable, comment=comment)


def _words(name: str, comment: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False, comment=comment)


def _refers(of: str, column: str, table: str) -> sa.ForeignKeyConstraint:
    name = op.f(f"fk_{of}_{column}_{table}")
    return sa.ForeignKeyConstraint([column], [f"{table}.id"], name=name, ondelete="RESTRICT")


def _allow(kinds: tuple[str, ...]) -> None:
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f(CHECK), type_="check")
        batch.create_check_constraint(
            op.f(CHECK), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )
