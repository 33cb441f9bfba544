"""Let a hold name the word that placed it, and hold what such words stand of already.

On hold goes each part with a standing word of failing, or with a finding that it must not be used
again, unless somebody judged it or lifted a hold of it since. A hold is dated by its word, so that
a concession given since still counts.

Revision ID: c3b8
Revises: a1c7
Create Date: 2026-11-30
"""

import json

import sqlalchemy as sa
from alembic import op

revision = "c3b8"
down_revision = "a1c7"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
BY = {"step_id": "step", "failing_mark_id": "failing_mark"}
COMMENTS = {
    "step_id": "entry whose finding placed it",
    "failing_mark_id": "word of failing that placed it",
}
ONE_WORD = "ck_hold_placed_by_one_word"

NOW = {
    "sqlite": "SELECT strftime('%Y-%m-%d %H\\:%M\\:%f000', 'now')",
    "postgresql": "SELECT now()",
}
FAILING = """
SELECT mark.part_id, mark.id, mark.confirmed_by_id, mark.confirmed_at, mark.reason
FROM failing_mark AS mark WHERE mark.withdrawn_at IS NULL ORDER BY mark.id
"""
FINDINGS = """
SELECT finding.part_id, step.id, step.by_id, step.written_at, finding.record_id,
       finding.condition, finding.where_
FROM finding
JOIN step ON step.id = finding.step_id
WHERE finding.severity = 3 AND step.undone_at IS NULL
  AND NOT EXISTS (
    SELECT 1 FROM audit_entry
    WHERE audit_entry.subject_kind = 'part' AND audit_entry.subject_id = finding.part_id
      AND audit_entry.act IN ('part:judged', 'hold:lifted')
      AND audit_entry.at >= step.written_at)
ORDER BY step.id, finding.id
"""


def upgrade() -> None:
    """Add the columns, then place the holds."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("hold") as batch:
        for column, table in BY.items():
            batch.add_column(sa.Column(column, WHOLE, nullable=True, comment=COMMENTS[column]))
            batch.create_foreign_key(
                op.f(f"fk_hold_{column}_{table}"), table, [column], ["id"], ondelete="RESTRICT"
            )
        batch.create_check_constraint(op.f(ONE_WORD), "step_id IS NULL OR failing_mark_id IS NULL")
    bound = op.get_bind()
    for row in bound.execute(sa.text(FAILING)).all():
        part_id, mark_id, by_id, at, why = row
        _hold(part_id, by_id, at, f"Confirmed as failing: {why}", failing_mark_id=mark_id)
    found: dict[tuple[object, ...], list[str]] = {}
    for *word, record_id, condition, where in bound.execute(sa.text(FINDINGS)).all():
        seen = f"{condition}, {where}" if where else condition
        found.setdefault((*word, record_id), []).append(seen)
    for (part_id, step_id, by_id, at, record_id), seen in found.items():
        why = f"Must not be used again, by record {record_id}: {'; '.join(seen)}"
        _hold(part_id, by_id, at, why, step_id=step_id)


def downgrade() -> None:
    """Forget which word placed a hold; the holds stay."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("hold") as batch:
        batch.drop_constraint(op.f(ONE_WORD), type_="check")
        for column, table in BY.items():
            batch.drop_constraint(op.f(f"fk_hold_{column}_{table}"), type_="foreignkey")
            batch.drop_column(column)


def _hold(part_id: object, by_id: object, at: object, why: str, **placed_by: object) -> None:
    """Place one hold, and write it into the trail as of now; what is scrapped is gone."""
    bound = op.get_bind()
    before, whereabouts = bound.execute(
        sa.text("SELECT usability, whereabouts FROM part WHERE id = :part"), {"part": part_id}
    ).one()
    if whereabouts == "scrapped":
        return
    first = bound.execute(
        sa.text(
            "SELECT usability_before FROM hold WHERE part_id = :part AND lifted_at IS NULL"
            " ORDER BY id LIMIT 1"
        ),
        {"part": part_id},
    ).scalar()
    word = {"step_id": None, "failing_mark_id": None} | placed_by
    bound.execute(
        sa.text(
            "INSERT INTO hold (part_id, usability_before, reason, placed_by_id, placed_at,"
            " lift_reason, step_id, failing_mark_id)"
            " VALUES (:part, :before, :why, :by, :at, '', :step_id, :failing_mark_id)"
        ),
        {"part": part_id, "before": first or before, "why": why, "by": by_id, "at": at, **word},
    )
    now = before if before == "under concession" else "on hold"
    bound.execute(
        sa.text("UPDATE part SET usability = :now WHERE id = :part"),
        {"now": now, "part": part_id},
    )
    label = bound.execute(
        sa.text(
            "SELECT COALESCE(part.serial, COALESCE(lot.label, 'lot not known')"
            " || ' item ' || part.item_number) FROM part"
            " LEFT JOIN lot ON lot.id = part.lot_id WHERE part.id = :part"
        ),
        {"part": part_id},
    ).scalar_one()
    changes = [["hold", None, "placed"]]
    if now != before:
        changes.append(["whether it may be used", before, now])
    bound.execute(
        sa.text(
            "INSERT INTO audit_entry (at, person_name, act, subject_kind, subject_id,"
            " subject_label, changes, reason, via)"
            " VALUES (:at, 'command line', 'hold:placed', 'part', :part, :label, :changes,"
            " :why, 'command')"
        ),
        {
            "at": bound.execute(sa.text(NOW[bound.dialect.name])).scalar_one(),
            "part": part_id,
            "label": label,
            "changes": json.dumps(changes, ensure_ascii=False),
            "why": why,
        },
    )
