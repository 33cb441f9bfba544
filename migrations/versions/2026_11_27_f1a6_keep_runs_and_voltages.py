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
    op.create_table(
        "column_mapping",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("version", WHOLE, nullable=False),
        sa.Column("content", sa.Text(), nullable=False, comment="JSON, as a reading keeps it"),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("version >= 1", name=op.f("ck_column_mapping_versions_count_from_one")),
        sa.ForeignKeyConstraint(
            ["by_id"],
            ["person.id"],
            name=op.f("fk_column_mapping_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_column_mapping")),
        sa.UniqueConstraint("name", "version", name=op.f("uq_column_mapping_name_version")),
    )
    op.create_table(
        "run",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", WHOLE, nullable=False),
        sa.Column("name", sa.String(200), nullable=False, comment="of the file, as given"),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_by_id", WHOLE, nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("size_bytes > 0", name=op.f("ck_run_size_is_positive")),
        sa.ForeignKeyConstraint(
            ["added_by_id"],
            ["person.id"],
            name=op.f("fk_run_added_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"], ["stack.id"], name=op.f("fk_run_stack_id_stack"), ondelete="RESTRICT"
        ),
        sa.CheckConstraint("kind IN ('log', 'sweep')", name=op.f("ck_run_runkind")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
        sa.UniqueConstraint("content_sha256", name=op.f("uq_run_content_sha256")),
    )
    op.create_index("ix_run_stack_id", "run", ["stack_id"])
    op.create_table(
        "tap_map",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("valid_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "channels",
            sa.Text(),
            nullable=False,
            comment="JSON: pairs of channel and cell; cell null: reads nothing",
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("known_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_tap_map_known_in_order"),
        ),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_tap_map_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"], ["stack.id"], name=op.f("fk_tap_map_stack_id_stack"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tap_map")),
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
    op.create_table(
        "hour_report",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("meter_id", WHOLE, nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column(
            "first_hours", sa.Float(precision=53), nullable=False, comment="h, as the meter showed"
        ),
        sa.Column("first_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "last_hours", sa.Float(precision=53), nullable=False, comment="h, as the meter showed"
        ),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("report_count", WHOLE, nullable=False),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.CheckConstraint("first_hours >= 0", name=op.f("ck_hour_report_hours_are_not_negative")),
        sa.CheckConstraint("last_at >= first_at", name=op.f("ck_hour_report_ends_after_it_began")),
        sa.CheckConstraint(
            "last_hours >= first_hours", name=op.f("ck_hour_report_meter_counts_forward")
        ),
        sa.CheckConstraint("report_count >= 1", name=op.f("ck_hour_report_was_reported")),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_hour_report_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["meter_id"],
            ["hour_meter.id"],
            name=op.f("fk_hour_report_meter_id_hour_meter"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_hour_report_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hour_report")),
        sa.UniqueConstraint("meter_id", "day", name=op.f("uq_hour_report_meter_id_day")),
    )
    op.create_index("ix_hour_report_stack_id_day", "hour_report", ["stack_id", "day"])
    op.create_table(
        "run_upload",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("token", sa.String(200), nullable=False, comment="the file lies under it"),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("size_bytes", WHOLE, nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False, comment="JSON: mapping and form as given"),
        sa.Column("state", sa.String(40), nullable=False),
        sa.Column("done", sa.Float(precision=53), nullable=False, comment="share read, 0 to 1"),
        sa.Column(
            "message", sa.Text(), nullable=False, comment="what is being done, or why refused"
        ),
        sa.Column("run_id", WHOLE, nullable=True),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_run_upload_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["run_id"], ["run.id"], name=op.f("fk_run_upload_run_id_run"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_run_upload_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.CheckConstraint(
            "state IN ('waiting', 'reading', 'done', 'refused')",
            name=op.f("ck_run_upload_uploadstate"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_upload")),
        sa.UniqueConstraint("token", name=op.f("uq_run_upload_token")),
    )
    op.create_index("ix_run_upload_made_at", "run_upload", ["made_at"])
    op.create_index("ix_run_upload_stack_id", "run_upload", ["stack_id"])
    op.create_table(
        "cell_bridge",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("cell", WHOLE, nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("allowed_by", sa.String(200), nullable=False, comment="who allowed it, in words"),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("known_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("cell >= 1", name=op.f("ck_cell_bridge_cell_counts_from_one")),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_cell_bridge_known_in_order"),
        ),
        sa.CheckConstraint(
            "until_at IS NULL OR until_at >= from_at",
            name=op.f("ck_cell_bridge_ends_after_it_began"),
        ),
        sa.ForeignKeyConstraint(
            ["build_id"],
            ["build.id"],
            name=op.f("fk_cell_bridge_build_id_build"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_cell_bridge_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_cell_bridge_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cell_bridge")),
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
    op.create_table(
        "run_reading",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("run_id", WHOLE, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("mapping", sa.Text(), nullable=False, comment="JSON: which column says what"),
        sa.Column(
            "formula", sa.String(200), nullable=False, comment="name and version of what read it"
        ),
        sa.Column("began_at", sa.DateTime(timezone=True), nullable=False, comment="first row"),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False, comment="last row"),
        sa.Column("row_count", WHOLE, nullable=False),
        sa.Column(
            "recorded_hours",
            sa.Float(precision=53),
            nullable=False,
            comment="h covered by rows, gaps left out",
        ),
        sa.Column(
            "load_hours",
            sa.Float(precision=53),
            nullable=False,
            comment="h with current above the idle limit",
        ),
        sa.Column(
            "gas_hours",
            sa.Float(precision=53),
            nullable=True,
            comment="h with hydrogen; none: not recorded",
        ),
        sa.Column("starts", WHOLE, nullable=False),
        sa.Column("stops", WHOLE, nullable=False),
        sa.Column("meter_id", WHOLE, nullable=True),
        sa.Column(
            "meter_from_hours",
            sa.Float(precision=53),
            nullable=True,
            comment="h, the meter at the first row",
        ),
        sa.Column(
            "meter_to_hours",
            sa.Float(precision=53),
            nullable=True,
            comment="h, the meter at the last row",
        ),
        sa.Column(
            "above",
            sa.Text(),
            nullable=False,
            comment="JSON: quantity, limit, unit, hours beyond it",
        ),
        sa.Column("doubts", sa.Text(), nullable=False, comment="JSON: what was odd, in words"),
        sa.Column(
            "not_released",
            sa.Text(),
            nullable=True,
            comment="why the build was not released while it ran; none: it was",
        ),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False, comment="why it was read again"),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("known_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "(meter_from_hours IS NULL) = (meter_to_hours IS NULL)",
            name=op.f("ck_run_reading_meter_read_at_both_ends"),
        ),
        sa.CheckConstraint("ended_at >= began_at", name=op.f("ck_run_reading_ends_after_it_began")),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_run_reading_known_in_order"),
        ),
        sa.CheckConstraint(
            "meter_from_hours IS NULL OR meter_to_hours >= meter_from_hours",
            name=op.f("ck_run_reading_meter_counts_forward"),
        ),
        sa.CheckConstraint(
            "meter_id IS NOT NULL OR meter_from_hours IS NULL",
            name=op.f("ck_run_reading_a_showing_has_its_meter"),
        ),
        sa.CheckConstraint(
            "recorded_hours >= 0 AND load_hours >= 0 AND (gas_hours IS NULL OR gas_hours >= 0)",
            name=op.f("ck_run_reading_hours_are_not_negative"),
        ),
        sa.CheckConstraint("row_count >= 1", name=op.f("ck_run_reading_has_rows")),
        sa.ForeignKeyConstraint(
            ["build_id"],
            ["build.id"],
            name=op.f("fk_run_reading_build_id_build"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_run_reading_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["meter_id"],
            ["hour_meter.id"],
            name=op.f("fk_run_reading_meter_id_hour_meter"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["run_id"], ["run.id"], name=op.f("fk_run_reading_run_id_run"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_run_reading_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_reading")),
    )
    op.create_index("ix_run_reading_build_id_began_at", "run_reading", ["build_id", "began_at"])
    op.create_index("ix_run_reading_meter_id_ended_at", "run_reading", ["meter_id", "ended_at"])
    op.create_index("ix_run_reading_stack_id_began_at", "run_reading", ["stack_id", "began_at"])
    op.create_index(
        "uq_run_reading_run_id_known_now",
        "run_reading",
        ["run_id"],
        unique=True,
        sqlite_where=sa.text("known_until IS NULL"),
        postgresql_where=sa.text("known_until IS NULL"),
    )
    op.create_table(
        "polarisation_curve",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("reading_id", WHOLE, nullable=True, comment="none: typed in"),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("direction", sa.String(40), nullable=False),
        sa.Column(
            "occasion", sa.String(200), nullable=False, comment="commissioning, yearly check, …"
        ),
        sa.Column("temperature_c", sa.Float(precision=53), nullable=True, comment="°C, mean"),
        sa.Column(
            "meter_hours",
            sa.Float(precision=53),
            nullable=True,
            comment="h, the meter when it was taken",
        ),
        sa.Column(
            "channels", sa.Text(), nullable=False, comment="JSON: names of the channels, in order"
        ),
        sa.Column(
            "points",
            sa.Text(),
            nullable=False,
            comment="JSON: density in A/cm², current in A, rows, means and spreads in V by channel",
        ),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("known_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_polarisation_curve_known_in_order"),
        ),
        sa.ForeignKeyConstraint(
            ["build_id"],
            ["build.id"],
            name=op.f("fk_polarisation_curve_build_id_build"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["by_id"],
            ["person.id"],
            name=op.f("fk_polarisation_curve_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["reading_id"],
            ["run_reading.id"],
            name=op.f("fk_polarisation_curve_reading_id_run_reading"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_polarisation_curve_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.CheckConstraint(
            "direction IN ('falling', 'rising', 'typed in')",
            name=op.f("ck_polarisation_curve_curvedirection"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_polarisation_curve")),
    )
    op.create_index(
        "ix_polarisation_curve_build_id_taken_at", "polarisation_curve", ["build_id", "taken_at"]
    )
    op.create_index("ix_polarisation_curve_reading_id", "polarisation_curve", ["reading_id"])
    op.create_index(
        "ix_polarisation_curve_stack_id_taken_at", "polarisation_curve", ["stack_id", "taken_at"]
    )
    op.create_table(
        "snapshot",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("reading_id", WHOLE, nullable=True, comment="none: typed in"),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("row_count", WHOLE, nullable=False),
        sa.Column("current_a", sa.Float(precision=53), nullable=True, comment="A, mean"),
        sa.Column("density_a_cm2", sa.Float(precision=53), nullable=True, comment="A/cm², mean"),
        sa.Column("temperature_c", sa.Float(precision=53), nullable=True, comment="°C, mean"),
        sa.Column(
            "stack_voltage_v", sa.Float(precision=53), nullable=True, comment="V, mean, as recorded"
        ),
        sa.Column(
            "meter_hours",
            sa.Float(precision=53),
            nullable=True,
            comment="h, the meter at its middle",
        ),
        sa.Column(
            "channels", sa.Text(), nullable=False, comment="JSON: names of the channels, in order"
        ),
        sa.Column(
            "means_v",
            sa.Text(),
            nullable=False,
            comment="JSON: V, mean of each channel, null: no value",
        ),
        sa.Column(
            "spreads_v",
            sa.Text(),
            nullable=False,
            comment="JSON: V, standard deviation of each channel",
        ),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("known_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_snapshot_known_in_order"),
        ),
        sa.CheckConstraint("until_at >= from_at", name=op.f("ck_snapshot_ends_after_it_began")),
        sa.ForeignKeyConstraint(
            ["build_id"], ["build.id"], name=op.f("fk_snapshot_build_id_build"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_snapshot_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["reading_id"],
            ["run_reading.id"],
            name=op.f("fk_snapshot_reading_id_run_reading"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"], ["stack.id"], name=op.f("fk_snapshot_stack_id_stack"), ondelete="RESTRICT"
        ),
        sa.CheckConstraint(
            "kind IN ('steady load', 'open circuit', 'typed in')",
            name=op.f("ck_snapshot_snapshotkind"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_snapshot")),
    )
    op.create_index("ix_snapshot_build_id_from_at", "snapshot", ["build_id", "from_at"])
    op.create_index("ix_snapshot_reading_id", "snapshot", ["reading_id"])
    op.create_index("ix_snapshot_stack_id_from_at", "snapshot", ["stack_id", "from_at"])


def downgrade() -> None:
    """Drop them."""
    op.drop_table("snapshot")
    op.drop_table("polarisation_curve")
    op.drop_table("run_reading")
    op.drop_table("cell_bridge")
    op.drop_table("run_upload")
    op.drop_table("hour_report")
    op.drop_table("tap_map")
    op.drop_table("run")
    op.drop_table("column_mapping")
