"""A design's pattern: kept, named by part types, frozen in use, carried over into a revision."""

import json
from dataclasses import replace

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.proposals import approve_proposal
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_toml import read_pattern
from service.designs.changes import change_design, make_design, propose_pattern
from service.designs.queries import (
    PatternEntry,
    designs_naming,
    known_types,
    other_revisions,
    pattern_of_design,
    pattern_of_stack,
    pattern_proposed,
    pattern_waiting,
    seen_so,
)
from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side
from service.platform.errors import NotAllowed, NotFound, Refused, RefusedTogether
from service.records.queries.working_piles import working_pile
from service.stacks.tables import Build
from service.store.changes.part_types import PartTypeEntry, change_part_type
from service.store.queries.proposals import proposal
from service.store.tables import PartType
from tests import builders
from tests.designs.test_designs import TARN, made
from tests.operation.keeping import Lab, a_lab
from tests.proposing import put_in_force

ON_EACH_ROD = {Kind.SLEEVE: 1, Kind.NUT: 2}
PLATE = Item(Kind.HALF_PLATE, "TEL-004 rev. A", facing=Facing.FREE_END)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def the_pattern(lab: Lab) -> Pattern:
    pattern: Pattern = lab.rows(builders.the_pattern)
    return replace(pattern, most_cells=40)


def propose(
    lab: Lab, design_id: int, pattern: Pattern, reason: str = "as drawn", **more: object
) -> int:
    with lab.work() as work:
        return propose_pattern(work, design_id, PatternEntry(pattern, **more), reason=reason)  # type: ignore[arg-type]


def keep(
    lab: Lab, design_id: int, pattern: Pattern, reason: str = "as drawn", **more: object
) -> None:
    put_in_force(lab.engine, propose(lab, design_id, pattern, reason, **more))


def kept(lab: Lab, design_id: int) -> Pattern:
    with Session(lab.engine) as session:
        pattern = pattern_of_design(session, design_id).pattern
    assert pattern is not None
    return pattern


def refused(lab: Lab, pattern: Pattern) -> dict[str, Refused]:
    """What is refused of a pattern, by its field."""
    with pytest.raises(RefusedTogether) as caught:
        keep(lab, made(lab), pattern)
    return {one.field: one for one in caught.value.refusals}


def with_plate(pattern: Pattern, **changed: object) -> Pattern:
    """The pattern with other words about its fuel plate, the first of the cell."""
    return replace(pattern, cell=(replace(PLATE, **changed), *pattern.cell[1:]))


def test_a_design_keeps_its_pattern_and_what_belongs_on_its_rods(lab: Lab) -> None:
    design_id, pattern = made(lab), the_pattern(lab)

    keep(lab, design_id, pattern, on_each_rod=ON_EACH_ROD)

    with Session(lab.engine) as session:
        said = pattern_of_design(session, design_id)
    assert said.pattern == pattern
    assert said.design == "Tarn 100 A"
    assert said.on_each_rod == {Kind.TIE_ROD: 1, **ON_EACH_ROD}
    entry = lab.last_entry()
    assert (entry.act, entry.reason) == ("design:changed", "as drawn")
    changed = {field: (before, after) for field, before, after in json.loads(entry.changes)}
    assert read_pattern(changed["pattern"][1]) == pattern
    assert changed["rod_nuts"] == (None, 2)


def test_a_design_without_one_keeps_none(lab: Lab) -> None:
    """As all did before; nothing is said of its rods either."""
    with Session(lab.engine) as session:
        said = pattern_of_design(session, made(lab))

        assert (said.pattern, said.on_each_rod, said.names) == (None, {}, frozenset())
        with pytest.raises(NotFound):
            pattern_of_design(session, 99)
        with pytest.raises(NotFound):
            pattern_of_stack(session, 99)


def test_its_cells_become_the_designs(lab: Lab) -> None:
    design_id = made(lab)

    keep(lab, design_id, replace(the_pattern(lab), least_cells=3, most_cells=12))

    design = lab.get(Design, design_id)
    assert (design.least_cells, design.most_cells) == (3, 12)


def test_and_the_designs_cells_become_its(lab: Lab) -> None:
    design_id = made(lab)
    keep(lab, design_id, the_pattern(lab))

    with lab.work() as work:
        change_design(work, design_id, replace(TARN, most_cells=25), reason="rods are shorter")

    assert kept(lab, design_id) == replace(the_pattern(lab), most_cells=25)


