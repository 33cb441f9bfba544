"""What comes next while stacking."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.grammar_next import next_layers, why_not
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Back, End, Facing, Kind
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, expand
from tests.stacks.arithmetic.piles import a_pile, in_order

PLATE = "a half plate (fuel plate, fuel side, a channelled back)"


def sentences(pattern: Pattern, pile: tuple[Layer, ...], end: End, **more: object) -> list[str]:
    return [each.sentence for each in next_layers(pattern, pile, end, **more).layers]  # type: ignore[arg-type]


@pytest.mark.parametrize("pattern", [COOLED_ENDS, END_PLATES])
@given(st.data())
def test_the_next_layer_of_the_pile_as_designed_is_always_offered(
    pattern: Pattern, data: st.DataObject
) -> None:
    """From either end, to the wanted number of cells, and nothing behind the last layer."""
    cells = data.draw(st.integers(2, 6))
    end = data.draw(st.sampled_from([End.FIXED, End.FREE]))
    designed = expand(pattern, cells)
    at = data.draw(st.integers(0, len(designed.layers)))
    free = end is End.FREE
    pile = designed.layers[:at] if free else designed.layers[at:]
    coming = designed.items[at:] if free else designed.items[:at][::-1]

    offered = next_layers(pattern, pile, end, cells=cells)

    assert offered.complete is (not coming)
    assert [each.item for each in offered.layers] == [*coming[:1]]


@pytest.mark.parametrize("pattern", [COOLED_ENDS, END_PLATES])
@given(st.data())
def test_a_kept_remainder_open_at_both_ends_goes_on_at_both(
    pattern: Pattern, data: st.DataObject
) -> None:
    cells = data.draw(st.integers(2, 6))
    designed = expand(pattern, cells)
    first = data.draw(st.integers(1, len(designed.layers) - 4))
    last = data.draw(st.integers(first + 2, len(designed.layers) - 1))
    kept = designed.layers[first:last]

    up = next_layers(pattern, kept, End.FREE, other_end_open=True, cells=cells)
    down = next_layers(pattern, kept, End.FIXED, other_end_open=True, cells=cells)

    assert designed.items[last] in [each.item for each in up.layers]
    assert designed.items[first - 1] in [each.item for each in down.layers]


def test_behind_a_cell_comes_the_next_cell_or_the_tail() -> None:
    offered = next_layers(END_PLATES, expand(END_PLATES, 4).layers[:12], End.FREE)

    assert [(each.item.part_type, each.where) for each in offered.layers] == [
        ("air plate", "between"), ("air end plate", "tail"),
    ]  # fmt: skip


def test_the_least_and_the_most_number_of_cells_are_kept() -> None:
    narrow = replace(END_PLATES, least_cells=2, most_cells=3)
    after = {cells: expand(END_PLATES, 4).layers[: 6 * cells] for cells in (1, 2, 3)}

    where = {
        cells: [each.where for each in next_layers(narrow, pile, End.FREE).layers]
        for cells, pile in after.items()
    }

    assert where == {1: ["between"], 2: ["between", "tail"], 3: ["tail"]}


def test_the_next_move_is_told_in_words() -> None:
    pile = a_pile(4)

    assert sentences(COOLED_ENDS, (), End.FREE) == ["next: insulator plate"]
    assert sentences(COOLED_ENDS, pile[:3], End.FREE) == [
        "next: half plate, marked face to the free end (cell 1, anode side)"
    ]
    assert sentences(COOLED_ENDS, pile[:10], End.FREE) == [
        "next: cell gasket, in the groove of the half plate's fuel side (cell 2, anode side)"
    ]
    assert sentences(COOLED_ENDS, pile[:12], End.FREE) == [
        "next: cell gasket, on the MEA (cell 2, cathode side)"
    ]
    assert sentences(COOLED_ENDS, pile[:8], End.FREE, cells=4) == [
        "next: coolant gasket, in the groove of the half plate's back"
    ]
    assert sentences(COOLED_ENDS, pile[9:], End.FIXED) == [
        "next: coolant gasket, in the groove of the half plate's back"
    ]


def test_a_mistake_beneath_does_not_stop_the_stacking() -> None:
    pile = in_order([*a_pile(4)[:4], *a_pile(4)[5:12]])  # a cell gasket forgotten in cell 1

    assert sentences(COOLED_ENDS, pile, End.FREE) == [
        "next: cell gasket, on the MEA (cell 2, cathode side)"
    ]


def a_layer(like: int, **more: object) -> Layer:
    return replace(a_pile(2)[like - 1], label="X-1", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("laid", "hand", "reason"),
    [
        (3, a_layer(4), None),
        (
            3, a_layer(4, facing=Facing.FIXED_END),
            "X-1 would lie turned round: its marked face belongs to the free end. Turn it round.",
        ),
        (
            3, a_layer(8),
            f"X-1 is for the air side. Expected: {PLATE}.",
        ),
        (
            3, a_layer(4, back=Back.FLUSH),
            f"X-1 has a flush back. Expected: {PLATE}.",
        ),
        (4, a_layer(6), "X-1 is an MEA. Expected: a cell gasket (gas gasket)."),
        (4, a_layer(9), "X-1 is a coolant gasket. Expected: a cell gasket (gas gasket)."),
        (
            4, a_layer(5, part_type="gas gasket C"),
            "X-1 is of type gas gasket C. Expected: a cell gasket (gas gasket).",
        ),
        (5, a_layer(6, kind=Kind.BLANK_CELL, part_type="blank"), None),
        (17, a_layer(6), "X-1 is an MEA; the pile is complete, nothing comes next."),
    ],
)  # fmt: skip
def test_a_wrong_part_is_refused_with_the_reason_and_what_was_expected(
    laid: int, hand: Layer, reason: str | None
) -> None:
    offered = next_layers(COOLED_ENDS, a_pile(2)[:laid], End.FREE, cells=2)

    assert why_not(offered, hand) == reason
