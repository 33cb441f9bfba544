"""Let a result of a closing name the correction it was computed anew for.

What corrections of before reached was not computed anew: it stays as it was kept, and its verdicts
say "test again" with the correction. Each release such a correction ended gets its entry in the
trail, as of now.

Revision ID: b4f7
Revises: d4e7
Create Date: 2026-11-30
"""

import json

import sqlalchemy as sa
from alembic import op

revision = "b4f7"
down_revision = "d4e7"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE, COLUMN = "closing_result", "correction_id"
KEY = "fk_closing_result_correction_id_correction"

NOW = {
    "sqlite": "SELECT strftime('%Y-%m-%d %H\\:%M\\:%f000', 'now')",
    "postgresql": "SELECT now()",
}
# The last release of each build, and the first correction of what the build is approved since,
# before it was opened: of its layers, its nuts, its hours or its closing.
OUTLIVED = """
SELECT build.id AS build_id, build.number, stack.id AS stack_id, stack.serial,
       MIN(correction.id) AS correction_id
FROM build
JOIN stack ON stack.id = build.stack_id
JOIN build_period ON build_period.build_id = build.id AND build_period.known_until IS NULL
JOIN (SELECT build_id, MAX(released_at) AS at FROM build_release GROUP BY build_id) AS released
  ON released.build_id = build.id
JOIN rebuild_record AS record ON record.stack_id = build.stack_id
JOIN correction ON correction.record_id = record.id
JOIN decision ON decision.correction_id = correction.id
  AND decision.meaning = 'correction approved'
WHERE decision.at > released.at
  AND (build_period.opened_at IS NULL OR decision.at < build_period.opened_at)
  AND (EXISTS (SELECT 1 FROM layer
               WHERE layer.build_id = build.id AND layer.correction_id = correction.id)
    OR ((record.id = build.record_id
         OR (record.base_build_id = build.id AND record.opened_at IS NULL))
      AND (correction.of_ IN ('hour-meter reading', 'time of closing')
        OR EXISTS (SELECT 1 FROM torque_reading AS nut
                   WHERE nut.record_id = correction.record_id
                     AND nut.correction_id = correction.id AND nut.stage = 'closing'))))
  AND NOT EXISTS (SELECT 1 FROM audit_entry
                  WHERE audit_entry.subject_kind = 'correction'
                    AND audit_entry.subject_id = correction.id
                    AND audit_entry.act = 'correction:approved'
                    AND audit_entry.changes LIKE '%ended by this correction%')
GROUP BY build.id, build.number, stack.id, stack.serial
ORDER BY build.id
"""


def upgrade() -> None:
    """Add the column, then write down which releases had ended."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table(TABLE) as batch:
        batch.add_column(
            sa.Column(
                COLUMN, WHOLE, nullable=True, comment="computed anew for it; none: at hand-in"
            )
        )
        batch.create_foreign_key(op.f(KEY), "correction", [COLUMN], ["id"], ondelete="RESTRICT")
    bound = op.get_bind()
    for row in bound.execute(sa.text(OUTLIVED)).all():
        _tell(row)


def downgrade() -> None:
    """Forget for which correction a result was computed; the results stay."""
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table(TABLE) as batch:
        batch.drop_constraint(op.f(KEY), type_="foreignkey")
        batch.drop_column(COLUMN)


def _tell(row: sa.Row[tuple[object, ...]]) -> None:
    bound = op.get_bind()
    label = f"build {row.number} of {row.serial}"
    why = f"Correction {row.correction_id} was approved after the release."
    bound.execute(
        sa.text(
            "INSERT INTO audit_entry (at, person_name, act, subject_kind, subject_id,"
            " subject_label, changes, reason, via, stack_id)"
            " VALUES (:at, 'command line', 'build:release ended', 'build', :build, :label,"
            " :changes, :why, 'command', :stack)"
        ),
        {
            "at": bound.execute(sa.text(NOW[bound.dialect.name])).scalar_one(),
            "build": row.build_id,
            "label": label,
            "changes": json.dumps(
                [
                    [
                        f"release of {label}",
                        "released",
                        f"ended by correction {row.correction_id}, closing not computed anew",
                    ]
                ]
            ),
            "why": why,
            "stack": row.stack_id,
        },
    )