def test_side_back_and_joint_come_from_the_part_type(lab: Lab) -> None:
    """Named by its drawing alone, the item says the rest; case and space do not count."""
    design_id, pattern = made(lab), the_pattern(lab)
    bare = with_plate(pattern, part_type=" tel-004 REV. a ")
    bare = replace(bare, between=(Item(Kind.GASKET, "TEL-009"),))

    with pytest.raises(RefusedTogether, match="elsewhere in the pattern"):
        keep(lab, design_id, bare)
    bare = replace(bare, between=(Item(Kind.GASKET, "TEL-009 rev. A", renew_at_opening=True),))
    proposal_id = propose(lab, design_id, bare)
    with Session(lab.engine) as session:
        content = proposal(session, proposal_id).content
    assert pattern_proposed(json.loads(content)).pattern == pattern, "as it is signed, whole"
    put_in_force(lab.engine, proposal_id)

    plate, gasket = kept(lab, design_id).cell[0], kept(lab, design_id).between[0]
    assert (plate.part_type, plate.side, plate.back) == (
        "TEL-004 rev. A", Side.FUEL, Back.CHANNELLED,
    )  # fmt: skip
    assert gasket.joint is Joint.COOLANT
    assert kept(lab, design_id) == pattern


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"part_type": "TEL-999"}, "cell_1_part_type", "no part type has this drawing number"),
        ({"part_type": "TEL-008 rev. A"}, "cell_1_part_type", "it is a gasket, not a half plate"),
        ({"back": Back.FLUSH}, "cell_1_back", "of another back"),
        ({"side": Side.AIR}, "cell_1_side", "of another side"),
        ({"facing": Facing.EITHER}, "cell_1_facing", "its gas side is marked"),
    ],
)
def test_what_the_part_type_does_not_allow_is_refused(
    lab: Lab, changed: dict[str, object], field: str, said: str
) -> None:
    """Beside the item, with what would be right."""
    found = refused(lab, with_plate(the_pattern(lab), **changed))

    assert list(found) == [field]
    assert said in found[field].reason
    assert found[field].right_would_be


def test_a_facing_no_mark_tells_of_is_refused(lab: Lab) -> None:
    """Nobody could see which way round it lies."""
    pattern = the_pattern(lab)
    cell = list(pattern.cell)
    cell[2] = replace(cell[2], facing=Facing.FIXED_END)

    found = refused(lab, replace(pattern, cell=tuple(cell)))

    assert "has no marked face" in found["cell_3_facing"].reason


def test_what_no_builder_would_stack_is_refused(lab: Lab) -> None:
    """Two channelled backs at one coolant gasket, an MEA outside the cell."""
    pattern = the_pattern(lab)
    tail = (*pattern.tail[:1], replace(pattern.tail[1], part_type="TEL-010 rev. A", back=None))

    found = refused(lab, replace(pattern, tail=tail, between=(pattern.cell[2], *pattern.between)))

    said = found["pattern"].reason
    assert "belong to the cell" in said or "channels" in said


def test_it_is_frozen_with_its_design(lab: Lab) -> None:
    """By the change, and by the database itself."""
    design_id, pattern = made(lab), the_pattern(lab)
    keep(lab, design_id, pattern)
    lab.rows(lambda s: builders.a_stack(s, design=s.get_one(Design, design_id)).id)

    with pytest.raises(Refused, match="frozen") as caught:
        keep(lab, design_id, replace(pattern, most_cells=41))
    assert "new revision" in caught.value.right_would_be
    for column in ("pattern = 'x'", "rod_nuts = 7"):
        with (
            Session(lab.engine) as session,
            pytest.raises(IntegrityError, match="pattern of a design in use is frozen"),
        ):
            session.execute(text(f"UPDATE design SET {column} WHERE id = {design_id}"))  # noqa: S608


def test_a_design_in_use_gets_the_pattern_nobody_had_written_down(lab: Lab) -> None:
    """Once, and only with the number of cells it has had."""
    stack_id = lab.rows(
        lambda s: builders.a_stack(s, design=builders.a_design(s, cells=(1, 40))).id
    )
    with Session(lab.engine) as session:
        design_id = pattern_of_stack(session, stack_id).design_id
    pattern = the_pattern(lab)

    with pytest.raises(Refused, match="is in use and says 40"):
        keep(lab, design_id, replace(pattern, most_cells=41))
    keep(lab, design_id, pattern, on_each_rod=ON_EACH_ROD)

    assert kept(lab, design_id) == pattern
    with pytest.raises(Refused, match="frozen"):
        keep(lab, design_id, pattern)
    with (
        Session(lab.engine) as session,
        pytest.raises(IntegrityError, match="a design in use is frozen"),
    ):
        session.execute(text(f"UPDATE design SET notes = 'x' WHERE id = {design_id}"))  # noqa: S608


def test_a_new_revision_begins_with_it(lab: Lab) -> None:
    """With the new number of cells, and what belongs on a rod; the old one stays as it is."""
    old, pattern = made(lab), the_pattern(lab)
    keep(lab, old, pattern, on_each_rod=ON_EACH_ROD)

    with lab.work() as work:
        entry = replace(TARN, revision="B", most_cells=30)
        new = make_design(work, entry, made_from=old)

    assert kept(lab, new) == replace(pattern, most_cells=30)
    assert kept(lab, old) == pattern
    with Session(lab.engine) as session:
        assert pattern_of_design(session, new).on_each_rod[Kind.NUT] == 2
        assert [one.design for one in other_revisions(session, new)] == ["Tarn 100 A"]
    with lab.work() as work, pytest.raises(NotFound):
        make_design(work, replace(TARN, revision="C"), made_from=99)


