"""Keep badges, PINs and enrolled tablets, and how each session was entered.

Sessions of before were entered with a password.

Revision ID: b5d2
Revises: b4f7
Create Date: 2026-11-30
"""

import sqlalchemy as sa
from alembic import op

revision = "b5d2"
down_revision = "b4f7"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
SESSION = "sign_in_session"
ON_A_TABLET = "ck_sign_in_session_pin_and_badge_on_a_tablet"
WORDS = "ck_sign_in_session_entered"


def upgrade() -> None:
    """Make the tables and columns."""
    op.create_table(
        "badge",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("code", sa.String(200), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_at", UTC, nullable=True),
        _of_person("badge", "person_id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_badge")),
        sa.UniqueConstraint("code", name=op.f("uq_badge_code")),
    )
    in_use = sa.text("withdrawn_at IS NULL")
    op.create_index(
        "uq_badge_person_id_in_use",
        "badge",
        ["person_id"],
        unique=True,
        sqlite_where=in_use,
        postgresql_where=in_use,
    )
    op.create_table(
        "person_pin",
        sa.Column("person_id", WHOLE, nullable=False),
        sa.Column("pin_hash", sa.Text(), nullable=False, comment="Argon2id"),
        sa.Column("chosen_at", UTC, nullable=False),
        sa.Column(
            "wrong_in_a_row",
            WHOLE,
            nullable=False,
            comment="tries begun since the last right one or sign-in with the password",
        ),
        sa.CheckConstraint(
            "wrong_in_a_row BETWEEN 0 AND 5", name=op.f("ck_person_pin_five_wrong_at_most")
        ),
        _of_person("person_pin", "person_id"),
        sa.PrimaryKeyConstraint("person_id", name=op.f("pk_person_pin")),
    )
    op.create_table(
        "tablet",
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("label", sa.String(200), nullable=False),
        sa.Column("token_sha256", sa.String(64), nullable=False),
        sa.Column("enrolled_by_id", WHOLE, nullable=False),
        sa.Column("enrolled_at", UTC, nullable=False),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.CheckConstraint("label <> ''", name=op.f("ck_tablet_label_is_given")),
        _of_person("tablet", "enrolled_by_id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tablet")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_tablet_token_sha256")),
    )
    with op.batch_alter_table(SESSION) as batch:
        batch.add_column(sa.Column("entered", sa.String(40), nullable=True))
        batch.add_column(
            sa.Column("tablet_id", WHOLE, nullable=True, comment="none: a browser of one person")
        )
        batch.add_column(
            sa.Column(
                "locked_at", UTC, nullable=True, comment="until PIN or password is typed again"
            )
        )
    op.execute(f"UPDATE {SESSION} SET entered = 'password'")  # noqa: S608 - our own words
    with op.batch_alter_table(SESSION) as batch:
        batch.alter_column("entered", existing_type=sa.String(40), nullable=False)
        batch.create_check_constraint(op.f(WORDS), "entered IN ('password', 'PIN', 'badge')")
        batch.create_check_constraint(
            op.f(ON_A_TABLET), "entered = 'password' OR tablet_id IS NOT NULL"
        )
        batch.create_foreign_key(
            op.f(f"fk_{SESSION}_tablet_id_tablet"),
            "tablet",
            ["tablet_id"],
            ["id"],
            ondelete="RESTRICT",
        )


def _of_person(table: str, column: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        [column], ["person.id"], name=op.f(f"fk_{table}_{column}_person"), ondelete="RESTRICT"
    )


def downgrade() -> None:
    """End what was entered by PIN or badge, and forget badges, PINs and tablets."""
    op.get_context().opts["lift_triggers"]()
    op.execute(f"DELETE FROM {SESSION} WHERE entered <> 'password'")  # noqa: S608 - our own words
    with op.batch_alter_table(SESSION) as batch:
        batch.drop_constraint(op.f(ON_A_TABLET), type_="check")
        batch.drop_constraint(op.f(WORDS), type_="check")
        batch.drop_constraint(op.f(f"fk_{SESSION}_tablet_id_tablet"), type_="foreignkey")
        for column in ("locked_at", "tablet_id", "entered"):
            batch.drop_column(column)
    for table in ("tablet", "person_pin", "badge"):
        op.drop_table(table)
