"""Lay the tables: the whole schema of the first release.

Revision ID: 7c1e
Revises:
Create Date: 2026-11-25
"""

import sqlalchemy as sa
from alembic import op

revision = "7c1e"
down_revision = None
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
NUMBER = sa.Float(precision=53)
SHORT = sa.String(length=200)
SHA256 = sa.String(length=64)


BASE_BUILD = "fk_rebuild_record_base_build_id_build"
ONE_SUBJECT = (
    "(CASE WHEN part_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN lot_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN instrument_id IS NULL THEN 0 ELSE 1 END) = 1"
)


def upgrade() -> None:
    """Make all tables."""
    for lay in TABLES:
        lay()


def downgrade() -> None:
    """Drop all tables, with everything in them."""
    if not _on_sqlite():
        op.drop_constraint(BASE_BUILD, "rebuild_record")
    for lay in reversed(TABLES):
        op.drop_table(lay.__name__)


def word(name: str, *words: str) -> sa.Enum:
    """A column of one of some words, checked by the database."""
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=40)


def own_key() -> sa.Column[int]:
    """The table's own key."""
    return sa.Column("id", WHOLE, autoincrement=True, nullable=False)


def where(condition: str) -> dict[str, sa.TextClause]:
    """A partial index, on either engine."""
    return {"sqlite_where": sa.text(condition), "postgresql_where": sa.text(condition)}


def _on_sqlite() -> bool:
    # A record names the build it began from, a build the record that made it. SQLite takes a key
    # to a table not made yet and adds none later; PostgreSQL the other way about.
    return op.get_bind().dialect.name == "sqlite"


