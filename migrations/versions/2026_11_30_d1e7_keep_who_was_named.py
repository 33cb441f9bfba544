"""Keep who was named in a record's head and taken out of it again.

Of before the trail tells: it names people as they were called then. Where several are called so,
each of them counts.

Revision ID: d1e7
Revises: d1a1
Create Date: 2026-11-30
"""

import json
from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "d1e7"
down_revision = "d1a1"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "record_person_removed"
HOW = ("worked on it", "witnessed")
CHANGED = """
SELECT record_id, person_id, at, changes FROM audit_entry
WHERE act = 'record:changed' AND record_id IS NOT NULL AND person_id IS NOT NULL
ORDER BY id
"""


def upgrade() -> None:
    """Make the table and fill it from the trail."""
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("involvement", sa.String(40), nullable=False),
        sa.Column("removed_by_id", WHOLE, nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "involvement IN ('worked on it', 'witnessed')", name=op.f(f"ck_{TABLE}_involvement")
        ),
        sa.ForeignKeyConstraint(
            ["record_id"],
            ["rebuild_record.id"],
            name=op.f(f"fk_{TABLE}_record_id_rebuild_record"),
            ondelete="RESTRICT",
        ),
        *(
            sa.ForeignKeyConstraint(
                [column],
                ["person.id"],
                name=op.f(f"fk_{TABLE}_{column}_person"),
                ondelete="RESTRICT",
            )
            for column in ("person_id", "removed_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_record_id"), TABLE, ["record_id"])
    op.create_index(op.f(f"ix_{TABLE}_person_id"), TABLE, ["person_id"])
    bound = op.get_bind()
    people: dict[str, list[int]] = {}
    for number, name in bound.execute(sa.text("SELECT id, name FROM person")):
        people.setdefault(name, []).append(number)
    for record_id, by_id, at, changes in bound.execute(sa.text(CHANGED)).all():
        for name, how in taken_out(changes):
            for person_id in people.get(name, ()):
                bound.execute(
                    sa.text(
                        f"INSERT INTO {TABLE}"  # noqa: S608 - our own name
                        " (record_id, person_id, involvement, removed_by_id, removed_at)"
                        " VALUES (:record, :person, :how, :by, :at)"
                    ),
                    {"record": record_id, "person": person_id, "how": how, "by": by_id, "at": at},
                )


def downgrade() -> None:
    """Forget who was taken out; the trail still tells."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)


def taken_out(changes: str) -> Iterator[tuple[str, str]]:
    """Give name and involvement of those a change of a head took out."""
    for field, before, after in json.loads(changes):
        if field != "people" or not isinstance(before, str):
            continue
        kept = str(after or "").split("; ")
        for words in before.split("; "):
            for how in HOW:
                if words not in kept and words.endswith(f" {how}"):
                    yield words.removesuffix(f" {how}"), how
