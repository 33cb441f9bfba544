"""Let part types and designs be held or conceded, and let parts wait to be looked at.

What was found on a part and left for somebody to decide makes the part not inspected, unless it was
judged, released or conceded since, or sits in a stack whose record is handed in: whoever approves
that record has the finding before them.

Revision ID: d4e7
Revises: a9d4
Create Date: 2026-11-30
"""

import json

import sqlalchemy as sa
from alembic import op

revision = "d4e7"
down_revision = "a9d4"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
USABLE = "'not inspected', 'accepted', 'accepted used', 'on hold', 'under concession', 'rejected'"
SUBJECTS = {
    "part": "part_id",
    "lot": "lot_id",
    "part_type": "part_type_id",
    "design": "design_id",
    "instrument": "instrument_id",
}
ADDED = ("part_type", "design")
STANDING = sa.text("lifted_at IS NULL")
FITTED_NOT_INSPECTED = sa.text("usability = 'not inspected' AND stack_id IS NOT NULL")
WAITING = sa.text("decided_at IS NULL")

NOW = {
    "sqlite": "SELECT strftime('%Y-%m-%d %H\\:%M\\:%f000', 'now')",
    "postgresql": "SELECT now()",
}
TO_BE_DECIDED = """
SELECT finding.part_id, step.id, step.written_at, finding.record_id,
       finding.condition, finding.where_, part.usability
FROM finding
JOIN step ON step.id = finding.step_id
JOIN rebuild_record ON rebuild_record.id = finding.record_id
JOIN part ON part.id = finding.part_id
WHERE finding.severity = 2 AND step.undone_at IS NULL AND rebuild_record.state <> 'void'
  AND part.whereabouts <> 'scrapped'
  AND part.usability IN ('not inspected', 'accepted', 'accepted used')
  AND (part.whereabouts <> 'fitted' OR rebuild_record.state IN ('open', 'sent back'))
  AND NOT EXISTS (
    SELECT 1 FROM audit_entry
    WHERE audit_entry.subject_kind = 'part' AND audit_entry.subject_id = finding.part_id
      AND audit_entry.act IN ('part:judged', 'hold:lifted', 'concession:given')
      AND audit_entry.at >= step.written_at)
ORDER BY step.id, finding.id
"""


def upgrade() -> None:
    """Widen the subjects, make the table, then ask for the decisions."""
    op.get_context().opts["lift_triggers"]()
    for table in ("hold", "concession"):
        with op.batch_alter_table(table) as batch:
            batch.drop_constraint(op.f(f"ck_{table}_one_subject"), type_="check")
            for subject in ADDED:
                column = SUBJECTS[subject]
                batch.add_column(sa.Column(column, WHOLE, nullable=True))
                batch.create_foreign_key(
                    op.f(f"fk_{table}_{column}_{subject}"),
                    subject,
                    [column],
                    ["id"],
                    ondelete="RESTRICT",
                )
            batch.create_check_constraint(
                op.f(f"ck_{table}_about_one_subject"), _exactly_one(SUBJECTS.values())
            )
    for subject in ADDED:
        column = SUBJECTS[subject]
        op.create_index(
            f"ix_hold_{column}",
            "hold",
            [column],
            sqlite_where=STANDING,
            postgresql_where=STANDING,
        )
        op.create_index(f"ix_concession_{column}", "concession", [column])
    op.create_index(
        "ix_part_stack_id_not_inspected",
        "part",
        ["stack_id"],
        sqlite_where=FITTED_NOT_INSPECTED,
        postgresql_where=FITTED_NOT_INSPECTED,
    )
    _make_inspection()
    found: dict[tuple[object, ...], list[str]] = {}
    for *finding, condition, where, before in op.get_bind().execute(sa.text(TO_BE_DECIDED)):
        seen = f"{condition}, {where}" if where else condition
        found.setdefault((*finding, before), []).append(seen)
    newest = {key[0]: key for key in found}
    for finding in newest.values():
        _ask(finding, "; ".join(found[finding]))


