"""A design as one file: what goes out comes in again, and what is wrong is named by its line."""

import json
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from service.designs.files import (
    SAMPLE,
    NotADesign,
    read_design_file,
    sample,
    take_in,
    write_design_file,
)
from service.designs.queries import design, pattern_of_design, pattern_proposed, pattern_waiting
from service.designs.tables import Design
from service.limits.queries import limits_of_design, newest_figures
from service.limits.tables import LimitSet
from service.people.tables import Role
from service.physics.arithmetic.part_stiffness import Bed
from service.platform.database import changing
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.store.changes.part_types import propose_stiffness
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind, PartType
from tests import builders
from tests.proposing import put_in_force

TEXT = SAMPLE.read_text()


@pytest.fixture
def quality(engine: Engine) -> Person:
    """Somebody who may write designs."""
    with Session(engine) as session:
        person = builders.a_person(session, Role.QUALITY, name="Qi Quality")
        session.commit()
        return Person(person.id, person.login, person.name, frozenset({Role.QUALITY}))


def copied(engine: Engine, by: Person, text: str = TEXT, **more: str) -> int:
    """Take a file in, as the page does."""
    given = {"name": "Grebe", "revision": "A", "called": "a test"} | more
    with changing(engine, by) as work:
        return take_in(work, read_design_file(text), **given)


@pytest.mark.both_engines
def test_the_sample_is_copied_into_rows_of_the_labs_own(engine: Engine, quality: Person) -> None:
    """Design, part types, pattern and limits, each with its entry in the trail."""
    design_id = copied(engine, quality)

    with Session(engine) as session:
        made = design(session, design_id)
        assert (made.name, made.revision, len(made.rods)) == ("Grebe", "A", 8)
        assert pattern_of_design(session, design_id).pattern is None
        waits = pattern_waiting(session, design_id)
        assert waits is not None
        assert pattern_proposed(json.loads(waits.content)) == sample().pattern
        assert newest_figures(session, design_id) == (1, sample().figures)
        assert [row.approved_at for row in limits_of_design(session, design_id)] == [None]
        types = session.scalars(select(PartType)).all()
        assert {one.drawing_number for one in types} == {
            e.drawing_number for e, _ in sample().types
        }
        assert {one.stiffness for one in types} == {None}, "it waits for somebody else"
        waiting = proposals_waiting(session, ChangeKind.STIFFNESS)
        assert len(waiting) == sum(gives is not None for _, gives in sample().types)
        acts = set(session.scalars(select(AuditEntry.act)))
    assert {"part type:made", "design:made", "proposal:written", "limits:written"} <= acts


@pytest.mark.both_engines
def test_what_goes_out_comes_in_the_same(engine: Engine, quality: Person) -> None:
    """Once its limits are in force; a second copy uses the part types that are here already."""
    design_id = copied(engine, quality)
    with Session(engine) as session:
        other = builders.a_person(session, Role.SUPERVISOR)
        session.execute(
            update(LimitSet).values(approved_by_id=other.id, approved_at=builders.START)
        )
        proposed = [each.id for each in proposals_waiting(session)]
        session.commit()
    for proposal_id in proposed:
        put_in_force(engine, proposal_id)
    with Session(engine) as session:
        text = write_design_file(session, design_id)

    again = read_design_file(text)
    second = copied(engine, quality, text, revision="B")

    assert again.pattern == sample().pattern
    assert again.figures == sample().figures
    assert dict(again.types) == dict(sample().types)
    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(PartType)) == len(again.types)
        before, after = design(session, design_id), design(session, second)
        assert (before.rods, before.ports, before.checklist) == (
            after.rods,
            after.ports,
            after.checklist,
        )


WRONG = [
    ('form = "design 1"', 'form = "pile 9"', "form", "design 1"),
    ("plate_width_mm = 190.0", 'plate_width_mm = "wide"', "plate_width_mm", "a number"),
    ("tightening_passes = 3", "tightening_passses = 3", "tightening_passses is not known", "known"),
    ('end = "free end"', 'end = "far end"', "end", "fixed end, free end"),
    ("x_mm = -80\ny_mm = 62", 'x_mm = "left"\ny_mm = 62', "x_mm", "a number"),
    ('kind = "half plate"\nname', 'kind = "half moon"\nname', "kind", "half plate"),
    ('facing = "free end"', 'facing = "up"', "cell 1: facing", "free end"),
    ("nut = 2", "nuts = 2", "nuts", "a kind of fixing"),
    ('source = "invented, as', 'from = "invented, as', "from is not known", "clamp"),
    ("[limits.clamp]\n", "[limits.clamp]\nnut_faktor = 0.2\n", "nut_faktor is not known", "known"),
    ("rod_length_mm = 170.0", "rod_length_mm = 17O", "this is not TOML", ""),
]
"""What stands in the sample, what is written instead, the key and what would be right."""