def test_part_types_a_pattern_names_keep_their_drawing(lab: Lab) -> None:
    """Else a frozen pattern would come to mean something else."""
    keep(lab, made(lab), the_pattern(lab))
    with Session(lab.engine) as session:
        row = session.get_one(PartType, 1)
        names = PartTypeEntry.__slots__
        entry = PartTypeEntry(**{name: getattr(row, name) for name in names})  # type: ignore[attr-defined]

    with lab.work() as work:
        change_part_type(work, 1, replace(entry, openings_most=3), reason="said by the maker")
    with lab.work() as work, pytest.raises(Refused, match="the pattern of Tarn 100 A names"):
        change_part_type(work, 1, replace(entry, drawing_number="X-1"), reason="mistyped")


def test_rods_hold_a_sensible_number_of_parts(lab: Lab) -> None:
    design_id, pattern = made(lab), the_pattern(lab)

    with pytest.raises(Refused, match="so many fit on no rod"):
        keep(lab, design_id, pattern, on_each_rod={Kind.NUT: -1})
    with pytest.raises(Refused, match="not counted on rods"):
        keep(lab, design_id, pattern, on_each_rod={Kind.MEA: 1})


@pytest.mark.both_engines
def test_a_pattern_waits_for_somebody_else(lab: Lab) -> None:
    """The first one, too; and it is looked over again when it is approved."""
    design_id, pattern = made(lab), the_pattern(lab)

    proposal_id = propose(lab, design_id, pattern, on_each_rod=ON_EACH_ROD)

    with Session(lab.engine) as session:
        assert pattern_of_design(session, design_id).pattern is None
        waits = pattern_waiting(session, design_id)
    assert waits is not None
    assert waits.id == proposal_id
    with lab.work() as work, pytest.raises(NotAllowed, match="You wrote this yourself"):
        approve_proposal(
            work, proposal_id, content_sha256=waits.content_sha256, password=builders.PASSWORD
        )

    put_in_force(lab.engine, proposal_id)

    assert kept(lab, design_id) == pattern
    with Session(lab.engine) as session:
        assert pattern_waiting(session, design_id) is None
    with pytest.raises(Refused, match="nothing differs"):
        propose(lab, design_id, pattern, "again", on_each_rod=ON_EACH_ROD)


def test_a_pattern_is_not_put_in_force_on_what_changed_meanwhile(lab: Lab) -> None:
    """A stack was made to the design, which has fewer cells than what is proposed."""
    design_id, pattern = made(lab), the_pattern(lab)
    proposal_id = propose(lab, design_id, replace(pattern, most_cells=41))
    lab.rows(lambda s: builders.a_stack(s, design=s.get_one(Design, design_id)).id)

    with pytest.raises(Refused, match="is in use and says 40"):
        put_in_force(lab.engine, proposal_id)
    keep(lab, design_id, pattern)

    assert kept(lab, design_id) == pattern


def test_who_may_not_write_designs_may_not_write_patterns(lab: Lab) -> None:
    design_id, pattern = made(lab), the_pattern(lab)

    with lab.work(lab.builder) as work, pytest.raises(NotAllowed):
        propose_pattern(work, design_id, PatternEntry(pattern), reason="as drawn")
    with lab.work() as work, pytest.raises(NotFound):
        propose_pattern(work, 99, PatternEntry(pattern), reason="as drawn")
    with lab.work() as work, pytest.raises(Refused, match="nothing is given"):
        propose_pattern(work, design_id, PatternEntry(pattern), reason=" ")


def test_layers_are_called_as_the_pattern_calls_them(lab: Lab) -> None:
    """With the revision where it names one, without where any may lie there."""
    design_id, pattern = made(lab), the_pattern(lab)
    head = (replace(pattern.head[0], part_type="TEL-012"), *pattern.head[1:])
    tail = (*pattern.tail[:2], head[0])
    keep(lab, design_id, replace(pattern, head=head, tail=tail))
    lab.rows(lambda s: builders.a_stack(s, cells=1, design=s.get_one(Design, design_id)))

    with Session(lab.engine) as session:
        build = session.get_one(Build, 1)
        said = pattern_of_stack(session, build.stack_id)
        pile = working_pile(session, build.record_id)
        names = {part: said.called(*drawing) for part, drawing in pile.drawings.items()}
        layers = seen_so(pile.layers, names)
        naming = designs_naming(session, "TEL-012", "A")
        not_naming = designs_naming(session, "TEL-0", "A")
        types = known_types(session)

    assert [layer.part_type for layer in layers][:3] == [
        "TEL-012", "TEL-010 rev. A", "TEL-009 rev. A",
    ]  # fmt: skip
    assert layers[-1].part_type == "TEL-012"
    assert (naming, not_naming) == (("Tarn 100 A",), ())
    assert "TEL-012 rev. A" in {one.drawing for one in types}
