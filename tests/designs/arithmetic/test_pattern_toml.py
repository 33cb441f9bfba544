"""A pattern as a file."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_toml import (
    NotAPattern,
    pattern_differences,
    read_pattern,
    write_pattern,
)
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Material, Side
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, INSULATOR

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
thicknesses = st.none() | st.floats(0.001, 100, allow_nan=False)


@st.composite
def items(draw: st.DrawFn, kind: Kind) -> Item:
    facing = draw(st.sampled_from(Facing))
    return Item(
        kind,
        draw(texts),
        side=draw(st.none() | st.sampled_from(Side)),
        back=draw(st.none() | st.sampled_from(Back)),
        joint=Joint.GAS if kind is Kind.GASKET else None,
        facing=facing,
        blank_may_stand=kind is Kind.MEA and draw(st.booleans()),
        renew_at_opening=draw(st.booleans()),
        directional=facing is not Facing.EITHER and draw(st.booleans()),
        one_lot=draw(st.booleans()),
        thickness_mm=draw(thicknesses),
        material=draw(st.none() | st.sampled_from(Material)),
        name=draw(texts),
    )


@st.composite
def patterns(draw: st.DrawFn) -> Pattern:
    gaskets = st.lists(items(Kind.GASKET), max_size=3).map(tuple)
    least = draw(st.integers(1, 9))
    return Pattern(
        draw(st.lists(items(Kind.INSULATOR_PLATE), max_size=2).map(tuple)),
        (*draw(gaskets), draw(items(Kind.MEA)), *draw(gaskets)),
        draw(gaskets),
        draw(gaskets),
        least,
        draw(st.integers(least, 99)),
    )


@given(patterns())
def test_a_written_pattern_reads_back_the_same(pattern: Pattern) -> None:
    assert read_pattern(write_pattern(pattern)) == pattern


def test_a_file_reads_as_a_builder_would_write_it() -> None:
    written = write_pattern(COOLED_ENDS)

    assert written.startswith(
        "least_cells = 1\nmost_cells = 2000\n\n"
        '[[head]]\nkind = "insulator plate"\npart_type = "insulator"\nthickness_mm = 8.0\n\n'
    )
    assert read_pattern(written.replace("8.0", "8")) == COOLED_ENDS


GOOD = write_pattern(END_PLATES)
NUMBERS = "least_cells = 1\nmost_cells = 2\n"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            GOOD.replace('side = "air"', 'side = "oxygen"', 1),
            'Line 48: between 1: side is "oxygen"; one of fuel, air would be right.',
        ),
        (
            GOOD.replace("most_cells = 40", "most_cells = 1"),
            "Line 2: most_cells is 1; least_cells is 2, so 2 or more would be right.",
        ),
        (
            GOOD.replace("least_cells = 2\n", ""),
            "least_cells is missing; a whole number of cells, 1 or more, would be right.",
        ),
        (
            GOOD.replace("least_cells = 2", 'least_cells = "two"'),
            'Line 1: least_cells is "two"; a whole number of cells, 1 or more, would be right.',
        ),
        (
            GOOD.replace("directional = true", "directional = 1"),
            "Line 35: cell 2: directional is 1; true or false would be right.",
        ),
        (
            GOOD.replace("thickness_mm = 8.0", "thickness_mm = -8.0", 1),
            "Line 7: head 1: thickness_mm is -8.0; a thickness in mm, more than 0, would be right.",
        ),
        (
            GOOD.replace("thickness_mm = 8.0", "thicknes_mm = 8.0", 1),
            "Line 7: head 1: thicknes_mm is not known; known here are kind, part_type",
        ),
        (
            GOOD.replace('kind = "current collector"\n', "", 1),
            "Line 9: head 2: kind is missing; one of MEA, half plate, gasket",
        ),
        (
            GOOD.replace('"current collector"', '"tie rod"', 1),
            'Line 10: head 2: kind is "tie rod"; one of MEA, half plate, gasket',
        ),
        (
            GOOD.replace('part_type = "collector"', "part_type = 7", 1),
            "Line 11: head 2: part_type is 7; a text in quotes would be right.",
        ),
        (
            GOOD + "\n[[foot]]\nkind = 'MEA'\n",
            "foot is not known; known here are least_cells, most_cells, head, cell, between, tail.",
        ),
        (f'{NUMBERS}cell = "MEA"\n', 'Line 3: cell is "MEA"; write each layer'),
        (NUMBERS, "cell is missing; the cell needs one layer at least."),
        ("least_cells = 1\nmost_cells ? 2\n", "Line 2: this is not TOML; "),
        ("", "least_cells is missing"),
        (
            GOOD.replace('kind = "MEA"', 'kind = "insulator plate"').replace(
                "blank_may_stand = true\n", ""
            ),
            "The cell holds 0 MEAs or blank cells; it needs exactly one.",
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_file_is_named(text: str, problem: str) -> None:
    with pytest.raises(NotAPattern) as refused:
        read_pattern(text)

    assert problem in str(refused.value)


def test_all_problems_of_a_file_are_named_at_once() -> None:
    text = GOOD.replace("most_cells = 40", "most_cells = 1").replace('"air"', '"oxygen"')

    with pytest.raises(NotAPattern) as refused:
        read_pattern(text)

    assert len(refused.value.problems) == 3


@given(st.text())
def test_any_text_that_is_no_pattern_is_refused_in_words(text: str) -> None:
    with pytest.raises(NotAPattern) as refused:
        read_pattern(text)

    assert all(problem.key for problem in refused.value.problems)


def test_what_differs_between_two_revisions_is_told() -> None:
    mea = replace(COOLED_ENDS.cell[2], thickness_mm=0.45, one_lot=True)
    new = replace(
        COOLED_ENDS,
        cell=(*COOLED_ENDS.cell[:2], mea, *COOLED_ENDS.cell[3:]),
        head=COOLED_ENDS.head[1:],
        tail=(*COOLED_ENDS.tail, INSULATOR),
        most_cells=60,
    )

    assert pattern_differences(COOLED_ENDS, COOLED_ENDS) == ()
    assert pattern_differences(COOLED_ENDS, new) == (
        "most cells: 2000 → 60",
        "head 1: insulator plate left out",
        "cell 3, MEA: all from one lot no → yes; thickness in mm 0.5 → 0.45",
        "tail 4: insulator plate added",
    )
