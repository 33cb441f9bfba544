"""Keep runs of test benches, the voltages in them, tap maps and reports of hour meters.

Revision ID: f1a6
Revises: e9f5
Create Date: 2026-11-27
"""

import sqlalchemy as sa
from alembic import op

revision = "f1a6"
down_revision = "e9f5"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    table(
        "run",
        {
            "stack_id": "stack",
            "added_by_id": "person",
        },
        whole("stack_id"),
        sa.Column("kind", sa.String(40), nullable=False),
        holds("run", "runkind", "kind IN ('log', 'sweep')"),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        whole("size_bytes"),
        name("name", "of the file, as given"),
        words("note"),
        whole("added_by_id"),
        moment("added_at"),
        holds("run", "size_is_positive", "size_bytes > 0"),
        once("run", "content_sha256"),
    )
    op.create_index("ix_run_stack_id", "run", ["stack_id"])
    table(
        "run_reading",
        {
            "run_id": "run",
            "stack_id": "stack",
            "build_id": "build",
            "meter_id": "hour_meter",
            "by_id": "person",
        },
        whole("run_id"),
        whole("stack_id"),
        whole("build_id"),
        words("mapping", "JSON: which column says what"),
        name("formula", "name and version of what read it"),
        moment("began_at", "first row"),
        moment("ended_at", "last row"),
        whole("row_count"),
        number("recorded_hours", "h covered by rows, gaps left out"),
        number("load_hours", "h with current above the idle limit"),
        number("gas_hours", "h with hydrogen; none: not recorded", nullable=True),
        whole("starts"),
        whole("stops"),
        whole("meter_id", nullable=True),
        number("meter_from_hours", "h, the meter at the first row", nullable=True),
        number("meter_to_hours", "h, the meter at the last row", nullable=True),
        words("above", "JSON: quantity, limit, unit, hours beyond it"),
        words("doubts", "JSON: what was odd, in words"),
        words(
            "not_released",
            "why the build was not released while it ran; none: it was",
            nullable=True,
        ),
        whole("by_id"),
        words("reason", "why it was read again"),
        moment("known_from"),
        moment("known_until", nullable=True),
        holds(
            "run_reading",
            "a_showing_has_its_meter",
            "meter_id IS NOT NULL OR meter_from_hours IS NULL",
        ),
        holds("run_reading", "ends_after_it_began", "ended_at >= began_at"),
        holds("run_reading", "has_rows", "row_count >= 1"),
        holds(
            "run_reading",
            "hours_are_not_negative",
            "recorded_hours >= 0 AND load_hours >= 0 AND (gas_hours IS NULL OR gas_hours >= 0)",
        ),
        holds("run_reading", "known_in_order", "known_until IS NULL OR known_until >= known_from"),
        holds(
            "run_reading",
            "meter_counts_forward",
            "meter_from_hours IS NULL OR meter_to_hours >= meter_from_hours",
        ),
        holds(
            "run_reading",
            "meter_read_at_both_ends",
            "(meter_from_hours IS NULL) = (meter_to_hours IS NULL)",
        ),
    )
    op.create_index("ix_run_reading_build_id_began_at", "run_reading", ["build_id", "began_at"])
    op.create_index("ix_run_reading_meter_id_ended_at", "run_reading", ["meter_id", "ended_at"])
    op.create_index("ix_run_reading_run_id", "run_reading", ["run_id"])
    op.create_index("ix_run_reading_stack_id_began_at", "run_reading", ["stack_id", "began_at"])
    op.create_index(
        "uq_run_reading_run_id_known_now",
        "run_reading",
        ["run_id"],
        unique=True,
        sqlite_where=sa.text("known_until IS NULL"),
        postgresql_where=sa.text("known_until IS NULL"),
    )
    table(
        "snapshot",
        {
            "reading_id": "run_reading",
            "stack_id": "stack",
            "build_id": "build",
            "by_id": "person",
        },
        whole("reading_id", "none: typed in", nullable=True),
        whole("stack_id"),
        whole("build_id"),
        sa.Column("kind", sa.String(40), nullable=False),
        holds("snapshot", "snapshotkind", "kind IN ('steady load', 'open circuit', 'typed in')"),
        moment("from_at"),
        moment("until_at"),
        whole("row_count"),
        number("current_a", "A, mean", nullable=True),
        number("density_a_cm2", "A/cm², mean", nullable=True),
        number("temperature_c", "°C, mean", nullable=True),
        number("stack_voltage_v", "V, mean, as recorded", nullable=True),
        number("meter_hours", "h, the meter at its middle", nullable=True),
        words("channels", "JSON: names of the channels, in order"),
        words("means_v", "JSON: V, mean of each channel, null: no value"),
        words("spreads_v", "JSON: V, standard deviation of each channel"),
        whole("by_id"),
        moment("known_from"),
        moment("known_until", nullable=True),
        holds("snapshot", "ends_after_it_began", "until_at >= from_at"),
        holds("snapshot", "known_in_order", "known_until IS NULL OR known_until >= known_from"),
    )
    op.create_index("ix_snapshot_build_id_from_at", "snapshot", ["build_id", "from_at"])
    op.create_index("ix_snapshot_reading_id", "snapshot", ["reading_id"])
    op.create_index("ix_snapshot_stack_id_from_at", "snapshot", ["stack_id", "from_at"])
    table(
        "polarisation_curve",
        {
            "reading_id": "run_reading",
            "stack_id": "stack",
            "build_id": "build",
            "by_id": "person",
        },
        whole("reading_id", "none: typed in", nullable=True),
        whole("stack_id"),
        whole("build_id"),
        moment("taken_at"),
        sa.Column("direction", sa.String(40), nullable=False),
        holds(
            "polarisation_curve", "curvedirection", "direction IN ('falling', 'rising', 'typed in')"
        ),
        name("occasion", "commissioning, yearly check, …"),
        number("temperature_c", "°C, mean", nullable=True),
        number("meter_hours", "h, the meter when it was taken", nullable=True),
        words("channels", "JSON: names of the channels, in order"),
        words(
            "points",
            "JSON: density in A/cm², current in A, rows, means and spreads in V by channel",
        ),
        whole("by_id"),
        moment("known_from"),
        moment("known_until", nullable=True),
        holds(
            "polarisation_curve",
            "known_in_order",
            "known_until IS NULL OR known_until >= known_from",
        ),
    )
    op.create_index(
        "ix_polarisation_curve_build_id_taken_at", "polarisation_curve", ["build_id", "taken_at"]
    )
    op.create_index("ix_polarisation_curve_reading_id", "polarisation_curve", ["reading_id"])
    op.create_index(
        "ix_polarisation_curve_stack_id_taken_at", "polarisation_curve", ["stack_id", "taken_at"]
    )
    table(
        "column_mapping",
        {
            "by_id": "person",
        },
        name("name"),
        whole("version"),
        words("content", "JSON, as a reading keeps it"),
        whole("by_id"),
        moment("made_at"),
        holds("column_mapping", "versions_count_from_one", "version >= 1"),
        once("column_mapping", "name", "version"),
    )
    table(
        "run_upload",
        {
            "stack_id": "stack",
            "run_id": "run",
            "by_id": "person",
        },
        whole("stack_id"),
        name("token", "the file lies under it"),
        name("name"),
        whole("size_bytes"),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        words("asked", "JSON: mapping and form as given"),
        sa.Column("state", sa.String(40), nullable=False),
        holds("run_upload", "uploadstate", "state IN ('waiting', 'reading', 'done', 'refused')"),
        number("done", "share read, 0 to 1"),
        words("message", "what is being done, or why refused"),
        whole("run_id", nullable=True),
        whole("by_id"),
        moment("made_at"),
        moment("changed_at"),
        once("run_upload", "token"),
    )
    op.create_index("ix_run_upload_made_at", "run_upload", ["made_at"])
    op.create_index("ix_run_upload_stack_id", "run_upload", ["stack_id"])
    table(
        "tap_map",
        {
            "stack_id": "stack",
            "by_id": "person",
        },
        whole("stack_id"),
        moment("valid_from"),
        words("channels", "JSON: pairs of channel and cell; cell null: reads nothing"),
        words("reason"),
        whole("by_id"),
        moment("known_from"),
        moment("known_until", nullable=True),
        holds("tap_map", "known_in_order", "known_until IS NULL OR known_until >= known_from"),
    )
    op.create_index("ix_tap_map_stack_id_valid_from", "tap_map", ["stack_id", "valid_from"])
    op.create_index(
        "uq_tap_map_stack_id_valid_from_known_now",
        "tap_map",
        ["stack_id", "valid_from"],
        unique=True,
        sqlite_where=sa.text("known_until IS NULL"),
        postgresql_where=sa.text("known_until IS NULL"),
    )
    table(
        "cell_bridge",
        {
            "stack_id": "stack",
            "build_id": "build",
            "by_id": "person",
        },
        whole("stack_id"),
        whole("build_id"),
        whole("cell"),
        moment("from_at"),
        moment("until_at", nullable=True),
        words("reason"),
        name("allowed_by", "who allowed it, in words"),
        whole("by_id"),
        moment("known_from"),
        moment("known_until", nullable=True),
        holds("cell_bridge", "cell_counts_from_one", "cell >= 1"),
        holds("cell_bridge", "ends_after_it_began", "until_at IS NULL OR until_at >= from_at"),
        holds("cell_bridge", "known_in_order", "known_until IS NULL OR known_until >= known_from"),
    )
    op.create_index("ix_cell_bridge_build_id", "cell_bridge", ["build_id"])
    op.create_index("ix_cell_bridge_stack_id", "cell_bridge", ["stack_id"])
    op.create_index(
        "uq_cell_bridge_build_id_cell_standing",
        "cell_bridge",
        ["build_id", "cell"],
        unique=True,
        sqlite_where=sa.text("known_until IS NULL AND until_at IS NULL"),
        postgresql_where=sa.text("known_until IS NULL AND until_at IS NULL"),
    )
    table(
        "hour_report",
        {
            "stack_id": "stack",
            "meter_id": "hour_meter",
            "by_id": "person",
        },
        whole("stack_id"),
        whole("meter_id"),
        sa.Column("day", sa.Date(), nullable=False),
        number("first_hours", "h, as the meter showed"),
        moment("first_at"),
        number("last_hours", "h, as the meter showed"),
        moment("last_at"),
        whole("report_count"),
        whole("by_id"),
        moment("known_from", "when the day's first report came"),
        moment("known_until", "taken back then; none: it counts", nullable=True),
        words("taken_back_because"),
        holds("hour_report", "ends_after_it_began", "last_at >= first_at"),
        holds("hour_report", "hours_are_not_negative", "first_hours >= 0"),
        holds("hour_report", "known_in_order", "known_until IS NULL OR known_until >= known_from"),
        holds("hour_report", "meter_counts_forward", "last_hours >= first_hours"),
        holds("hour_report", "was_reported", "report_count >= 1"),
    )
    op.create_index("ix_hour_report_meter_id_day", "hour_report", ["meter_id", "day"])
    op.create_index("ix_hour_report_stack_id_day", "hour_report", ["stack_id", "day"])
    op.create_index(
        "uq_hour_report_meter_id_day_known_now",
        "hour_report",
        ["meter_id", "day"],
        unique=True,
        sqlite_where=sa.text("known_until IS NULL"),
        postgresql_where=sa.text("known_until IS NULL"),
    )


