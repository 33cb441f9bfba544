"""What is found wrong with a pile: each mistake once, at its place, in the trade's words.

The pile of two cells, cooled at both ends: 1 insulator, 2 collector, 3 coolant gasket,
4 fuel plate, 5 cell gasket, 6 MEA, 7 cell gasket, 8 air plate, 9 coolant gasket, 10 to 14 the
second cell, 15 coolant gasket, 16 collector, 17 insulator.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar_check import Extent, check, extent_of
from service.designs.arithmetic.grammar_findings import Severity, Wrong
from service.designs.arithmetic.pile import Layer, OpenPile
from service.platform.arithmetic.vocabulary import Back, End, Facing, Kind
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, expand
from tests.stacks.arithmetic.piles import a_pile, in_order

Change = Callable[[list[Layer]], object]


def spoilt(cells: int, *changes: Change) -> tuple[Layer, ...]:
    layers = list(a_pile(cells))
    for change in changes:
        change(layers)
    return in_order(layers)


def without(*positions: int) -> Change:
    def change(layers: list[Layer]) -> None:
        layers[:] = [layer for layer in layers if layer.position not in positions]

    return change


def other(position: int, **more: object) -> Change:
    def change(layers: list[Layer]) -> None:
        layers[position - 1] = replace(layers[position - 1], **more)  # type: ignore[arg-type]

    return change


def exchanged(one: int, two: int) -> Change:
    def change(layers: list[Layer]) -> None:
        layers[one - 1], layers[two - 1] = layers[two - 1], layers[one - 1]

    return change


def doubled(position: int) -> Change:
    return lambda layers: layers.insert(position, replace(layers[position - 1], part=999))


def put_in(position: int, kind: Kind) -> Change:
    return lambda layers: layers.insert(position - 1, Layer(0, 999, kind, "X-1", "stray"))


@pytest.mark.parametrize("cells", [1, 2, 17])
def test_nothing_is_found_in_a_pile_as_designed(cells: int) -> None:
    checked = check(COOLED_ENDS, a_pile(cells))

    assert (checked.cost, checked.cells, checked.findings) == (0, cells, ())


@pytest.mark.parametrize(
    ("change", "cost", "wrong", "positions", "sentence"),
    [
        (
            without(5), 1, Wrong.MISSING, (4, 5),
            "cell gasket missing between layers 4 and 5 (cell 1, anode side)",
        ),
        (
            without(13), 1, Wrong.MISSING, (12, 13),
            "cell gasket missing between layers 12 and 13 (cell 2, cathode side)",
        ),
        (
            without(9), 1, Wrong.MISSING, (8, 9),
            "coolant gasket missing between layers 8 and 9",
        ),
        (
            without(6), 1, Wrong.MISSING, (5, 6),
            "MEA missing between layers 5 and 6 (cell 1)",
        ),
        (
            without(1), 1, Wrong.MISSING, (1,),
            "insulator plate missing at the fixed end, before layer 1",
        ),
        (
            without(17), 1, Wrong.MISSING, (16,),
            "insulator plate missing at the free end, behind layer 16",
        ),
        (  # half a cell and more: one finding, not three
            without(11, 12, 13), 3, Wrong.MISSING, (10, 11),
            "cell gasket, MEA and cell gasket missing between layers 10 and 11 (cell 2)",
        ),
        (
            doubled(7), 1, Wrong.EXTRA, (8,),
            "cell gasket at 8 is one too many (cell 1)",
        ),
        (
            other(4, facing=Facing.FIXED_END), 1, Wrong.TURNED, (4,),
            "half plate at 4 turned round (cell 1, anode side)",
        ),
        (
            other(12, facing=Facing.FREE_END), 1, Wrong.TURNED, (12,),
            "MEA at 12 turned round (cell 2)",
        ),
        (
            exchanged(5, 6), 1, Wrong.SWAPPED, (5, 6),
            "MEA at 5 and cell gasket at 6 have changed places (cell 1)",
        ),
        (  # the plates of a cell the other way round: one finding
            exchanged(4, 8), 2, Wrong.SWAPPED, (4, 8),
            "half plate at 4 and half plate at 8 have changed places (cell 1)",
        ),
        (
            other(10, back=Back.FLUSH, part_type="old plate"), 1, Wrong.NO_CHANNEL, (8, 10),
            "two coolant backs meet at 8 and 10, no channel (cell 2, anode side)",
        ),
        (
            other(8, back=Back.CHANNELLED), 1, Wrong.TWO_CHANNELS, (8, 10),
            "two coolant backs meet at 8 and 10, both with channels (cell 1, cathode side)",
        ),
        (
            other(8, part_type="AP"), 1, Wrong.TYPE, (8,),
            "half plate at 8 is of type AP; air plate belongs there (cell 1, cathode side)",
        ),
        (
            put_in(7, Kind.CURRENT_COLLECTOR), 1, Wrong.EXTRA, (7,),
            "current collector at 7 is one too many (cell 1)",
        ),
        (
            other(6, kind=Kind.CURRENT_COLLECTOR, part_type="stray"), 1, Wrong.FOREIGN, (6,),
            "current collector at 6 where an MEA belongs (cell 1)",
        ),
    ],
)  # fmt: skip
def test_one_mistake_is_one_finding_at_its_place(
    change: Change, cost: int, wrong: Wrong, positions: tuple[int, ...], sentence: str
) -> None:
    checked = check(COOLED_ENDS, spoilt(2, change))

    assert [finding.sentence for finding in checked.findings] == [sentence]
    (finding,) = checked.findings
    assert (checked.cost, checked.cells) == (cost, 2)
    assert (finding.wrong, finding.positions) == (wrong, positions)
    assert finding.mend


def test_a_gasket_of_the_other_joint_and_a_plate_of_the_other_side_are_named() -> None:
    coolant_gasket, air_plate = a_pile(1)[2], a_pile(1)[7]

    pile = spoilt(
        2,
        lambda layers: layers.__setitem__(4, replace(coolant_gasket, part=999)),
        lambda layers: layers.__setitem__(9, replace(air_plate, part=998, back=Back.CHANNELLED)),
    )

    gasket, plate = check(COOLED_ENDS, pile).findings
    assert gasket.sentence == "coolant gasket at 5 where a cell gasket belongs (cell 1, anode side)"
    assert plate.sentence == (
        "half plate at 10, turned round, is for the air side; "
        "one for the fuel side belongs there (cell 2, anode side)"
    )


def test_mistakes_far_apart_stay_apart() -> None:
    pile = spoilt(
        116, doubled(601), other(400, facing=Facing.FIXED_END), without(41), exchanged(500, 501)
    )

    checked = check(COOLED_ENDS, pile)

    assert (checked.cost, checked.cells) == (4, 116)
    assert [(finding.wrong, finding.cell) for finding in checked.findings] == [
        (Wrong.MISSING, 7), (Wrong.TURNED, 67), (Wrong.SWAPPED, 84), (Wrong.EXTRA, 100),
    ]  # fmt: skip


def test_a_cell_left_out_whole_is_no_mistake_but_one_cell_less() -> None:
    checked = check(COOLED_ENDS, spoilt(4, without(*range(10, 16))))

    assert (checked.cost, checked.cells, checked.findings) == (0, 3, ())


def test_more_and_fewer_cells_than_the_design_allows_need_a_concession() -> None:
    narrow = replace(COOLED_ENDS, least_cells=3, most_cells=4)

    few, many = check(narrow, a_pile(2)).findings, check(narrow, a_pile(6)).findings

    assert [(f.wrong, f.severity, f.sentence, f.mend) for f in (*few, *many)] == [
        (
            Wrong.TOO_FEW_CELLS, Severity.CONCESSION,
            "2 cells; the design allows 3 to 4", "Add 1 cell.",
        ),
        (
            Wrong.TOO_MANY_CELLS, Severity.CONCESSION,
            "6 cells; the design allows 3 to 4", "Take out 2 cells.",
        ),
    ]  # fmt: skip


def test_a_blank_cell_may_stand_where_the_design_says_so_and_nowhere_else() -> None:
    mea = COOLED_ENDS.cell[2]
    strict = replace(
        COOLED_ENDS,
        cell=(*COOLED_ENDS.cell[:2], replace(mea, blank_may_stand=False), *COOLED_ENDS.cell[3:]),
    )

    assert check(COOLED_ENDS, a_pile(3, blanks=(2,))).findings == ()
    (finding,) = check(strict, a_pile(3, blanks=(2,))).findings
    assert finding.sentence == "blank cell at 12 where the design allows none (cell 2)"
    assert finding.severity is Severity.CONCESSION


def test_a_directional_mea_whose_facing_nobody_noted_is_asked_about() -> None:
    checked = check(COOLED_ENDS, spoilt(2, other(6, facing=Facing.EITHER)))

    assert checked.cost == 0
    assert [finding.sentence for finding in checked.findings] == [
        "MEA at 6: which way it faces was not noted (cell 1)"
    ]


def test_a_symmetric_mea_may_lie_either_way() -> None:
    mea = replace(COOLED_ENDS.cell[2], facing=Facing.EITHER, directional=False)
    symmetric = replace(COOLED_ENDS, cell=(*COOLED_ENDS.cell[:2], mea, *COOLED_ENDS.cell[3:]))

    for facing in Facing:
        assert check(symmetric, spoilt(2, other(6, facing=facing))).findings == ()


def test_lots_may_not_mix_where_the_design_asks_for_one() -> None:
    mea = replace(COOLED_ENDS.cell[2], one_lot=True)
    one_lot = replace(COOLED_ENDS, cell=(*COOLED_ENDS.cell[:2], mea, *COOLED_ENDS.cell[3:]))
    pile = spoilt(3, other(12, lot="M-5"))

    assert check(COOLED_ENDS, pile).findings == ()
    (finding,) = check(one_lot, pile).findings
    assert (
        finding.sentence == "MEA from 2 lots: 2 from M-4, 1 from M-5; the design asks for one lot"
    )
    assert (finding.positions, finding.severity) == ((12,), Severity.CONCESSION)


def test_backs_the_design_leaves_open_must_still_make_a_channel() -> None:
    open_backs = replace(
        COOLED_ENDS, cell=tuple(replace(item, back=None) for item in COOLED_ENDS.cell)
    )
    flush = other(10, back=Back.FLUSH)

    assert check(open_backs, a_pile(2)).findings == ()
    assert [finding.sentence for finding in check(open_backs, spoilt(2, flush)).findings] == [
        "two coolant backs meet at 8 and 10, no channel"
    ]


def test_an_inner_plate_cannot_be_the_end_plate() -> None:
    """The end cell taken out and its neighbour left at the collector."""
    layers = expand(END_PLATES, 4).layers
    pile = in_order([*layers[:2], *layers[8:]])

    (finding,) = check(END_PLATES, pile).findings

    assert finding.wrong is Wrong.BACK
    assert finding.sentence == (
        "half plate at 3 has a channelled back; one with no coolant back belongs there "
        "(cell 1, anode side)"
    )
    assert finding.severity is Severity.BLOCKS


@pytest.mark.parametrize(
    ("extent", "first", "last"),
    [
        (Extent.FROM_FIXED_END, 1, 9),
        (Extent.FROM_FREE_END, 8, 29),
        (Extent.REMAINDER, 7, 20),
    ],
)
def test_an_unfinished_pile_is_right_as_far_as_it_goes(
    extent: Extent, first: int, last: int
) -> None:
    part = a_pile(4)[first - 1 : last]

    assert check(COOLED_ENDS, part, extent=extent).cost == 0
    spoilt_part = (*part[:3], *part[4:])
    assert check(COOLED_ENDS, spoilt_part, extent=extent).cost == 1


@given(st.data())
def test_what_one_part_left_out_costs_is_one(data: st.DataObject) -> None:
    cells = data.draw(st.integers(1, 9))
    position = data.draw(st.integers(1, len(a_pile(cells))))

    checked = check(COOLED_ENDS, spoilt(cells, without(position)))

    assert (checked.cost, len(checked.findings), checked.cells) == (1, 1, cells)


@pytest.mark.parametrize(
    ("moves", "extent"),
    [
        ((), Extent.WHOLE),
        ((End.FREE,), Extent.FROM_FIXED_END),
        ((End.FIXED,), Extent.FROM_FREE_END),
        ((End.FIXED, End.FREE), Extent.REMAINDER),
        ((End.FREE,) * 11, Extent.FROM_FIXED_END),
    ],
)
def test_a_pile_is_whole_but_for_the_ends_that_were_opened(
    moves: tuple[End, ...], extent: Extent
) -> None:
    """Nothing kept at all: it begins anew at the fixed end."""
    pile = OpenPile.begun(a_pile(1))
    for end in moves:
        _, pile = pile.lift_off(end)

    assert extent_of(pile) is extent


def test_an_end_stays_open_when_layers_are_put_on_again() -> None:
    """Whether it is complete, the pattern tells."""
    layer, pile = OpenPile.begun(a_pile(2)).lift_off(End.FREE)

    pile = pile.put_on(End.FREE, layer)

    assert extent_of(pile) is Extent.FROM_FIXED_END
    assert check(COOLED_ENDS, pile.layers, extent=extent_of(pile)).findings == ()


def test_a_pile_stacked_from_nothing_begins_where_it_is_stacked() -> None:
    begun = OpenPile.begun(())

    assert extent_of(begun.put_on(End.FREE, a_pile(1)[0])) is Extent.FROM_FIXED_END
    assert extent_of(begun.put_on(End.FIXED, a_pile(1)[0])) is Extent.FROM_FREE_END
