"""Keep make-safe lists of the site, bump tests and handovers.

Each distinct checklist of the designs becomes a list that waits for an approval; it is for the
stacks of the designs it came from. Until it, or another list of the site, is in force, the designs'
checklists stay what their stacks are opened by. Nobody wrote what is carried over.

Revision ID: b1f6
Revises: b3e6
Create Date: 2026-11-30
"""

import hashlib
import json
from collections import defaultdict
from typing import Any

import rfc8785
import sqlalchemy as sa
from alembic import op

revision = "b1f6"
down_revision = "b3e6"
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
STEP_KINDS = (
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
    "departure from the design",
    "closing check",
    "leak test",
    "insulation test",
    "short check",
    "not done",
    "torque tool set",
    "nut tightened by a click tool",
)
MORE_STEP_KINDS = ("bump test", "handover")
CHANGE_KINDS = ("stiffness", "failing rule", "pattern", "lab words", "calibration")
LIST = "make-safe list"
ACTS = ("opening", "re-torque", "leak test")
PRINCIPLES = (
    "catalytic",
    "thermal conductivity",
    "electrochemical",
    "infrared",
    "paramagnetic",
)
MATRICES = ("air", "inert gas", "inert gas, diluted with air", "air and inert gas")
WHY = "carried over: it was the checklist of its designs"


def upgrade() -> None:
    """Add lists, bump tests and handovers; carry the checklists over."""
    op.get_context().opts["lift_triggers"]()
    _lists()
    _entries()
    with op.batch_alter_table("instrument") as batch:
        batch.add_column(
            sa.Column(
                "principle", word("principle", PRINCIPLES),
                comment="how an instrument for gases senses",
            )
        )  # fmt: skip
        batch.add_column(
            sa.Column(
                "gas_matrix", word("gasmatrix", MATRICES), comment="gas it reads another gas in"
            )
        )
    allow("step", "kind", "ck_step_stepkind", (*STEP_KINDS, *MORE_STEP_KINDS))
    with op.batch_alter_table("step") as batch:
        batch.add_column(
            sa.Column(
                "act", word("safeact", ACTS),
                comment="of make-safe: what it was done for; none: the opening",
            )
        )  # fmt: skip
    allow("proposed_change", "kind", "ck_proposed_change_changekind", (*CHANGE_KINDS, LIST))
    with op.batch_alter_table("proposed_change") as batch:
        batch.alter_column(
            "subject_id",
            existing_type=ID,
            existing_nullable=False,
            comment="part type, design, calibration or make-safe list",
        )
        batch.alter_column(
            "made_by_id",
            existing_type=ID,
            nullable=True,
            comment="none: carried over from checklists of designs",
        )
        batch.create_check_constraint(
            op.f("ck_proposed_change_made_by_somebody"),
            "made_by_id IS NOT NULL OR kind = 'make-safe list'",
        )
    _carry_over()


def downgrade() -> None:
    """Refused by the old rules where lists, bump tests or handovers are kept."""
    op.get_context().opts["lift_triggers"]()
    op.execute(
        "DELETE FROM proposed_change WHERE kind = 'make-safe list' AND made_by_id IS NULL"
        " AND approved_at IS NULL AND id NOT IN (SELECT proposal_id FROM record_make_safe_list)"
    )
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(op.f("ck_proposed_change_made_by_somebody"), type_="check")
        batch.alter_column("made_by_id", existing_type=ID, nullable=False, comment=None)
        batch.alter_column(
            "subject_id",
            existing_type=ID,
            existing_nullable=False,
            comment="part type, design or calibration",
        )
    allow("proposed_change", "kind", "ck_proposed_change_changekind", CHANGE_KINDS)
    with op.batch_alter_table("step") as batch:
        batch.drop_constraint(op.f("ck_step_safeact"), type_="check")
        batch.drop_column("act")
    allow("step", "kind", "ck_step_stepkind", STEP_KINDS)
    with op.batch_alter_table("instrument") as batch:
        batch.drop_constraint(op.f("ck_instrument_principle"), type_="check")
        batch.drop_constraint(op.f("ck_instrument_gasmatrix"), type_="check")
        batch.drop_column("principle")
        batch.drop_column("gas_matrix")
    for table in (
        *("handover", "bump_test", "record_make_safe_list"),
        *("make_safe_list_design", "make_safe_list"),
    ):
        op.drop_table(table)


def word(name: str, words: tuple[str, ...]) -> sa.Enum:
    """Return a word checked by the database."""
    return sa.Enum(*words, native_enum=False, create_constraint=True, length=40, name=name)


def allow(table: str, column: str, name: str, words: tuple[str, ...]) -> None:
    """Let a column hold these words only."""
    with op.batch_alter_table(table) as batch:
        batch.drop_constraint(op.f(name), type_="check")
        batch.create_check_constraint(
            op.f(name), f"{column} IN ({', '.join(repr(each) for each in words)})"
        )


