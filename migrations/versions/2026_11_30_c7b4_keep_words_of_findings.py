"""Keep the laboratory's words for findings in versions, and where on a part a finding is.

The fixed words of before are the first version of a laboratory that has people; a new one begins
with those the program brings. Findings of before keep what was written, and get the code of it.

Revision ID: c7b4
Revises: a7d1
Create Date: 2026-11-30
"""

import json
from hashlib import sha256

import sqlalchemy as sa
from alembic import op

revision = "c7b4"
down_revision = "a7d1"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
UTC = sa.DateTime(timezone=True)
NOW = {
    "sqlite": "strftime('%Y-%m-%d %H\\:%M\\:%f000', 'now')",
    "postgresql": "now()",
}
TABLE = "lab_words"
KINDS = (
    *("MEA", "half plate", "gasket", "blank cell", "current collector", "insulator plate"),
    *("compression plate", "tie rod", "sleeve", "disc spring", "nut"),
)
STANDING_ALONE = ("none seen", "not inspected")
FIRST = (
    (
        ("MEA",),
        "pinhole",
    ),
    (
        ("half plate", "blank cell"),
        "hairline crack",
    ),
    (
        ("half plate", "blank cell", "insulator plate", "compression plate"),
        "bowed",
    ),
    (
        ("gasket", "disc spring"),
        "flattened for good",
    ),
    (
        ("current collector",),
        "tarnished",
    ),
    (
        ("insulator plate", "compression plate", "sleeve", "disc spring"),
        "cracked",
    ),
    (
        ("tie rod", "nut"),
        "thread galled",
    ),
    (
        ("sleeve",),
        "cut",
    ),
    (
        ("MEA",),
        "tear",
    ),
    (
        ("half plate", "blank cell"),
        "broken through",
    ),
    (
        ("gasket",),
        "squeezed out",
    ),
    (
        ("current collector", "compression plate", "tie rod", "disc spring", "nut"),
        "corroded",
    ),
    (
        ("current collector", "tie rod"),
        "bent",
    ),
    (
        ("insulator plate", "sleeve"),
        "worn",
    ),
    (
        ("compression plate", "nut"),
        "bearing face worn",
    ),
    (
        ("disc spring",),
        "stacked the wrong way",
    ),
    (
        ("MEA",),
        "crack",
    ),
    (
        ("half plate", "blank cell"),
        "chipped at a port",
    ),
    (
        ("gasket",),
        "out of its groove",
    ),
    (
        ("current collector",),
        "plating worn",
    ),
    (
        ("insulator plate", "sleeve"),
        "tracking mark",
    ),
    (
        ("tie rod",),
        "necked",
    ),
    (
        ("MEA",),
        "thin spot",
    ),
    (
        ("half plate", "blank cell"),
        "chipped at an edge",
    ),
    (
        ("gasket",),
        "twisted",
    ),
    (
        ("current collector",),
        "plating blistered",
    ),
    (
        ("nut",),
        "washer not there",
    ),
    (
        ("MEA",),
        "burn mark",
    ),
    (
        ("MEA", "insulator plate"),
        "discoloured",
    ),
    (
        ("half plate", "blank cell"),
        "channel blocked",
    ),
    (
        ("half plate", "blank cell", "current collector"),
        "arc mark",
    ),
    (
        ("half plate", "blank cell", "insulator plate", "compression plate"),
        "port scaled",
    ),
    (
        ("gasket",),
        "cut or nicked",
    ),
    (
        ("gasket", "disc spring"),
        "not there",
    ),
    (
        ("tie rod",),
        "thread worn",
    ),
    (
        ("sleeve",),
        "too short",
    ),
    (
        ("MEA",),
        "torn at the frame",
    ),
    (
        ("half plate", "blank cell"),
        "lands worn",
    ),
    (
        ("gasket",),
        "bonded to the plate",
    ),
    (
        ("current collector",),
        "uneven contact print",
    ),
    (
        ("MEA",),
        "imprint of channels",
    ),
    (
        ("MEA", "gasket"),
        "swollen",
    ),
    (
        ("half plate", "blank cell"),
        "deposit",
    ),
    (
        ("current collector",),
        "terminal loose",
    ),
    (
        ("MEA",),
        "wrinkle",
    ),
    (
        ("half plate", "blank cell"),
        "pitted",
    ),
    (
        ("gasket",),
        "hardened or cracked",
    ),
    (
        ("MEA",),
        "layers coming apart",
    ),
    (
        ("gasket",),
        "attacked",
    ),
    (
        ("MEA",),
        "frame lifted; bare catalyst area",
    ),
    (
        ("half plate", "blank cell"),
        "coolant seepage",
    ),
    (
        ("gasket",),
        "two instead of one",
    ),
    (
        ("half plate", "blank cell"),
        "coating lifting",
    ),
    (
        ("gasket",),
        "dirt under the seal",
    ),
    (
        ("MEA",),
        "salt or dirt",
    ),
    (
        ("half plate", "blank cell"),
        "stuck on lifting",
    ),
    (
        ("gasket",),
        "standing into a port",
    ),
    (
        ("MEA",),
        (
            "dry and brittle; out of register; fibres pulled out; gas diffusion layer "
            "crushed; gas diffusion layer pressed into channels; gas diffusion layer stuck to "
            "the plate; flooding stain; carbon eaten away"
        ),
    ),
    (
        KINDS,
        "wet; free water; particles; other, see the note",
    ),
)
"""Conditions that were fixed before, by the kinds of part they are seen on."""
CHANGES = ("stiffness", "failing rule", "pattern")
CHANGE_KIND = "ck_proposed_change_changekind"
SHOWS, BELONGS = "ck_attachment_shows_something", "ck_attachment_belongs_somewhere"
OF_FINDING = {
    "area_is_a_share": "area_percent > 0 AND area_percent <= 100",
    "place_is_on_a_face": "face IS NOT NULL OR (places IS NULL AND area_percent IS NULL)",
}
COLUMNS = (
    ("code", sa.String(200), "of the word; none: it stands alone"),
    ("face", sa.String(200), "of the part it is on"),
    ("places", sa.String(200), "squares A1 to F6 of the face, with spaces between"),
    ("area_percent", sa.Float(), "% of the face"),
)