def downgrade() -> None:
    """Lift what only this step knows of; the parts stay not inspected."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table("inspection")
    op.drop_index("ix_part_stack_id_not_inspected", "part")
    for table in ("hold", "concession"):
        for subject in ADDED:
            op.drop_index(f"ix_{table}_{SUBJECTS[subject]}", table)
        rows = sa.table(table, sa.column("part_type_id"), sa.column("design_id"))
        named = sa.or_(rows.c.part_type_id.is_not(None), rows.c.design_id.is_not(None))
        op.execute(sa.delete(rows).where(named))
        with op.batch_alter_table(table) as batch:
            batch.drop_constraint(op.f(f"ck_{table}_about_one_subject"), type_="check")
            for subject in ADDED:
                column = SUBJECTS[subject]
                batch.drop_constraint(op.f(f"fk_{table}_{column}_{subject}"), type_="foreignkey")
                batch.drop_column(column)
            batch.create_check_constraint(
                op.f(f"ck_{table}_one_subject"),
                _exactly_one(x for of, x in SUBJECTS.items() if of not in ADDED),
            )


def _exactly_one(columns):  # type: ignore[no-untyped-def]
    return " + ".join(f"(CASE WHEN {x} IS NULL THEN 0 ELSE 1 END)" for x in columns) + " = 1"


def _make_inspection() -> None:
    references = {"part_id": "part", "step_id": "step", "decided_by_id": "person"}
    op.create_table(
        "inspection",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("part_id", WHOLE, nullable=False),
        sa.Column("step_id", WHOLE, nullable=False, comment="entry whose finding asks for it"),
        sa.Column("seen", sa.Text(), nullable=False, comment="what was found, in words"),
        sa.Column(
            "usability_before", sa.String(40), nullable=False, comment="given back with the undo"
        ),
        sa.Column("asked_at", UTC, nullable=False),
        sa.Column("decided_at", UTC, nullable=True, comment="none: it waits for a decision"),
        sa.Column("decided_by_id", WHOLE, nullable=True),
        sa.CheckConstraint(f"usability_before IN ({USABLE})", name=op.f("ck_inspection_usability")),
        sa.CheckConstraint(
            "(decided_at IS NULL) = (decided_by_id IS NULL)",
            name=op.f("ck_inspection_by_somebody"),
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{of}.id"],
                name=op.f(f"fk_inspection_{column}_{of}"),
                ondelete="RESTRICT",
            )
            for column, of in references.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_index(
        "ix_inspection_part_id",
        "inspection",
        ["part_id"],
        sqlite_where=WAITING,
        postgresql_where=WAITING,
    )
    op.create_index("ix_inspection_step_id", "inspection", ["step_id"])


def _ask(finding: tuple[object, ...], seen: str) -> None:
    """Ask for one decision, and write into the trail what the part is until then."""
    part_id, step_id, at, record_id, before = finding
    bound = op.get_bind()
    bound.execute(
        sa.text(
            "INSERT INTO inspection (part_id, step_id, seen, usability_before, asked_at)"
            " VALUES (:part, :step, :seen, :before, :at)"
        ),
        {"part": part_id, "step": step_id, "seen": seen, "before": before, "at": at},
    )
    if before == "not inspected":
        return
    bound.execute(
        sa.text("UPDATE part SET usability = 'not inspected' WHERE id = :part"), {"part": part_id}
    )
    label = bound.execute(
        sa.text(
            "SELECT COALESCE(part.serial, COALESCE(lot.label, 'lot not known')"
            " || ' item ' || part.item_number) FROM part"
            " LEFT JOIN lot ON lot.id = part.lot_id WHERE part.id = :part"
        ),
        {"part": part_id},
    ).scalar_one()
    changes = [["whether it may be used", before, "not inspected"]]
    bound.execute(
        sa.text(
            "INSERT INTO audit_entry (at, person_name, act, subject_kind, subject_id,"
            " subject_label, changes, reason, via)"
            " VALUES (:at, 'command line', 'part:to be decided', 'part', :part, :label, :changes,"
            " :why, 'command')"
        ),
        {
            "at": bound.execute(sa.text(NOW[bound.dialect.name])).scalar_one(),
            "part": part_id,
            "label": label,
            "changes": json.dumps(changes, ensure_ascii=False),
            "why": f"To be decided, by record {record_id}: {seen}",
        },
    )