def _lists() -> None:
    op.create_table(
        "make_safe_list",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("act", word("safeact", ACTS), nullable=False),
        sa.Column(
            "place",
            sa.String(200),
            nullable=False,
            comment="bench or place as typed; empty: everywhere",
        ),
        sa.Column(
            "place_key", sa.String(200), nullable=False, comment="without regard to case and space"
        ),
        sa.Column(
            "carried_from",
            sa.Text(),
            nullable=False,
            comment="designs whose checklist it was; empty: written for the site",
        ),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
    )
    of_the_site = sa.text("carried_from = ''")
    op.create_index(
        "uq_make_safe_list_act_place_key",
        "make_safe_list",
        ["act", "place_key"],
        unique=True,
        sqlite_where=of_the_site,
        postgresql_where=of_the_site,
    )
    op.create_table(
        "make_safe_list_design",
        sa.Column("list_id", ID, to("make_safe_list"), primary_key=True),
        sa.Column("design_id", ID, to("design"), primary_key=True, index=True),
    )


def _entries() -> None:
    op.create_table(
        "record_make_safe_list",
        sa.Column("record_id", ID, to("rebuild_record"), primary_key=True),
        sa.Column("act", word("safeact", ACTS), primary_key=True),
        sa.Column("proposal_id", ID, to("proposed_change"), nullable=False, comment="the version"),
    )
    op.create_table(
        "bump_test",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("record_id", ID, to("rebuild_record"), nullable=False, index=True),
        sa.Column("step_id", ID, to("step"), nullable=False, unique=True),
        sa.Column("instrument_id", ID, to("instrument"), nullable=False, index=True),
        sa.Column(
            "gas", sa.String(200), nullable=False, comment="test gas with its share, in words"
        ),
        sa.Column("reading", sa.Float(53), comment="shown, in unit"),
        sa.Column("unit", sa.String(200), nullable=False),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("person_id", ID, to("person"), nullable=False),
    )
    op.create_table(
        "handover",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("record_id", ID, to("rebuild_record"), nullable=False, index=True),
        sa.Column("step_id", ID, to("step"), nullable=False, unique=True),
        sa.Column("from_person_id", ID, to("person"), nullable=False),
        sa.Column("to_person_id", ID, to("person"), nullable=False),
        sa.Column("pile", sa.Text(), nullable=False, comment="state of the pile, in words"),
        sa.Column("covers", sa.Text(), nullable=False, comment="covers fitted, in words"),
        sa.CheckConstraint(
            "from_person_id <> to_person_id", name=op.f("ck_handover_to_somebody_else")
        ),
    )


def to(table: str) -> sa.ForeignKey:
    """Name a row that cannot be deleted."""
    return sa.ForeignKey(f"{table}.id", ondelete="RESTRICT")


def _carry_over() -> None:
    """Write one list for each distinct checklist, waiting for an approval."""
    bind = op.get_bind()
    names = {
        row.id: f"{row.name} {row.revision}"
        for row in bind.execute(sa.text("SELECT id, name, revision FROM design ORDER BY id"))
    }
    lines: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in bind.execute(
        sa.text(
            "SELECT design_id, number, wording, unit, reading_most, needs_instrument,"
            " needs_witness FROM checklist_line ORDER BY design_id, number"
        )
    ):
        line = dict(row._mapping)
        design_id = line.pop("design_id")
        for name in ("needs_instrument", "needs_witness"):
            line[name] = bool(line[name])
        lines[design_id].append(
            {name: value for name, value in line.items() if value not in (None, "", False)}
        )
    designs_of: dict[str, list[int]] = defaultdict(list)
    for design_id, checklist in lines.items():
        content = rfc8785.dumps({"lines": checklist}).decode()
        designs_of[content].append(design_id)
    for content, designs in designs_of.items():
        _write_list(bind, content, designs, ", ".join(names[each] for each in designs))


def _write_list(bind: sa.Connection, content: str, designs: list[int], carried_from: str) -> None:
    at = sa.DateTime(timezone=True)
    lists = sa.table(
        "make_safe_list",
        *(sa.column(name) for name in ("id", "act", "place", "place_key", "carried_from")),
        sa.column("made_at", at),
    )
    list_id = bind.execute(
        lists.insert()
        .values(
            act="opening",
            place="",
            place_key="",
            carried_from=carried_from,
            made_at=sa.func.current_timestamp(),
        )
        .returning(lists.c.id)
    ).scalar_one()
    of_designs = sa.table("make_safe_list_design", sa.column("list_id"), sa.column("design_id"))
    bind.execute(of_designs.insert(), [{"list_id": list_id, "design_id": each} for each in designs])
    names = ("kind", "subject_id", "subject_label", "content", "content_sha256", "changes")
    more = ("source", "reason", "made_by_id")
    proposals = sa.table(
        "proposed_change",
        *(sa.column(name) for name in (*names, *more)),
        sa.column("made_at", at),
    )
    changes = [
        [f"line {line['number']}", None, line["wording"]] for line in json.loads(content)["lines"]
    ]
    bind.execute(
        proposals.insert().values(
            kind=LIST,
            subject_id=list_id,
            subject_label=f"opening, stacks of {carried_from}"[:200],
            content=content,
            content_sha256=hashlib.sha256(content.encode()).hexdigest(),
            changes=json.dumps(changes, ensure_ascii=False),
            source="",
            reason=WHY,
            made_by_id=None,
            made_at=sa.func.current_timestamp(),
        )
    )
