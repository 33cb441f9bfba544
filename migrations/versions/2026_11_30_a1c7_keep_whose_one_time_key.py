"""Keep whose a one-time key is, where it was sent and the hash of what was sent.

Until here a key counted for everybody and everywhere. Keys of before keep their person, with an
empty place and hash: a call which is still retried is not made twice.

Revision ID: a1c7
Revises: f8b3
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "a1c7"
down_revision = "f8b3"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table anew, which neither engine's primary key lets grow in place."""
    lay_aside()
    lay(
        sa.Column("person_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column(
            "sent_to",
            sa.String(400),
            nullable=False,
            comment="method and path; empty for keys of before",
        ),
        sa.Column("key", sa.String(80), nullable=False),
        sa.Column(
            "payload_sha256", sa.String(64), nullable=False, comment="empty for keys of before"
        ),
        unique=("person_id", "sent_to", "key"),
    )
    op.execute(
        "INSERT INTO entry_key (person_id, sent_to, key, payload_sha256, answer, at)"
        " SELECT person_id, '', key, '', answer, at FROM entry_key_kept WHERE person_id IS NOT NULL"
    )
    op.execute("DROP TABLE entry_key_kept")


def downgrade() -> None:
    """Keep the keys which meant one thing only."""
    lay_aside()
    lay(
        sa.Column("key", sa.String(80), nullable=False),
        sa.Column("person_id", WHOLE, nullable=True),
        unique=("key",),
    )
    op.execute(
        "INSERT INTO entry_key (key, person_id, answer, at)"
        " SELECT key, person_id, answer, at FROM entry_key_kept WHERE key IN"
        " (SELECT key FROM entry_key_kept GROUP BY key HAVING COUNT(*) = 1)"
    )
    op.execute("DROP TABLE entry_key_kept")


def lay_aside() -> None:
    """Copy the rows and drop the table."""
    op.execute("CREATE TEMPORARY TABLE entry_key_kept AS SELECT * FROM entry_key")
    op.drop_table("entry_key")


def lay(*columns: sa.Column, unique: tuple[str, ...]) -> None:
    """Make the table with the columns that differ."""
    op.create_table(
        "entry_key",
        *columns,
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["person.id"],
            name=op.f("fk_entry_key_person_id_person"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint(*unique, name=op.f("pk_entry_key")),
    )
