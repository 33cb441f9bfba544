"""Keep the type of a torque driver, what a click tool was set to, and how each nut answered it.

Drivers of before are carried over as reading tools: their readings were entered, and no column
said otherwise.

Revision ID: a2c9
Revises: c7b4
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a2c9"
down_revision = "c7b4"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TOOLS = ("click", "slipping", "dial or electronic")
PRESSES = ("clicked", "moved", "not moved")
TESTER = "torque tester"
INSTRUMENTS = (
    "torque driver",
    "pressure gauge",
    "insulation tester",
    "multimeter",
    "thermometer",
    "gas detector",
    "height gauge",
    "flow meter",
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
STEPS = (
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
)
NEW_STEPS = ("torque tool set", "nut tightened by a click tool")
DRIVER_SAYS = "ck_instrument_torque_driver_says_its_type"
AT_A_SETTING = "ck_torque_reading_pressed_at_a_setting"
SET_TO = "fk_torque_reading_setting_id_tool_setting"
NM = "N·m"


def upgrade() -> None:
    """Add the columns and the table of settings; every driver reads."""
    op.get_context().opts["lift_triggers"]()
    _types_of_drivers()
    _kinds("step", "ck_step_stepkind", (*STEPS, *NEW_STEPS))
    _settings()
    with op.batch_alter_table("torque_reading") as batch:
        batch.add_column(
            sa.Column(
                "press",
                sa.String(40),
                sa.CheckConstraint(_in("press", PRESSES), name=op.f("ck_torque_reading_press")),
                nullable=True,
                comment="how the nut answered a click tool; none: it was read",
            )
        )
        batch.add_column(sa.Column("setting_id", WHOLE, nullable=True))
        batch.alter_column(
            "torque_nm", comment="N·m; of a pressed nut no reading, but what the tool was set to"
        )
        batch.create_foreign_key(
            op.f(SET_TO), "tool_setting", ["setting_id"], ["id"], ondelete="RESTRICT"
        )
        batch.create_check_constraint(op.f(AT_A_SETTING), "(press IS NULL) = (setting_id IS NULL)")


def downgrade() -> None:
    """Drop them; a nut pressed, a tester or a tool set stands in the way of the old rules."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("torque_reading") as batch:
        batch.drop_constraint(op.f(AT_A_SETTING), type_="check")
        batch.drop_constraint(op.f(SET_TO), type_="foreignkey")
        batch.drop_constraint(op.f("ck_torque_reading_press"), type_="check")
        batch.alter_column("torque_nm", comment=NM)
        batch.drop_column("setting_id")
        batch.drop_column("press")
    op.drop_table("tool_setting")
    _kinds("step", "ck_step_stepkind", STEPS)
    with op.batch_alter_table("instrument") as batch:
        batch.drop_constraint(op.f(DRIVER_SAYS), type_="check")
        batch.drop_constraint(op.f("ck_instrument_torquetool"), type_="check")
        batch.drop_column("tool")
    _kinds("instrument", "ck_instrument_instrumentkind", INSTRUMENTS)


def _types_of_drivers() -> None:
    _kinds("instrument", "ck_instrument_instrumentkind", (*INSTRUMENTS, TESTER))
    with op.batch_alter_table("instrument") as batch:
        batch.add_column(
            sa.Column(
                "tool",
                sa.String(40),
                sa.CheckConstraint(_in("tool", TOOLS), name=op.f("ck_instrument_torquetool")),
                nullable=True,
                comment="type of a torque driver; a click or slipping tool reads nothing",
            )
        )
    op.execute("UPDATE instrument SET tool = 'dial or electronic' WHERE kind = 'torque driver'")
    with op.batch_alter_table("instrument") as batch:
        batch.create_check_constraint(
            op.f(DRIVER_SAYS), "(kind = 'torque driver') = (tool IS NOT NULL)"
        )


def _settings() -> None:
    def number(name: str, **more: object) -> sa.Column[int]:
        return sa.Column(name, WHOLE, **more)

    def torque(name: str, comment: str, *, nullable: bool = False) -> sa.Column[float]:
        return sa.Column(name, sa.Float(53), nullable=nullable, comment=comment)

    valid = "valid when it was set"
    refers = {
        "record_id": "rebuild_record",
        "step_id": "step",
        "instrument_id": "instrument",
        "calibration_id": "calibration",
        "concession_id": "concession",
        "tester_id": "instrument",
        "tester_calibration_id": "calibration",
        "tester_concession_id": "concession",
    }
    op.create_table(
        "tool_setting",
        number("id", nullable=False),
        number("record_id", nullable=False),
        number("step_id", nullable=False),
        number("pass_number", nullable=False),
        sa.Column("moment", sa.String(40), nullable=False),
        torque("set_nm", NM),
        sa.Column("entered", sa.String(200), nullable=False, comment="as typed, with its unit"),
        number("instrument_id", nullable=False),
        number("calibration_id", nullable=True, comment=valid),
        number("concession_id", nullable=True),
        torque("checked_nm", "N·m, as the tester read; none: not", nullable=True),
        sa.Column(
            "checked_entered", sa.String(200), nullable=False, comment="as typed, with its unit"
        ),
        number("tester_id", nullable=True),
        number("tester_calibration_id", nullable=True),
        number("tester_concession_id", nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool_setting")),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=op.f(f"fk_tool_setting_{column}_{table}"),
                ondelete="RESTRICT",
            )
            for column, table in refers.items()
        ),
        sa.UniqueConstraint("step_id", name=op.f("uq_tool_setting_step_id")),
        sa.CheckConstraint(
            _in("moment", ("before", "after")), name=op.f("ck_tool_setting_toolcheck")
        ),
        sa.CheckConstraint("set_nm > 0", name=op.f("ck_tool_setting_set_to_more_than_zero")),
        sa.CheckConstraint(
            "(checked_nm IS NULL) = (tester_id IS NULL)",
            name=op.f("ck_tool_setting_checked_on_a_tester"),
        ),
        sa.CheckConstraint(
            "moment = 'before' OR checked_nm IS NOT NULL",
            name=op.f("ck_tool_setting_after_is_checked"),
        ),
    )
    op.create_index("ix_tool_setting_record_id", "tool_setting", ["record_id", "pass_number"])
    for column in ("instrument_id", "tester_id"):
        op.create_index(op.f(f"ix_tool_setting_{column}"), "tool_setting", [column])


def _kinds(table: str, check: str, words: tuple[str, ...]) -> None:
    with op.batch_alter_table(table) as batch:
        batch.drop_constraint(op.f(check), type_="check")
        batch.create_check_constraint(op.f(check), _in("kind", words))


def _in(column: str, words: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(word) for word in words)})"
