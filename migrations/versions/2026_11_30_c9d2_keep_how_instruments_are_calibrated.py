"""Keep calibrations due by operations, their points and files, absences, devices and judgements.

Calibrations of before stay as they are: due by date, without points, never corrected.

Revision ID: c9d2
Revises: a2c9
Create Date: 2026-11-30
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "c9d2"
down_revision = "a2c9"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
REAL = sa.Float(53)
AS_LEFT = ("in tolerance as left", "out of tolerance as left")
DECISIONS = ("accept with the reason", "test again", "hold")
CHANGES = ("stiffness", "failing rule", "pattern", "lab words")
BELONGS = "ck_attachment_belongs_to_something"
BELONGS_BEFORE = "ck_attachment_shows_something"
TO = "record_id IS NOT NULL OR part_id IS NOT NULL OR shows_word IS NOT NULL"
ABOUT, ABOUT_BEFORE = "part type, design or calibration", "part type or design"
ADDED = {
    "due_operations": (WHOLE, "or after so many; none: not so"),
    "as_left": (sa.String(40), "none: not adjusted"),
    "known_until": (UTC, "when a correction took its place"),
    "replaces_id": (WHOLE, "what it corrects"),
}
TABLES: dict[
    str, tuple[dict[str, tuple[Any, bool, str | None]], dict[str, str], dict[str, str]]
] = {
    "calibration_point": (
        {
            "calibration_id": (WHOLE, False, None),
            "number": (WHOLE, False, None),
            "reference": (REAL, False, "true value"),
            "as_found": (REAL, True, "shown before any adjustment"),
            "as_left": (REAL, True, "shown after it"),
        },
        {"calibration_id": "calibration"},
        {},
    ),
    "instrument_away": (
        {
            "instrument_id": (WHOLE, False, None),
            "away_from": (UTC, False, None),
            "back_at": (UTC, True, None),
            "place": (sa.String(200), False, "where it is, or was"),
            "written_by_id": (WHOLE, False, None),
            "written_at": (UTC, False, None),
            "back_by_id": (WHOLE, True, None),
        },
        {"instrument_id": "instrument", "written_by_id": "person", "back_by_id": "person"},
        {
            "back_after_away": "back_at > away_from",
            "back_by_somebody": "(back_at IS NULL) = (back_by_id IS NULL)",
        },
    ),
    "instrument_device": (
        {
            "instrument_id": (WHOLE, False, None),
            "from_at": (UTC, False, None),
            "device": (sa.String(200), False, "maker's serial, or what was swapped"),
            "reason": (sa.Text(), False, None),
            "written_by_id": (WHOLE, False, None),
            "written_at": (UTC, False, None),
        },
        {"instrument_id": "instrument", "written_by_id": "person"},
        {},
    ),
    "use_judgement": (
        {
            "build_id": (WHOLE, False, None),
            "instrument_id": (WHOLE, False, None),
            "calibration_id": (
                WHOLE,
                True,
                "that found it out of tolerance; none: it had none that held",
            ),
            "decision": (sa.String(40), False, None),
            "reason": (sa.Text(), False, None),
            "content": (sa.Text(), False, "RFC 8785 JSON of what was judged"),
            "content_sha256": (sa.String(64), False, None),
            "signed_by_id": (WHOLE, False, None),
            "signed_at": (UTC, False, None),
            "remarks": (sa.Text(), True, "what stood beside the signature"),
        },
        {
            "build_id": "build",
            "instrument_id": "instrument",
            "calibration_id": "calibration",
            "signed_by_id": "person",
        },
        {"usedecision": f"decision IN ({', '.join(map(repr, DECISIONS))})"},
    ),
}
UNIQUE = {
    "calibration_point": ["calibration_id", "number"],
    "instrument_device": ["instrument_id", "from_at"],
}


def upgrade() -> None:
    """Add columns and tables; a file may be a certificate, a proposal of a calibration."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("calibration") as batch:
        for name, (kind, comment) in ADDED.items():
            batch.add_column(sa.Column(name, kind, nullable=True, comment=comment))
        batch.create_check_constraint(
            op.f("ck_calibration_due_after_operations"), "due_operations > 0"
        )
        batch.create_check_constraint(
            op.f("ck_calibration_asleft"), f"as_left IN ({', '.join(map(repr, AS_LEFT))})"
        )
        batch.create_foreign_key(
            op.f("fk_calibration_replaces_id_calibration"),
            "calibration",
            ["replaces_id"],
            ["id"],
            ondelete="RESTRICT",
        )
    for table, (columns, keys, checks) in TABLES.items():
        _make(table, columns, keys, checks)
    op.create_index(
        op.f("ix_instrument_away_now"),
        "instrument_away",
        ["instrument_id"],
        unique=True,
        sqlite_where=sa.text("back_at IS NULL"),
        postgresql_where=sa.text("back_at IS NULL"),
    )
    op.create_index(
        op.f("ix_instrument_away_instrument_id"), "instrument_away", ["instrument_id", "away_from"]
    )
    op.create_index(
        op.f("ix_use_judgement_build_id_instrument_id"),
        "use_judgement",
        ["build_id", "instrument_id"],
    )
    with op.batch_alter_table("attachment") as batch:
        batch.add_column(
            sa.Column("calibration_id", WHOLE, nullable=True, comment="its certificate")
        )
        batch.create_foreign_key(
            op.f("fk_attachment_calibration_id_calibration"),
            "calibration",
            ["calibration_id"],
            ["id"],
            ondelete="RESTRICT",
        )
        batch.drop_constraint(op.f(BELONGS_BEFORE), type_="check")
        batch.create_check_constraint(op.f(BELONGS), f"{TO} OR calibration_id IS NOT NULL")
    op.create_index(op.f("ix_attachment_calibration_id"), "attachment", ["calibration_id"])
    _kinds_of_change((*CHANGES, "calibration"), ABOUT, ABOUT_BEFORE)