def downgrade() -> None:
    """Drop them."""
    op.drop_table("hour_report")
    op.drop_table("cell_bridge")
    op.drop_table("tap_map")
    op.drop_table("run_upload")
    op.drop_table("column_mapping")
    op.drop_table("polarisation_curve")
    op.drop_table("snapshot")
    op.drop_table("run_reading")
    op.drop_table("run")


def table(name: str, keys: dict[str, str], *columns: sa.Column | sa.Constraint) -> None:
    """Make a table of rows with an id, which keep the rows they name."""
    named = (
        sa.ForeignKeyConstraint(
            [column], [f"{of}.id"], name=op.f(f"fk_{name}_{column}_{of}"), ondelete="RESTRICT"
        )
        for column, of in keys.items()
    )
    op.create_table(
        name,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        *columns,
        *named,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )


def holds(of: str, name: str, rule: str) -> sa.Constraint:
    """A rule every row keeps."""
    return sa.CheckConstraint(rule, name=op.f(f"ck_{of}_{name}"))


def once(of: str, *columns: str) -> sa.Constraint:
    """Values no two rows share."""
    return sa.UniqueConstraint(*columns, name=op.f(f"uq_{of}_{'_'.join(columns)}"))


def whole(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A whole number, or the id of a row."""
    return sa.Column(name, WHOLE, nullable=nullable, comment=comment)


def number(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A number with its unit told."""
    return sa.Column(name, sa.Float(53), nullable=nullable, comment=comment)


def words(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """Text of any length."""
    return sa.Column(name, sa.Text(), nullable=nullable, comment=comment)


def name(column: str, comment: str | None = None) -> sa.Column:
    """A name or a short text."""
    return sa.Column(column, sa.String(200), nullable=False, comment=comment)


def moment(name: str, comment: str | None = None, *, nullable: bool = False) -> sa.Column:
    """A time in UTC."""
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable, comment=comment)