@pytest.mark.parametrize(("was", "now", "key", "right"), WRONG)
def test_a_file_that_is_wrong_is_refused_by_line_and_key(
    was: str, now: str, key: str, right: str
) -> None:
    """Whatever is wrong, it is found where it stands."""
    assert was in TEXT
    text = TEXT.replace(was, now, 1)
    line = text[: text.index(now)].count("\n") + 1

    with pytest.raises(NotADesign) as refused:
        read_design_file(text)

    about = [str(each) for each in refused.value.problems if key in str(each)]
    assert about, str(refused.value)
    assert right in about[0]
    stands = int(about[0].removeprefix("Line ").split(":")[0])
    assert line <= stands <= line + now.count("\n")


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        ("turn = 8", "turn = 7", "design rods 8: turn is 7"),
        ("target_torque_nm = 4.6", "target_torque_nm = 0", "design: target_torque_nm"),
        ('joint = "gas"\n', "", "joint"),
        ('part_type = "S-101 rev. A"', 'part_type = "S-999"', "part_type is"),
    ],
)
def test_what_a_change_refuses_is_told_by_the_line_too(
    engine: Engine, quality: Person, was: str, now: str, said: str
) -> None:
    """And nothing of the file is kept."""
    assert was in TEXT

    with pytest.raises(NotADesign, match=r"Line [0-9]+: ") as refused:
        copied(engine, quality, TEXT.replace(was, now, 1))

    assert said in str(refused.value)
    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(Design)) == 0
        assert session.scalar(select(func.count()).select_from(PartType)) == 0


def test_a_part_type_that_is_here_and_differs_is_not_taken_over(
    engine: Engine, quality: Person
) -> None:
    """Layer maps of parts that exist are read by it."""
    copied(engine, quality)

    with pytest.raises(NotADesign, match="is here already and differs in it"):
        copied(engine, quality, TEXT.replace("thickness_mm = 0.5", "thickness_mm = 0.55", 1))


def test_stiffness_another_proposal_has_replaced_does_not_pass_for_what_is_here(
    engine: Engine, quality: Person
) -> None:
    """The file's waited once; a newer one is in force and differs."""
    copied(engine, quality)
    entry, gives = next((entry, gives) for entry, gives in sample().types if entry.kind == "MEA")
    assert isinstance(gives, Bed)
    with changing(engine, quality) as work:
        named = PartType.drawing_number == entry.drawing_number
        type_id = work.session.scalars(select(PartType.id).where(named)).one()
        newer = replace(gives, free_thickness_mm=0.6)
        proposal_id = propose_stiffness(work, type_id, newer, reason="measured again")
    put_in_force(engine, proposal_id)

    with pytest.raises(NotADesign, match="is here already and differs in it"):
        copied(engine, quality, revision="B")


class TestPages:
    """The form that copies it in, and the file a design's page gives."""

    def test_the_sample_is_copied_by_one_press(self, signed_in_client: Any) -> None:
        """Under the name the form begins with; a second time the name is taken."""
        client = signed_in_client("quality")
        shown = client.get("/designs/bring?from=sample").text
        assert "measured on nothing" in shown

        sent = {"from": "sample", "name": "Sample", "revision": "A"}
        made = client.post("/designs/bring", data=sent)
        again = client.post("/designs/bring", data=sent)

        assert made.status_code == 303
        assert "Sample" in client.get(made.headers["location"]).text
        assert again.status_code == 422
        assert 'id="wrong-' in again.text

    def test_a_design_goes_out_and_comes_in_as_a_file(self, signed_in_client: Any) -> None:
        """With another name, since its own is taken here."""
        client = signed_in_client("quality")
        at = client.post(
            "/designs/bring", data={"from": "sample", "name": "Sample", "revision": "A"}
        ).headers["location"]
        file = client.get(f"{at}/design.toml")

        made = client.post(
            "/designs/bring",
            data={"name": "Other", "revision": ""},
            files={"file": ("their.toml", file.content)},
        )

        assert file.headers["content-disposition"].endswith('"Sample-A-design.toml"')
        assert made.status_code == 303
        assert "Other" in client.get(made.headers["location"]).text

    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"rods = [", "Line 1: this is not TOML"),
            (b"\xff\xfe", "is no text in UTF-8"),
            (b"", "form is"),
        ],
    )
    def test_a_bad_file_is_answered_in_words(
        self, signed_in_client: Any, content: bytes, said: str
    ) -> None:
        """Nothing is made of it."""
        client = signed_in_client("quality")

        answer = client.post(
            "/designs/bring", data={"name": "X"}, files={"file": ("bad.toml", content)}
        )

        assert answer.status_code == 422
        assert said in answer.text

    def test_no_file_is_answered_beside_the_field(self, signed_in_client: Any) -> None:
        """Browsers send an empty one."""
        answer = signed_in_client("quality").post("/designs/bring", data={"name": ""})

        assert answer.status_code == 422
        assert "No file was chosen" in answer.text