def downgrade() -> None:
    """Forget them; a certificate kept as a file or a calibration proposed stands in the way."""
    op.get_context().opts["lift_triggers"]()
    _kinds_of_change(CHANGES, ABOUT_BEFORE, ABOUT)
    op.drop_index(op.f("ix_attachment_calibration_id"), "attachment")
    with op.batch_alter_table("attachment") as batch:
        batch.drop_constraint(op.f(BELONGS), type_="check")
        batch.create_check_constraint(op.f(BELONGS_BEFORE), TO)
        batch.drop_constraint(op.f("fk_attachment_calibration_id_calibration"), type_="foreignkey")
        batch.drop_column("calibration_id")
    for table in reversed(TABLES):
        op.drop_table(table)
    with op.batch_alter_table("calibration") as batch:
        batch.drop_constraint(op.f("fk_calibration_replaces_id_calibration"), type_="foreignkey")
        batch.drop_constraint(op.f("ck_calibration_asleft"), type_="check")
        batch.drop_constraint(op.f("ck_calibration_due_after_operations"), type_="check")
        for name in reversed(ADDED):
            batch.drop_column(name)


def _make(
    table: str,
    columns: dict[str, tuple[Any, bool, str | None]],
    keys: dict[str, str],
    checks: dict[str, str],
) -> None:
    unique = UNIQUE.get(table)
    op.create_table(
        table,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        *(
            sa.Column(name, kind, nullable=nullable, comment=comment)
            for name, (kind, nullable, comment) in columns.items()
        ),
        *(
            sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))
            for name, condition in checks.items()
        ),
        *(
            sa.ForeignKeyConstraint(
                [column], [f"{to}.id"], name=op.f(f"fk_{table}_{column}_{to}"), ondelete="RESTRICT"
            )
            for column, to in keys.items()
        ),
        *(
            [sa.UniqueConstraint(*unique, name=op.f(f"uq_{table}_{'_'.join(unique)}"))]
            if unique
            else []
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
    )


def _kinds_of_change(kinds: tuple[str, ...], comment: str, before: str) -> None:
    check = op.f("ck_proposed_change_changekind")
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(check, type_="check")
        batch.create_check_constraint(check, f"kind IN ({', '.join(map(repr, kinds))})")
        batch.alter_column(
            "subject_id",
            existing_type=WHOLE,
            existing_nullable=False,
            comment=comment,
            existing_comment=before,
        )