def upgrade() -> None:
    """Make the table and columns, then write the first version and the codes."""
    op.get_context().opts["lift_triggers"]()
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, autoincrement=True, nullable=False),
        sa.Column("list", sa.String(40), nullable=False),
        sa.Column("version", WHOLE, nullable=False),
        sa.Column("content", sa.Text(), nullable=False, comment="RFC 8785 JSON of all its words"),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("made_by_id", WHOLE, nullable=True, comment="none: it came with the program"),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("in_force_from", UTC, nullable=False),
        sa.Column("proposal_id", WHOLE, nullable=True, comment="approved by a second person"),
        sa.CheckConstraint("list IN ('conditions')", name=op.f(f"ck_{TABLE}_wordlist")),
        sa.CheckConstraint("version >= 1", name=op.f(f"ck_{TABLE}_versions_count_from_one")),
        sa.ForeignKeyConstraint(
            ["made_by_id"],
            ["person.id"],
            name=op.f(f"fk_{TABLE}_made_by_id_person"),
            ondelete="RESTRICT",
        ),
        sa.ForeignKeyConstraint(
            ["proposal_id"],
            ["proposed_change.id"],
            name=op.f(f"fk_{TABLE}_proposal_id_proposed_change"),
            ondelete="RESTRICT",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{TABLE}")),
        sa.UniqueConstraint("list", "version", name=op.f(f"uq_{TABLE}_list_version")),
    )
    with op.batch_alter_table("finding") as batch:
        batch.alter_column("condition", comment="the laboratory's word as it was then")
        for name, kind, comment in COLUMNS:
            batch.add_column(sa.Column(name, kind, nullable=True, comment=comment))
        for name, condition in OF_FINDING.items():
            batch.create_check_constraint(op.f(f"ck_finding_{name}"), condition)
    with op.batch_alter_table("attachment") as batch:
        comment = "code of the condition it is the picture of"
        batch.add_column(sa.Column("shows_word", sa.String(200), nullable=True, comment=comment))
        batch.create_index(op.f("ix_attachment_shows_word"), ["shows_word"])
        batch.drop_constraint(op.f(BELONGS), type_="check")
        batch.create_check_constraint(
            op.f(SHOWS), "record_id IS NOT NULL OR part_id IS NOT NULL OR shows_word IS NOT NULL"
        )
    _allow((*CHANGES, "lab words"))
    bound = op.get_bind()
    if bound.scalar(sa.text("SELECT count(*) FROM person")):
        _write_first(bound)
    for word in bound.scalars(sa.text("SELECT DISTINCT condition FROM finding")).all():
        if word not in STANDING_ALONE:
            bound.execute(
                sa.text("UPDATE finding SET code = :code WHERE condition = :word"),
                {"code": _code(word), "word": word},
            )


def downgrade() -> None:
    """Forget the words; findings keep what was written of them."""
    op.get_context().opts["lift_triggers"]()
    op.drop_table(TABLE)
    with op.batch_alter_table("finding") as batch:
        batch.alter_column("condition", comment="a word of trade/conditions")
        for name in OF_FINDING:
            batch.drop_constraint(op.f(f"ck_finding_{name}"), type_="check")
        for name, _kind, _comment in COLUMNS:
            batch.drop_column(name)
    with op.batch_alter_table("attachment") as batch:
        batch.drop_constraint(op.f(SHOWS), type_="check")
        batch.drop_index(op.f("ix_attachment_shows_word"))
        batch.drop_column("shows_word")
        batch.create_check_constraint(op.f(BELONGS), "record_id IS NOT NULL OR part_id IS NOT NULL")
    _allow(CHANGES)


def _allow(kinds: tuple[str, ...]) -> None:
    with op.batch_alter_table("proposed_change") as batch:
        batch.drop_constraint(op.f(CHANGE_KIND), type_="check")
        batch.create_check_constraint(
            op.f(CHANGE_KIND), f"kind IN ({', '.join(repr(kind) for kind in kinds)})"
        )


def _write_first(bound: sa.Connection) -> None:
    words = [
        {
            "code": _code(word),
            "fits": list(kinds),
            "former": [],
            "guidance": "",
            "severity": None,
            "since": "",
            "until": "",
            "word": word,
        }
        for kinds, listed in FIRST
        for word in listed.split("; ")
    ]
    content = json.dumps(
        {"form": "lab words 1", "words": words}, ensure_ascii=False, separators=(",", ":")
    )
    now = NOW[bound.dialect.name]
    bound.execute(
        sa.text(
            f"INSERT INTO {TABLE} (list, version, content, content_sha256, reason, made_at,"  # noqa: S608
            " in_force_from) VALUES ('conditions', 1, :content, :sha256,"
            f" 'The words that were fixed before.', {now}, {now})"
        ),
        {"content": content, "sha256": sha256(content.encode()).hexdigest()},
    )


def _code(word: str) -> str:
    letters = (sign if sign.isalnum() else " " for sign in word.upper())
    return "-".join("".join(letters).split())
