"""Let the laboratory's words be reasons too: choices before own words.

A laboratory that wrote none begins with those the program brings; reasons given stay as they are.

Revision ID: c8e5
Revises: a7d2
Create Date: 2026-11-30
"""

from alembic import op

revision = "c8e5"
down_revision = "a7d2"
branch_labels = None
depends_on = None

LISTS = "ck_lab_words_wordlist"


def upgrade() -> None:
    """Allow both lists."""
    _allow("'conditions', 'reasons'")


def downgrade() -> None:
    """Refused by the old rule where reasons were written."""
    _allow("'conditions'")


def _allow(lists: str) -> None:
    op.get_context().opts["lift_triggers"]()
    with op.batch_alter_table("lab_words") as batch:
        batch.drop_constraint(op.f(LISTS), type_="check")
        batch.create_check_constraint(op.f(LISTS), f"list IN ({lists})")