def design() -> None:
    op.create_table(
        "design",
        own_key(),
        sa.Column("name", SHORT, nullable=False),
        sa.Column("revision", SHORT, nullable=False),
        sa.Column("active_area_cm2", NUMBER, nullable=False, comment="cm², of one cell"),
        sa.Column("least_cells", WHOLE, nullable=False),
        sa.Column("most_cells", WHOLE, nullable=False),
        sa.Column("cooling", SHORT, nullable=False, comment="in words: which layers carry coolant"),
        sa.Column(
            "plate_width_mm", NUMBER, nullable=False, comment="mm, compression plate, along x"
        ),
        sa.Column(
            "plate_height_mm", NUMBER, nullable=False, comment="mm, compression plate, along y"
        ),
        sa.Column("rod_length_mm", NUMBER, nullable=False, comment="mm"),
        sa.Column("target_torque_nm", NUMBER, nullable=False, comment="N·m, last pass"),
        sa.Column("torque_tolerance_percent", NUMBER, nullable=False, comment="% of the target"),
        sa.Column("tightening_passes", WHOLE, nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("frozen_at", UTC, nullable=True, comment="first stack made to it"),
        sa.CheckConstraint("active_area_cm2 > 0", name=op.f("ck_design_active_area_is_positive")),
        sa.CheckConstraint(
            "least_cells >= 1 AND most_cells >= least_cells", name=op.f("ck_design_cells_in_order")
        ),
        sa.CheckConstraint(
            "target_torque_nm > 0", name=op.f("ck_design_target_torque_is_positive")
        ),
        sa.CheckConstraint("tightening_passes >= 1", name=op.f("ck_design_at_least_one_pass")),
        sa.CheckConstraint(
            "torque_tolerance_percent >= 0", name=op.f("ck_design_tolerance_is_not_negative")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design")),
        sa.UniqueConstraint("name", "revision", name=op.f("uq_design_name_revision")),
    )


def instrument() -> None:
    op.create_table(
        "instrument",
        own_key(),
        sa.Column(
            "kind",
            word(
                "instrumentkind",
                "torque driver",
                "pressure gauge",
                "insulation tester",
                "multimeter",
                "thermometer",
                "gas detector",
                "height gauge",
                "flow meter",
            ),
            nullable=False,
        ),
        sa.Column("label", SHORT, nullable=False, comment="mark on the tool, as typed"),
        sa.Column("label_key", SHORT, nullable=False),
        sa.Column("description", SHORT, nullable=False),
        sa.Column("range_least", NUMBER, nullable=True),
        sa.Column("range_most", NUMBER, nullable=True),
        sa.Column("unit", SHORT, nullable=False, comment="of the range"),
        sa.Column("in_use", sa.Boolean(), nullable=False),
        sa.Column("added_at", UTC, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_instrument")),
        sa.UniqueConstraint("label_key", name=op.f("uq_instrument_label_key")),
    )


def part_type() -> None:
    op.create_table(
        "part_type",
        own_key(),
        sa.Column(
            "kind",
            word(
                "kind",
                "MEA",
                "half plate",
                "gasket",
                "blank cell",
                "current collector",
                "insulator plate",
                "compression plate",
                "tie rod",
                "sleeve",
                "disc spring",
                "nut",
            ),
            nullable=False,
        ),
        sa.Column("name", SHORT, nullable=False),
        sa.Column("drawing_number", SHORT, nullable=False),
        sa.Column("revision", SHORT, nullable=False),
        sa.Column(
            "material",
            word("material", "graphite", "metal", "elastomer", "membrane", "insulating plastic"),
            nullable=False,
        ),
        sa.Column("thickness_mm", NUMBER, nullable=True, comment="mm, as fitted"),
        sa.Column(
            "side", word("side", "fuel", "air"), nullable=True, comment="gas a half plate meets"
        ),
        sa.Column(
            "back",
            word("back", "channelled", "flush", "none"),
            nullable=False,
            comment="coolant face of a half plate or collector",
        ),
        sa.Column(
            "joint", word("joint", "gas", "coolant"), nullable=True, comment="joint a gasket seals"
        ),
        sa.Column(
            "marked_face", SHORT, nullable=True, comment="the face facing tells of, if it matters"
        ),
        sa.Column(
            "counted",
            sa.Boolean(),
            nullable=False,
            comment="items of a lot without serials of their own",
        ),
        sa.Column("renew_at_opening", sa.Boolean(), nullable=False),
        sa.Column(
            "openings_most", WHOLE, nullable=True, comment="openings a part may live through"
        ),
        sa.Column("hours_most", NUMBER, nullable=True, comment="h of operation"),
        sa.Column("shelf_life_months", WHOLE, nullable=True, comment="months from making"),
        sa.Column("made_at", UTC, nullable=False),
        sa.CheckConstraint(
            "thickness_mm IS NULL OR thickness_mm > 0",
            name=op.f("ck_part_type_thickness_is_positive"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_type")),
        sa.UniqueConstraint(
            "drawing_number", "revision", name=op.f("uq_part_type_drawing_number_revision")
        ),
    )


def person() -> None:
    op.create_table(
        "person",
        own_key(),
        sa.Column("login", SHORT, nullable=False, comment="as typed"),
        sa.Column("name", SHORT, nullable=False),
        sa.Column(
            "password_hash", sa.Text(), nullable=False, comment="Argon2id; empty: cannot sign in"
        ),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("added_at", UTC, nullable=False),
        sa.CheckConstraint("login <> ''", name=op.f("ck_person_login_is_given")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
    )
    op.create_index("uq_person_login_lower", "person", [sa.text("lower(login)")], unique=True)


def sign_in_attempt() -> None:
    op.create_table(
        "sign_in_attempt",
        own_key(),
        sa.Column("login", SHORT, nullable=False, comment="lower case, as tried"),
        sa.Column("address", SHORT, nullable=False),
        sa.Column("at", UTC, nullable=False),
        sa.Column("succeeded", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_attempt")),
    )
    op.create_index("ix_sign_in_attempt_address_at", "sign_in_attempt", ["address", "at"])
    op.create_index("ix_sign_in_attempt_login_at", "sign_in_attempt", ["login", "at"])


def api_token() -> None:
    op.create_table(
        "api_token",
        own_key(),
        sa.Column("token_sha256", SHA256, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("label", SHORT, nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("last_used_at", UTC, nullable=True),
        sa.Column("revoked_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_api_token_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_token")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_api_token_token_sha256")),
    )
    op.create_index("ix_api_token_person_id", "api_token", ["person_id"])


def audit_entry() -> None:
    op.create_table(
        "audit_entry",
        own_key(),
        sa.Column("at", UTC, nullable=False),
        sa.Column("person_id", WHOLE, nullable=True),
        sa.Column("person_name", SHORT, nullable=False, comment="as of then"),
        sa.Column("act", sa.String(length=60), nullable=False, comment="a member of audit.Act"),
        sa.Column("subject_kind", sa.String(length=40), nullable=False),
        sa.Column("subject_id", WHOLE, nullable=True),
        sa.Column("subject_label", SHORT, nullable=False),
        sa.Column("stack_id", WHOLE, nullable=True),
        sa.Column("record_id", WHOLE, nullable=True),
        sa.Column(
            "changes", sa.Text(), nullable=False, comment="JSON list of [field, before, after]"
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("via", sa.String(length=20), nullable=False, comment="page, api or command"),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_audit_entry_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
    )
    op.create_index("ix_audit_entry_act_at", "audit_entry", ["act", "at"])
    op.create_index("ix_audit_entry_at", "audit_entry", ["at"])
    op.create_index("ix_audit_entry_person_id_at", "audit_entry", ["person_id", "at"])
    op.create_index("ix_audit_entry_record_id", "audit_entry", ["record_id"])
    op.create_index("ix_audit_entry_stack_id", "audit_entry", ["stack_id"])
    op.create_index("ix_audit_entry_subject", "audit_entry", ["subject_kind", "subject_id"])


def calibration() -> None:
    op.create_table(
        "calibration",
        own_key(),
        sa.Column("instrument_id", WHOLE, nullable=False),
        sa.Column("done_at", UTC, nullable=False),
        sa.Column("due_at", UTC, nullable=False),
        sa.Column("certificate", SHORT, nullable=False),
        sa.Column(
            "result",
            word("calibrationresult", "in tolerance as found", "out of tolerance as found"),
            nullable=False,
        ),
        sa.Column("error_percent", NUMBER, nullable=True, comment="as found, % of reading"),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("written_by_id", WHOLE, nullable=False),
        sa.Column("written_at", UTC, nullable=False),
        sa.CheckConstraint("due_at > done_at", name=op.f("ck_calibration_due_after_done")),
        sa.ForeignKeyConstraint(
            ["instrument_id"],
            ["instrument.id"],
            name=op.f("fk_calibration_instrument_id_instrument"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["written_by_id"],
            ["person.id"],
            name=op.f("fk_calibration_written_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index(
        "ix_calibration_instrument_id_done_at", "calibration", ["instrument_id", "done_at"]
    )


def checklist_line() -> None:
    op.create_table(
        "checklist_line",
        own_key(),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("number", WHOLE, nullable=False),
        sa.Column("wording", sa.Text(), nullable=False),
        sa.Column(
            "unit", SHORT, nullable=True, comment="of the reading asked for; none: no reading"
        ),
        sa.Column(
            "reading_most", NUMBER, nullable=True, comment="greatest reading accepted, in unit"
        ),
        sa.Column("needs_instrument", sa.Boolean(), nullable=False),
        sa.Column("needs_witness", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_checklist_line_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checklist_line")),
        sa.UniqueConstraint("design_id", "number", name=op.f("uq_checklist_line_design_id_number")),
    )


def design_port() -> None:
    op.create_table(
        "design_port",
        own_key(),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("end", SHORT, nullable=False, comment="fixed end or free end"),
        sa.Column("fluid", SHORT, nullable=False, comment="fuel, air or coolant"),
        sa.Column("label", SHORT, nullable=False, comment="as marked: fuel in, air out …"),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_design_port_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design_port")),
    )
    op.create_index("ix_design_port_design_id", "design_port", ["design_id"])


def design_rod() -> None:
    op.create_table(
        "design_rod",
        own_key(),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("number", WHOLE, nullable=False),
        sa.Column("x_mm", NUMBER, nullable=False, comment="mm from the plate's middle"),
        sa.Column("y_mm", NUMBER, nullable=False, comment="mm from the plate's middle, upward"),
        sa.Column("turn", WHOLE, nullable=False, comment="place in the tightening order, from 1"),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_design_rod_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design_rod")),
        sa.UniqueConstraint("design_id", "number", name=op.f("uq_design_rod_design_id_number")),
    )


def entry_key() -> None:
    op.create_table(
        "entry_key",
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("person_id", WHOLE, nullable=True),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("at", UTC, nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_entry_key_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_entry_key")),
    )


def lot() -> None:
    op.create_table(
        "lot",
        own_key(),
        sa.Column("part_type_id", WHOLE, nullable=False),
        sa.Column("label", SHORT, nullable=False, comment="as typed"),
        sa.Column("label_key", SHORT, nullable=False, comment="without regard to case and space"),
        sa.Column("supplier", SHORT, nullable=False),
        sa.Column("received_at", UTC, nullable=True),
        sa.Column("produced_at", UTC, nullable=True),
        sa.Column("expires_at", UTC, nullable=True),
        sa.Column("quantity", WHOLE, nullable=True, comment="items received; none: not known"),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "quantity IS NULL OR quantity >= 0", name=op.f("ck_lot_quantity_is_not_negative")
        ),
        sa.ForeignKeyConstraint(
            ["part_type_id"],
            ["part_type.id"],
            name=op.f("fk_lot_part_type_id_part_type"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint(
            "part_type_id", "label_key", name=op.f("uq_lot_part_type_id_label_key")
        ),
    )
    op.create_index("ix_lot_label_key", "lot", ["label_key"])


def person_role() -> None:
    op.create_table(
        "person_role",
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column(
            "role", word("role", "builder", "quality", "supervisor", "admin"), nullable=False
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_person_role_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("person_id", "role", name=op.f("pk_person_role")),
    )


def sign_in_session() -> None:
    op.create_table(
        "sign_in_session",
        own_key(),
        sa.Column("token_sha256", SHA256, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("begun_at", UTC, nullable=False),
        sa.Column("seen_at", UTC, nullable=False),
        sa.Column("ended_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_sign_in_session_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_session")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_sign_in_session_token_sha256")),
    )
    op.create_index("ix_sign_in_session_person_id", "sign_in_session", ["person_id"])


def stack() -> None:
    op.create_table(
        "stack",
        own_key(),
        sa.Column("serial", SHORT, nullable=False, comment="as typed"),
        sa.Column("serial_key", SHORT, nullable=False, comment="without regard to case and space"),
        sa.Column("design_id", WHOLE, nullable=False),
        sa.Column("place", SHORT, nullable=False, comment="where it stands, in words"),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("added_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(
            ["design_id"],
            ["design.id"],
            name=op.f("fk_stack_design_id_design"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stack")),
        sa.UniqueConstraint("serial_key", name=op.f("uq_stack_serial_key")),
    )
    op.create_index("ix_stack_design_id", "stack", ["design_id"])


def hour_meter() -> None:
    op.create_table(
        "hour_meter",
        own_key(),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("number", WHOLE, nullable=False, comment="first meter of the stack is 1"),
        sa.Column("label", SHORT, nullable=False, comment="mark on the meter"),
        sa.Column("fitted_at", UTC, nullable=False),
        sa.Column("removed_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_hour_meter_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hour_meter")),
        sa.UniqueConstraint("stack_id", "number", name=op.f("uq_hour_meter_stack_id_number")),
    )


def part() -> None:
    op.create_table(
        "part",
        own_key(),
        sa.Column("part_type_id", WHOLE, nullable=False),
        sa.Column("lot_id", WHOLE, nullable=True),
        sa.Column("serial", SHORT, nullable=True, comment="as typed"),
        sa.Column("serial_key", SHORT, nullable=True, comment="without regard to case and space"),
        sa.Column(
            "item_number", WHOLE, nullable=True, comment="of a counted item in its lot, from 1"
        ),
        sa.Column("hours_before", NUMBER, nullable=False, comment="h it came with"),
        sa.Column(
            "whereabouts",
            word(
                "whereabouts",
                "expected",
                "in store",
                "fitted",
                "lifted off",
                "away",
                "scrapped",
                "cannot be found",
            ),
            nullable=False,
        ),
        sa.Column("stack_id", WHOLE, nullable=True),
        sa.Column("place", SHORT, nullable=False, comment="shelf, tray or address, in words"),
        sa.Column(
            "usability",
            word(
                "usability",
                "not inspected",
                "accepted",
                "accepted used",
                "on hold",
                "under concession",
                "rejected",
            ),
            nullable=False,
        ),
        sa.Column("reserved_for_stack_id", WHOLE, nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("added_at", UTC, nullable=False),
        sa.CheckConstraint(
            "(whereabouts = 'fitted') = (stack_id IS NOT NULL)",
            name=op.f("ck_part_fitted_in_one_stack"),
        ),
        sa.CheckConstraint(
            "(serial IS NULL) = (serial_key IS NULL)", name=op.f("ck_part_serial_has_its_key")
        ),
        sa.CheckConstraint("hours_before >= 0", name=op.f("ck_part_hours_before_are_not_negative")),
        sa.CheckConstraint(
            "serial IS NOT NULL OR (lot_id IS NOT NULL AND item_number IS NOT NULL)",
            name=op.f("ck_part_serial_or_item_of_a_lot"),
        ),
        sa.ForeignKeyConstraint(
            ["lot_id"], ["lot.id"], name=op.f("fk_part_lot_id_lot"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["part_type_id"],
            ["part_type.id"],
            name=op.f("fk_part_part_type_id_part_type"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["reserved_for_stack_id"],
            ["stack.id"],
            name=op.f("fk_part_reserved_for_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"], ["stack.id"], name=op.f("fk_part_stack_id_stack"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part")),
        sa.UniqueConstraint("lot_id", "item_number", name=op.f("uq_part_lot_id_item_number")),
        sa.UniqueConstraint(
            "part_type_id", "serial_key", name=op.f("uq_part_part_type_id_serial_key")
        ),
    )
    op.create_index("ix_part_reserved_for_stack_id", "part", ["reserved_for_stack_id"])
    op.create_index("ix_part_serial_key", "part", ["serial_key"])
    op.create_index("ix_part_stack_id", "part", ["stack_id"])
    op.create_index("ix_part_lot_place", "part", ["lot_id", "stack_id", "whereabouts", "usability"])
    op.create_index("ix_part_type_place", "part", ["part_type_id", "whereabouts", "usability"])


def rebuild_record() -> None:
    base_build = sa.ForeignKeyConstraint(
        ["base_build_id"], ["build.id"], name=BASE_BUILD, ondelete="RESTRICT"
    )
    op.create_table(
        "rebuild_record",
        own_key(),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column(
            "kind",
            word(
                "recordkind",
                "first build",
                "rebuild",
                "teardown",
                "inspection",
                "re-torque",
                "taken over",
            ),
            nullable=False,
        ),
        sa.Column(
            "state",
            word("recordstate", "open", "handed in", "approved", "sent back", "void"),
            nullable=False,
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("performed_from", UTC, nullable=False, comment="when the work began"),
        sa.Column("opened_at", UTC, nullable=True, comment="when the clamp was released"),
        sa.Column("closed_at", UTC, nullable=True, comment="when the clamp was closed"),
        sa.Column("written_by_id", WHOLE, nullable=False),
        sa.Column("written_at", UTC, nullable=False),
        sa.Column("base_build_id", WHOLE, nullable=True, comment="it began from"),
        sa.Column(
            "version",
            WHOLE,
            nullable=False,
            comment="grows with every change; a form names the one it saw",
        ),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("handed_in_at", UTC, nullable=True),
        sa.Column("handed_in_by_id", WHOLE, nullable=True),
        sa.Column("content", sa.Text(), nullable=True, comment="RFC 8785 JSON as handed in"),
        sa.Column("content_sha256", SHA256, nullable=True),
        sa.CheckConstraint(
            "state NOT IN ('handed in', 'approved') OR content_sha256 IS NOT NULL",
            name=op.f("ck_rebuild_record_handed_in_has_a_hash"),
        ),
        sa.CheckConstraint(
            "closed_at IS NULL OR opened_at IS NULL OR closed_at >= opened_at",
            name=op.f("ck_rebuild_record_closed_after_opened"),
        ),
        *([base_build] if _on_sqlite() else []),
        sa.ForeignKeyConstraint(
            ["handed_in_by_id"],
            ["person.id"],
            name=op.f("fk_rebuild_record_handed_in_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_rebuild_record_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["written_by_id"],
            ["person.id"],
            name=op.f("fk_rebuild_record_written_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rebuild_record")),
    )
    op.create_index(
        "ix_rebuild_record_stack_id_performed_from",
        "rebuild_record",
        ["stack_id", "performed_from"],
    )
    op.create_index(
        "ix_rebuild_record_state_handed_in_at", "rebuild_record", ["state", "handed_in_at"]
    )
    op.create_index("ix_rebuild_record_written_by_id", "rebuild_record", ["written_by_id"])
    op.create_index(
        "uq_rebuild_record_stack_id_being_written",
        "rebuild_record",
        ["stack_id"],
        unique=True,
        **where("state IN ('open', 'sent back')"),
    )


def attachment() -> None:
    op.create_table(
        "attachment",
        own_key(),
        sa.Column("content_sha256", SHA256, nullable=False),
        sa.Column(
            "media_type",
            SHORT,
            nullable=False,
            comment="found in the content, not taken from the name",
        ),
        sa.Column("size_bytes", WHOLE, nullable=False),
        sa.Column("name", SHORT, nullable=False, comment="as given"),
        sa.Column("record_id", WHOLE, nullable=True),
        sa.Column("part_id", WHOLE, nullable=True),
        sa.Column("added_by_id", WHOLE, nullable=False),
        sa.Column("added_at", UTC, nullable=False),
        sa.Column(
            "removed_at", UTC, nullable=True, comment="from an open record only; content stays"
        ),
        sa.CheckConstraint(
            "record_id IS NOT NULL OR part_id IS NOT NULL",
            name=op.f("ck_attachment_belongs_somewhere"),
        ),
        sa.CheckConstraint("size_bytes > 0", name=op.f("ck_attachment_size_is_positive")),
        sa.ForeignKeyConstraint(
            ["added_by_id"],
            ["person.id"],
            name=op.f("fk_attachment_added_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_attachment_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_attachment_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attachment")),
    )
    op.create_index("ix_attachment_content_sha256", "attachment", ["content_sha256"])
    op.create_index("ix_attachment_part_id", "attachment", ["part_id"])
    op.create_index("ix_attachment_record_id", "attachment", ["record_id"])


def build() -> None:
    op.create_table(
        "build",
        own_key(),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("number", WHOLE, nullable=False),
        sa.Column("record_id", WHOLE, nullable=False, comment="that made it"),
        sa.CheckConstraint("number >= 1", name=op.f("ck_build_number_counts_from_one")),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_build_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"], ["stack.id"], name=op.f("fk_build_stack_id_stack"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build")),
        sa.UniqueConstraint("record_id", name=op.f("uq_build_record_id")),
        sa.UniqueConstraint("stack_id", "number", name=op.f("uq_build_stack_id_number")),
    )
    if not _on_sqlite():
        op.create_foreign_key(
            BASE_BUILD, "rebuild_record", "build", ["base_build_id"], ["id"], ondelete="RESTRICT"
        )


def concession() -> None:
    op.create_table(
        "concession",
        own_key(),
        sa.Column("part_id", WHOLE, nullable=True),
        sa.Column("lot_id", WHOLE, nullable=True),
        sa.Column("instrument_id", WHOLE, nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("given_by_id", WHOLE, nullable=False),
        sa.Column("given_at", UTC, nullable=False),
        sa.Column("used_in_record_id", WHOLE, nullable=True),
        sa.CheckConstraint(ONE_SUBJECT, name=op.f("ck_concession_one_subject")),
        sa.ForeignKeyConstraint(
            ["given_by_id"],
            ["person.id"],
            name=op.f("fk_concession_given_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["instrument_id"],
            ["instrument.id"],
            name=op.f("fk_concession_instrument_id_instrument"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["lot_id"], ["lot.id"], name=op.f("fk_concession_lot_id_lot"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_concession_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["used_in_record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_concession_used_in_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concession")),
    )
    op.create_index("ix_concession_instrument_id", "concession", ["instrument_id"])
    op.create_index("ix_concession_lot_id", "concession", ["lot_id"])
    op.create_index("ix_concession_part_id", "concession", ["part_id"])
    op.create_index("ix_concession_used_in_record_id", "concession", ["used_in_record_id"])


def correction() -> None:
    op.create_table(
        "correction",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column(
            "of_",
            word(
                "correctionof",
                "part in a layer",
                "facing of a layer",
                "torque reading",
                "instrument of a torque reading",
                "hour-meter reading",
                "time of opening",
                "time of closing",
            ),
            nullable=False,
        ),
        sa.Column("subject_id", WHOLE, nullable=True, comment="row of the fact's table"),
        sa.Column("subject_label", SHORT, nullable=False, comment="layer 7, rod 2 pass 3 …"),
        sa.Column("old_value", SHORT, nullable=False, comment="as a person reads it"),
        sa.Column("new_value", SHORT, nullable=False, comment="as a person reads it"),
        sa.Column("new_part_id", WHOLE, nullable=True),
        sa.Column("new_number", NUMBER, nullable=True, comment="N·m, h, or an instrument's id"),
        sa.Column("new_time", UTC, nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "state", word("correctionstate", "waiting", "approved", "refused"), nullable=False
        ),
        sa.Column("written_by_id", WHOLE, nullable=False),
        sa.Column("written_at", UTC, nullable=False),
        sa.Column("content_sha256", SHA256, nullable=False, comment="of its RFC 8785 JSON"),
        sa.ForeignKeyConstraint(
            ["new_part_id"],
            ["part.id"],
            name=op.f("fk_correction_new_part_id_part"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_correction_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["written_by_id"],
            ["person.id"],
            name=op.f("fk_correction_written_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_index("ix_correction_record_id", "correction", ["record_id"])
    op.create_index("ix_correction_state", "correction", ["state", "written_at"])


def hold() -> None:
    op.create_table(
        "hold",
        own_key(),
        sa.Column("part_id", WHOLE, nullable=True),
        sa.Column("lot_id", WHOLE, nullable=True),
        sa.Column("instrument_id", WHOLE, nullable=True),
        sa.Column(
            "usability_before",
            word(
                "usability",
                "not inspected",
                "accepted",
                "accepted used",
                "on hold",
                "under concession",
                "rejected",
            ),
            nullable=True,
            comment="of a held part, given back when its last hold is lifted",
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("placed_by_id", WHOLE, nullable=False),
        sa.Column("placed_at", UTC, nullable=False),
        sa.Column("lifted_by_id", WHOLE, nullable=True),
        sa.Column("lifted_at", UTC, nullable=True),
        sa.Column("lift_reason", sa.Text(), nullable=False),
        sa.CheckConstraint(ONE_SUBJECT, name=op.f("ck_hold_one_subject")),
        sa.CheckConstraint(
            "(lifted_at IS NULL) = (lifted_by_id IS NULL)", name=op.f("ck_hold_lifted_by_somebody")
        ),
        sa.ForeignKeyConstraint(
            ["instrument_id"],
            ["instrument.id"],
            name=op.f("fk_hold_instrument_id_instrument"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["lifted_by_id"],
            ["person.id"],
            name=op.f("fk_hold_lifted_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["lot_id"], ["lot.id"], name=op.f("fk_hold_lot_id_lot"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_hold_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["placed_by_id"],
            ["person.id"],
            name=op.f("fk_hold_placed_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold")),
    )
    op.create_index(
        "ix_hold_instrument_id", "hold", ["instrument_id"], **where("lifted_at IS NULL")
    )
    op.create_index("ix_hold_lot_id", "hold", ["lot_id"], **where("lifted_at IS NULL"))
    op.create_index("ix_hold_part_id", "hold", ["part_id"], **where("lifted_at IS NULL"))


def record_person() -> None:
    op.create_table(
        "record_person",
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("involvement", word("involvement", "worked on it", "witnessed"), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_record_person_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_record_person_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint(
            "record_id", "person_id", "involvement", name=op.f("pk_record_person")
        ),
    )
    op.create_index("ix_record_person_person_id", "record_person", ["person_id"])


def step() -> None:
    op.create_table(
        "step",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("sequence", WHOLE, nullable=False),
        sa.Column(
            "kind",
            word(
                "stepkind",
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
            ),
            nullable=False,
        ),
        sa.Column("end_", word("end", "fixed end", "free end"), nullable=True),
        sa.Column("part_id", WHOLE, nullable=True),
        sa.Column(
            "exposed_part_id", WHOLE, nullable=True, comment="left outermost by a lifting off"
        ),
        sa.Column("facing", word("facing", "fixed end", "free end", "either way"), nullable=True),
        sa.Column("rod_number", WHOLE, nullable=True),
        sa.Column(
            "standing",
            sa.Boolean(),
            nullable=False,
            comment="this entry now holds its part in an open record",
        ),
        sa.Column(
            "whereabouts_before",
            word(
                "whereabouts",
                "expected",
                "in store",
                "fitted",
                "lifted off",
                "away",
                "scrapped",
                "cannot be found",
            ),
            nullable=True,
            comment="where its part was before this entry; undoing puts it back there",
        ),
        sa.Column("place_before", SHORT, nullable=False, comment="and the place, in words"),
        sa.Column("scanned", sa.Text(), nullable=True, comment="text as scanned or typed"),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("done_at", UTC, nullable=False),
        sa.Column("written_at", UTC, nullable=False),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("undone_at", UTC, nullable=True),
        sa.Column("undone_by_id", WHOLE, nullable=True),
        sa.CheckConstraint(
            "(undone_at IS NULL) = (undone_by_id IS NULL)", name=op.f("ck_step_undone_by_somebody")
        ),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_step_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["exposed_part_id"],
            ["part.id"],
            name=op.f("fk_step_exposed_part_id_part"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_step_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_step_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["undone_by_id"],
            ["person.id"],
            name=op.f("fk_step_undone_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_step")),
        sa.UniqueConstraint("record_id", "sequence", name=op.f("uq_step_record_id_sequence")),
    )
    op.create_index("ix_step_exposed_part_id", "step", ["exposed_part_id"])
    op.create_index("ix_step_part_id", "step", ["part_id"])
    op.create_index(
        "uq_step_part_id_standing", "step", ["part_id"], unique=True, **where("standing")
    )


def build_period() -> None:
    op.create_table(
        "build_period",
        own_key(),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("closed_at", UTC, nullable=False),
        sa.Column("opened_at", UTC, nullable=True),
        sa.Column("opened_by_record_id", WHOLE, nullable=True),
        sa.Column("known_from", UTC, nullable=False),
        sa.Column("known_until", UTC, nullable=True),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_build_period_known_in_order"),
        ),
        sa.CheckConstraint(
            "opened_at IS NULL OR opened_at >= closed_at",
            name=op.f("ck_build_period_opens_after_closing"),
        ),
        sa.ForeignKeyConstraint(
            ["build_id"],
            ["build.id"],
            name=op.f("fk_build_period_build_id_build"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_build_period_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["opened_by_record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_build_period_opened_by_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_build_period_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build_period")),
    )
    op.create_index("ix_build_period_build_id", "build_period", ["build_id"])
    op.create_index("ix_build_period_opened_by_record_id", "build_period", ["opened_by_record_id"])
    op.create_index("ix_build_period_stack_id_closed_at", "build_period", ["stack_id", "closed_at"])
    op.create_index(
        "uq_build_period_build_id_known_now",
        "build_period",
        ["build_id"],
        unique=True,
        **where("known_until IS NULL"),
    )
    op.create_index(
        "uq_build_period_present",
        "build_period",
        ["stack_id"],
        unique=True,
        **where("known_until IS NULL AND opened_at IS NULL"),
    )


def decision() -> None:
    op.create_table(
        "decision",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.Column(
            "meaning",
            word(
                "meaning",
                "approved",
                "sent back",
                "void",
                "correction approved",
                "correction refused",
            ),
            nullable=False,
        ),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("person_name", SHORT, nullable=False, comment="as of then"),
        sa.Column("person_roles", SHORT, nullable=False, comment="as of then"),
        sa.Column("at", UTC, nullable=False),
        sa.Column("content_sha256", SHA256, nullable=True, comment="of what was signed"),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_decision_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_decision_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_decision_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision")),
    )
    op.create_index("ix_decision_correction_id", "decision", ["correction_id"])
    op.create_index("ix_decision_record_id", "decision", ["record_id"])


def finding() -> None:
    op.create_table(
        "finding",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("step_id", WHOLE, nullable=False),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("condition", SHORT, nullable=False, comment="a word of trade/conditions"),
        sa.Column("severity", WHOLE, nullable=True),
        sa.Column("where_", SHORT, nullable=False, comment="on the part, in words"),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "severity IS NULL OR severity BETWEEN 0 AND 3", name=op.f("ck_finding_severity_0_to_3")
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_finding_part_id_part"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_finding_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["step_id"], ["step.id"], name=op.f("fk_finding_step_id_step"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index("ix_finding_part_id", "finding", ["part_id"])
    op.create_index("ix_finding_record_id", "finding", ["record_id"])
    op.create_index("ix_finding_step_id", "finding", ["step_id"])


def fixing() -> None:
    op.create_table(
        "fixing",
        own_key(),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column(
            "kind",
            word(
                "kind",
                "MEA",
                "half plate",
                "gasket",
                "blank cell",
                "current collector",
                "insulator plate",
                "compression plate",
                "tie rod",
                "sleeve",
                "disc spring",
                "nut",
            ),
            nullable=False,
        ),
        sa.Column("rod_number", WHOLE, nullable=True),
        sa.Column(
            "end_",
            word("end", "fixed end", "free end"),
            nullable=True,
            comment="of a compression plate",
        ),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("present", sa.Boolean(), nullable=False),
        sa.Column("known_from", UTC, nullable=False),
        sa.Column("known_until", UTC, nullable=True),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.CheckConstraint(
            "(rod_number IS NULL) <> (end_ IS NULL)", name=op.f("ck_fixing_at_a_rod_or_an_end")
        ),
        sa.CheckConstraint(
            "NOT present OR known_until IS NULL", name=op.f("ck_fixing_present_is_known")
        ),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from",
            name=op.f("ck_fixing_known_in_order"),
        ),
        sa.ForeignKeyConstraint(
            ["build_id"], ["build.id"], name=op.f("fk_fixing_build_id_build"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_fixing_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_fixing_part_id_part"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fixing")),
    )
    op.create_index("ix_fixing_build_id", "fixing", ["build_id"])
    op.create_index("ix_fixing_part_id", "fixing", ["part_id"])
    op.create_index(
        "uq_fixing_part_id_present", "fixing", ["part_id"], unique=True, **where("present")
    )


def hour_reading() -> None:
    op.create_table(
        "hour_reading",
        own_key(),
        sa.Column("stack_id", WHOLE, nullable=False),
        sa.Column("meter_id", WHOLE, nullable=False),
        sa.Column(
            "moment",
            word(
                "moment",
                "meter fitted",
                "in operation",
                "at opening",
                "at closing",
                "meter removed",
            ),
            nullable=False,
        ),
        sa.Column("hours", NUMBER, nullable=False, comment="h, as the meter showed"),
        sa.Column("taken_at", UTC, nullable=False),
        sa.Column("record_id", WHOLE, nullable=True),
        sa.Column("step_id", WHOLE, nullable=True),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", UTC, nullable=False),
        sa.Column("known_until", UTC, nullable=True),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.Column("replaces_id", WHOLE, nullable=True),
        sa.CheckConstraint("hours >= 0", name=op.f("ck_hour_reading_hours_are_not_negative")),
        sa.ForeignKeyConstraint(
            ["by_id"], ["person.id"], name=op.f("fk_hour_reading_by_id_person"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_hour_reading_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["meter_id"],
            ["hour_meter.id"],
            name=op.f("fk_hour_reading_meter_id_hour_meter"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_hour_reading_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id"],
            ["hour_reading.id"],
            name=op.f("fk_hour_reading_replaces_id_hour_reading"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["stack_id"],
            ["stack.id"],
            name=op.f("fk_hour_reading_stack_id_stack"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["step_id"], ["step.id"], name=op.f("fk_hour_reading_step_id_step"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hour_reading")),
    )
    op.create_index("ix_hour_reading_meter_id", "hour_reading", ["meter_id"])
    op.create_index("ix_hour_reading_record_id", "hour_reading", ["record_id"])
    op.create_index("ix_hour_reading_stack_id_taken_at", "hour_reading", ["stack_id", "taken_at"])


def layer() -> None:
    op.create_table(
        "layer",
        own_key(),
        sa.Column("build_id", WHOLE, nullable=False),
        sa.Column("position", WHOLE, nullable=False, comment="from the fixed end, from 1"),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("facing", word("facing", "fixed end", "free end", "either way"), nullable=False),
        sa.Column(
            "cell", WHOLE, nullable=True, comment="label within this build, from the fixed end"
        ),
        sa.Column(
            "present",
            sa.Boolean(),
            nullable=False,
            comment="in the stack's present build, as known now",
        ),
        sa.Column("known_from", UTC, nullable=False),
        sa.Column("known_until", UTC, nullable=True),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.CheckConstraint(
            "NOT present OR known_until IS NULL", name=op.f("ck_layer_present_is_known")
        ),
        sa.CheckConstraint(
            "known_until IS NULL OR known_until >= known_from", name=op.f("ck_layer_known_in_order")
        ),
        sa.CheckConstraint("position >= 1", name=op.f("ck_layer_position_counts_from_one")),
        sa.ForeignKeyConstraint(
            ["build_id"], ["build.id"], name=op.f("fk_layer_build_id_build"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_layer_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["part_id"], ["part.id"], name=op.f("fk_layer_part_id_part"), ondelete="RESTRICT"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_layer")),
    )
    op.create_index("ix_layer_build_id_position", "layer", ["build_id", "position"])
    op.create_index("ix_layer_part_id", "layer", ["part_id"])
    op.create_index(
        "uq_layer_build_id_position_known_now",
        "layer",
        ["build_id", "position"],
        unique=True,
        **where("known_until IS NULL"),
    )
    op.create_index(
        "uq_layer_part_id_present", "layer", ["part_id"], unique=True, **where("present")
    )


def make_safe_line() -> None:
    op.create_table(
        "make_safe_line",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("step_id", WHOLE, nullable=False),
        sa.Column("line_number", WHOLE, nullable=False),
        sa.Column(
            "wording", sa.Text(), nullable=False, comment="of the design's line as it read then"
        ),
        sa.Column("reading", NUMBER, nullable=True),
        sa.Column("unit", SHORT, nullable=True),
        sa.Column("instrument_id", WHOLE, nullable=True),
        sa.Column("calibration_id", WHOLE, nullable=True, comment="valid when it was taken"),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("witness_id", WHOLE, nullable=True),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibration.id"],
            name=op.f("fk_make_safe_line_calibration_id_calibration"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["instrument_id"],
            ["instrument.id"],
            name=op.f("fk_make_safe_line_instrument_id_instrument"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_make_safe_line_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_make_safe_line_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["step_id"],
            ["step.id"],
            name=op.f("fk_make_safe_line_step_id_step"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["witness_id"],
            ["person.id"],
            name=op.f("fk_make_safe_line_witness_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_make_safe_line")),
        sa.UniqueConstraint("step_id", name=op.f("uq_make_safe_line_step_id")),
    )
    op.create_index("ix_make_safe_line_record_id", "make_safe_line", ["record_id"])


def torque_reading() -> None:
    op.create_table(
        "torque_reading",
        own_key(),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("step_id", WHOLE, nullable=False),
        sa.Column("rod_number", WHOLE, nullable=False),
        sa.Column("pass_number", WHOLE, nullable=False),
        sa.Column("stage", word("stage", "as found", "closing"), nullable=False),
        sa.Column("kind", word("readingkind", "set", "residual", "breakaway"), nullable=False),
        sa.Column("torque_nm", NUMBER, nullable=False, comment="N·m"),
        sa.Column("entered", SHORT, nullable=False, comment="as typed, with its unit"),
        sa.Column("instrument_id", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True, comment="valid when it was taken"),
        sa.Column("concession_id", WHOLE, nullable=True),
        sa.Column("taken_at", UTC, nullable=False),
        sa.Column("by_id", WHOLE, nullable=False),
        sa.Column("known_from", UTC, nullable=False),
        sa.Column("known_until", UTC, nullable=True),
        sa.Column("correction_id", WHOLE, nullable=True),
        sa.Column("replaces_id", WHOLE, nullable=True),
        sa.CheckConstraint(
            "pass_number >= 1", name=op.f("ck_torque_reading_passes_count_from_one")
        ),
        sa.CheckConstraint("torque_nm >= 0", name=op.f("ck_torque_reading_torque_is_not_negative")),
        sa.ForeignKeyConstraint(
            ["by_id"],
            ["person.id"],
            name=op.f("fk_torque_reading_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibration.id"],
            name=op.f("fk_torque_reading_calibration_id_calibration"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["concession_id"],
            ["concession.id"],
            name=op.f("fk_torque_reading_concession_id_concession"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_torque_reading_correction_id_correction"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["instrument_id"],
            ["instrument.id"],
            name=op.f("fk_torque_reading_instrument_id_instrument"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f("fk_torque_reading_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id"],
            ["torque_reading.id"],
            name=op.f("fk_torque_reading_replaces_id_torque_reading"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["step_id"],
            ["step.id"],
            name=op.f("fk_torque_reading_step_id_step"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_torque_reading")),
    )
    op.create_index(
        "ix_torque_reading_instrument_id", "torque_reading", ["instrument_id", "taken_at"]
    )
    op.create_index("ix_torque_reading_record_id", "torque_reading", ["record_id", "rod_number"])
    op.create_index("ix_torque_reading_step_id", "torque_reading", ["step_id"])


TABLES = (
    design,
    instrument,
    part_type,
    person,
    sign_in_attempt,
    api_token,
    audit_entry,
    calibration,
    checklist_line,
    design_port,
    design_rod,
    entry_key,
    lot,
    person_role,
    sign_in_session,
    stack,
    hour_meter,
    part,
    rebuild_record,
    attachment,
    build,
    concession,
    correction,
    hold,
    record_person,
    step,
    build_period,
    decision,
    finding,
    fixing,
    hour_reading,
    layer,
    make_safe_line,
    torque_reading,
)
