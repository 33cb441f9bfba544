"""Which part types a pattern names, and what an item takes over from them."""

from dataclasses import replace

import pytest

from service.designs.arithmetic.grammar import Item, Pattern, Where
from service.designs.arithmetic.pattern_types import (
    KnownType,
    as_drawn,
    called,
    completed,
    drawing,
    names_in,
    types_named,
)
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Material, Side

FUEL = KnownType(
    "P-1", "A", "fuel plate", Kind.HALF_PLATE, side=Side.FUEL, back=Back.CHANNELLED,
    material=Material.GRAPHITE, thickness_mm=2.4, marked_face="gas face",
)  # fmt: skip
FUEL_B = replace(FUEL, revision="B", thickness_mm=2.2)
FLUSH_C = replace(FUEL, revision="C", back=Back.FLUSH)
GASKET = KnownType("G-1", "A", "seal", Kind.GASKET, joint=Joint.GAS, thickness_mm=0.4)
MEA = KnownType("M-1", "A", "membrane", Kind.MEA, thickness_mm=0.5)
TYPES = (FUEL, FUEL_B, GASKET, MEA)
PLATE = Item(Kind.HALF_PLATE, "P-1 rev. A", facing=Facing.FREE_END)


def a_pattern(*cell: Item, tail: tuple[Item, ...] = ()) -> Pattern:
    """An MEA between what is given."""
    return Pattern((), (*cell, Item(Kind.MEA, "M-1")), (), tail)


def test_a_type_is_named_with_its_revision_or_by_its_drawing_alone() -> None:
    """Case and surrounding space do not count; the whole name does."""
    assert types_named("P-1", TYPES) == (FUEL, FUEL_B)
    assert types_named(" p-1 REV. b ", TYPES) == (FUEL_B,)
    assert types_named("P-1 rev.", TYPES) == ()


def test_a_drawing_that_reads_like_a_revision_of_another_is_taken_as_it_is_written() -> None:
    """What names one type exactly is meant."""
    odd = KnownType("P-1 rev. A", "Z", "odd", Kind.HALF_PLATE)

    assert types_named("P-1 rev. A", (odd, FUEL)) == (FUEL,)


@pytest.mark.parametrize(
    ("names", "says"),
    [({"P-1"}, "P-1"), ({"P-1 rev. B"}, "P-1 rev. A"), ({"P-1 rev. A"}, "P-1 rev. A"),
     (set(), "P-1 rev. A")],
)  # fmt: skip
def test_a_part_is_called_as_the_pattern_calls_its_type(names: set[str], says: str) -> None:
    assert called(frozenset(names), "P-1", "A") == says


def test_an_item_takes_side_back_and_joint_from_its_type() -> None:
    """Spelled as the lab spells it."""
    whole, wrong = completed(
        a_pattern(replace(PLATE, part_type="p-1 rev. a"), Item(Kind.GASKET, "g-1")), TYPES
    )

    assert wrong == ()
    assert whole.cell[0] == replace(PLATE, side=Side.FUEL, back=Back.CHANNELLED)
    assert whole.cell[1] == Item(Kind.GASKET, "G-1", joint=Joint.GAS)
    assert names_in(whole) == {"P-1 rev. A", "G-1", "M-1"}


def test_what_revisions_differ_in_is_left_open() -> None:
    """Of any revision: the back is not the same for all, the side is."""
    whole, wrong = completed(a_pattern(replace(PLATE, part_type="P-1")), (*TYPES, FLUSH_C))

    assert wrong == ()
    assert (whole.cell[0].side, whole.cell[0].back) == (Side.FUEL, None)


@pytest.mark.parametrize(
    ("item", "key", "right"),
    [
        (replace(PLATE, part_type="P-9"), "part_type", "P-1 rev. A, P-1 rev. B"),
        (replace(PLATE, part_type="G-1"), "part_type", "A type of the same kind"),
        (Item(Kind.BLANK_CELL, "B-1"), "part_type", "Make a part type of the kind blank cell"),
        (replace(PLATE, side=Side.AIR), "side", "Right would be fuel"),
        (replace(PLATE, back=Back.FLUSH), "back", "Right would be channelled"),
        (Item(Kind.GASKET, "G-1", joint=Joint.COOLANT), "joint", "Right would be gas"),
        (replace(PLATE, facing=Facing.EITHER), "facing", "The end the marked face looks at"),
        (Item(Kind.MEA, "M-1", facing=Facing.FREE_END), "facing", "either way"),
    ],
)
def test_what_a_type_does_not_allow_is_named(item: Item, key: str, right: str) -> None:
    """With the item's place and what would be right."""
    _, wrong = completed(a_pattern(item), TYPES)

    assert [(one.section, one.number, one.key) for one in wrong] == [(Where.CELL, 1, key)]
    assert right in wrong[0].right_would_be


def test_a_drawing_is_named_with_its_revision_everywhere_or_nowhere() -> None:
    """Else one part could be called in two ways."""
    anywhere = replace(PLATE, part_type="P-1")

    _, wrong = completed(a_pattern(PLATE, tail=(anywhere,)), TYPES)

    assert [(one.section, one.key) for one in wrong] == [(Where.TAIL, "part_type")]


def test_a_drawing_shows_thickness_and_material_of_the_type() -> None:
    """Unless the item says its own; of any revision the first is drawn."""
    drawn = as_drawn(
        a_pattern(replace(PLATE, part_type="P-1"), replace(PLATE, thickness_mm=3.0)), TYPES
    )

    assert [item.thickness_mm for item in drawn.cell] == [2.4, 3.0, 0.5]
    assert drawn.cell[0].material is Material.GRAPHITE
    assert drawing("P-1", "A") == FUEL.drawing
