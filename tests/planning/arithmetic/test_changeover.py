"""The changeover plan, as a builder reads it.

The pile of three cells, cooled at both ends: 1 insulator, 2 collector, 3 coolant gasket, 4 to 8
cell 1 (fuel plate, gasket, MEA, gasket, air plate), 9 coolant gasket, 10 to 14 cell 2, 15 coolant
gasket, 16 to 20 cell 3, 21 coolant gasket, 22 collector, 23 insulator. Gaskets are renewed.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import pytest

from service.closing.arithmetic.closing_checks import RodSet
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_check import check
from service.designs.arithmetic.grammar_findings import Wrong
from service.designs.arithmetic.pile import Layer
from service.planning.arithmetic.changeover import Plan, plan
from service.planning.arithmetic.options import (
    AddCells,
    BlankCell,
    MoveCells,
    Plates,
    RemoveCells,
    ReplaceCells,
    ReplaceParts,
    SplitStack,
    Wish,
)
from service.planning.arithmetic.picks import Candidate
from service.planning.arithmetic.ways import Caution
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.vocabulary import Back, End, Kind
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, expand
from tests.stacks.arithmetic.piles import a_pile, in_order

DAY = date(2026, 3, 1)
RODS = RodSet(
    length_mm=150, thread_mm=60, fixed_end_mm=20, clamped_mm=40, nut_mm=6.5,
    least_protrusion_mm=2.5,
)  # fmt: skip


def a_store(pattern: Pattern = COOLED_ENDS, each: int = 8) -> list[Candidate]:
    """Enough of everything, keys from 5000 on."""
    items: dict[str, Item] = {item.part_type: item for item in (*pattern.cell, *pattern.between)}
    items |= {item.part_type + str(item.back): item for item in (*pattern.head, *pattern.tail)}
    store: list[Candidate] = []
    for item in dict.fromkeys(items.values()):
        for _ in range(1 if item.kind is Kind.GASKET else each):
            key = 5000 + len(store)
            counted = item.kind is Kind.GASKET
            store.append(
                Candidate(
                    key, None if counted else key, f"N-{key}", item.kind, item.part_type,
                    item.thickness_mm or 1.0, lot="L-9", items=40 if counted else 1,
                    side=item.side, back=item.back or Back.NONE, joint=item.joint,
                )
            )  # fmt: skip
    return store


def a_plan(wish: Wish, cells: int = 3, **more: object) -> Plan:
    return plan(COOLED_ENDS, a_pile(cells), [wish], **{"store": a_store(), **more})  # type: ignore[arg-type]


def positions(layers: Sequence[Layer]) -> list[int]:
    return [layer.position for layer in layers]


def test_adding_at_the_free_end_opens_the_free_end_down_to_the_last_plate() -> None:
    found = a_plan(AddCells(1, before_cell=4), rods=RODS)

    assert found.way.ends == (End.FREE,)
    assert positions([lift.layer for lift in found.lift_off]) == [23, 22, 21]
    assert [lift.then for lift in found.lift_off] == [
        "goes back", "goes back", "to be renewed: renewed at every opening",
    ]  # fmt: skip
    assert [renewal.layer.position for renewal in found.must_renew] == [21]
    assert positions([each.layer for each in found.put_on]) == list(range(21, 30))
    assert len(found.picks) == 7  # a cell of five, two coolant gaskets
    assert found.shortages == ()
    assert check(COOLED_ENDS, found.pile).cells == 4
    assert found.findings == ()


def test_adding_at_the_fixed_end_opens_the_fixed_end() -> None:
    found = a_plan(AddCells(1, before_cell=1))

    assert found.way.ends == (End.FIXED,)
    assert positions([lift.layer for lift in found.lift_off]) == [1, 2, 3]
    assert positions([each.layer for each in found.put_on]) == list(range(9, 0, -1))


def test_the_reason_for_the_end_is_told_with_the_numbers_of_the_other() -> None:
    assert a_plan(AddCells(1, before_cell=4)).why == (
        "Open the free end: 3 layers lifted off, 9 put on and 1 renewal on the way. "
        "Opening the fixed end would mean 21 layers lifted off, 27 put on, "
        "10 renewals on the way and 3 further cells opened."
    )


def test_a_gasket_whose_face_is_parted_is_lifted_too_when_it_must_be_renewed() -> None:
    """The MEA of cell 3 is changed: the cell gasket beneath it, at 17, is bared."""
    mea = a_pile(3)[17]

    found = a_plan(ReplaceParts((mea.part,)))

    assert found.way.kept.stop == 16
    assert [renewal.layer.position for renewal in found.must_renew] == [17, 19, 21]


def test_a_gasket_that_may_stay_is_not_lifted() -> None:
    lasting = replace(
        COOLED_ENDS,
        cell=tuple(replace(item, renew_at_opening=False) for item in COOLED_ENDS.cell),
    )
    mea = a_pile(3)[17]

    found = plan(lasting, a_pile(3), [ReplaceParts((mea.part,))])

    assert found.way.kept.stop == 17


def test_a_worn_part_is_renewed_once_reached_and_told_of_where_it_is_not() -> None:
    pile = a_pile(3)
    worn = {pile[19].part: "3 openings, the limit is 3", pile[5].part: "on hold"}

    found = a_plan(AddCells(1, before_cell=4), worn=worn)

    assert [(renewal.layer.position, renewal.reason) for renewal in found.must_renew] == [
        (19, "renewed at every opening"),  # bared once the plate above it is lifted
        (20, "3 openings, the limit is 3"),
        (21, "renewed at every opening"),
    ]
    assert found.remarks == (
        "MEA T-0006 at 6 stays, not reached by this plan: on hold.",
    )  # fmt: skip


def test_changes_at_both_ends_of_a_tall_stack_open_both() -> None:
    found = a_plan(ReplaceCells((1, 20)), cells=20)

    assert found.way.ends == (End.FREE, End.FIXED)
    assert [lift.end for lift in found.lift_off] == [End.FREE] * 9 + [End.FIXED] * 9
    assert "Cover the open pile, secure it and turn the stack over." in [
        step.text for step in found.steps
    ]


def test_an_end_that_cannot_be_opened_is_left_alone() -> None:
    assert a_plan(AddCells(1, 1), may_open=[End.FREE]).way.ends == (End.FREE,)
    with pytest.raises(Inconsistent, match="No end may be opened"):
        a_plan(AddCells(1, 1), may_open=[])


@pytest.mark.parametrize(
    ("plates", "leaving", "parted"),
    [
        (Plates.OWN, [10, 14], 2),
        (Plates.TOWARD_FIXED_END, [8, 10], 0),
        (Plates.TOWARD_FREE_END, [14, 16], 0),
        (Plates.ANY, [14, 16], 0),
    ],
)
def test_which_plates_leave_with_an_inner_cell_is_told(
    plates: Plates, leaving: list[int], parted: int
) -> None:
    """One MEA leaves; its own plates, or either pair back to back."""
    found = a_plan(RemoveCells((2,), plates))

    out = [
        lift.layer.position
        for lift in found.lift_off
        if lift.then == "comes out" and lift.layer.kind is Kind.HALF_PLATE
    ]
    assert sorted(out) == leaving
    assert found.way.pairs_parted == parted
    assert all(f"at {position} (cell" in found.plates for position in leaving)
    assert check(COOLED_ENDS, found.pile).cells == 2


def test_an_end_plate_stays_when_the_end_cell_leaves() -> None:
    """The inner plate beside it has another back: the pair behind the cell goes instead."""
    pile = expand(END_PLATES, 4).layers

    found = plan(END_PLATES, pile, [RemoveCells((1,))])

    assert found.pile[2].part == pile[2].part
    assert found.findings == ()
    with pytest.raises(Inconsistent, match="Cell 1 cannot be taken out with its own so that"):
        plan(END_PLATES, pile, [RemoveCells((1,), Plates.OWN)])


def test_a_blank_cell_takes_the_place_of_the_mea_alone() -> None:
    blank = Candidate(70, 70, "B-70", Kind.BLANK_CELL, "blank", 0.6)

    found = a_plan(BlankCell(3), store=[*a_store(), blank])

    assert [(each.position, each.candidate.label) for each in found.picks][1] == (18, "B-70")
    assert found.pile[17].kind is Kind.BLANK_CELL
    assert found.pile[17].cell == 3
    assert found.findings == ()
    assert found.height_mm == pytest.approx(sum(x.thickness_mm for x in a_pile(3)) + 0.1)


def test_a_blank_cell_of_unknown_thickness_leaves_the_height_open() -> None:
    found = a_plan(BlankCell(3), rods=RODS)

    assert (found.height_mm, found.closed) == (None, None)
    assert any("thickness of a new part is not known" in remark for remark in found.remarks)
    assert [shortage.sentence for shortage in found.shortages] == [
        "1 × blank cell needed, 0 to be had."
    ]
    assert [each.layer.position for each in found.put_on if each.wanting] == [18]


def test_replaced_cells_get_new_parts_with_or_without_plates() -> None:
    with_plates = a_plan(ReplaceCells((3,)))
    without = a_plan(ReplaceCells((3,), with_plates=False))

    def new(found: Plan) -> list[int]:
        return [each.layer.position for each in found.put_on if not each.again]

    assert new(with_plates) == [15, 16, 17, 18, 19, 20, 21]
    assert new(without) == [17, 18, 19, 21]


def candidate_of(layer: Layer, taken_from: str) -> Candidate:
    """A layer of another stack as a part to be taken over."""
    return Candidate(
        key=layer.part,
        part=layer.part,
        label=layer.label,
        kind=layer.kind,
        part_type=layer.part_type,
        thickness_mm=layer.thickness_mm,
        lot=layer.lot,
        side=layer.side,
        back=layer.back,
        joint=layer.joint,
        material=layer.material,
        taken_from=taken_from,
    )


def test_a_named_part_takes_a_named_place() -> None:
    mea = a_pile(3)[17]
    taken = replace(candidate_of(a_pile(1, first_part=800)[5], "TE-2"), lot="M-1")

    found = a_plan(ReplaceParts((mea.part,), by=((mea.part, 805),)), store=[*a_store(), taken])

    assert found.pile[17].part == 805
    assert found.pile[17].lot == "M-1"


def test_cells_moved_go_along_with_all_that_is_theirs_and_are_taken_over_there() -> None:
    moving = a_plan(MoveCells((2,), to="TE-2"))
    going = [lift.layer for lift in moving.lift_off if lift.then == "goes to TE-2"]
    assert [layer.position for layer in going] == [14, 12, 10]
    assert check(COOLED_ENDS, moving.pile).cells == 2

    parts = tuple(layer.part for layer in going)
    store = [*a_store(), *[candidate_of(layer, "TE-1") for layer in going]]
    there = plan(
        COOLED_ENDS, a_pile(2, first_part=300), [AddCells(1, 3, taken_over=parts)],
        store=store,
    )  # fmt: skip

    picked = {each.candidate.part for each in there.picks}
    assert set(parts) <= picked
    assert there.remarks == ()


def test_a_stack_is_split_in_two_that_both_follow_the_design() -> None:
    found = a_plan(SplitStack(1, to="TE-2"))

    assert found.second is not None
    assert (check(COOLED_ENDS, found.pile).cells, found.findings) == (1, ())
    second = check(COOLED_ENDS, found.second.layers)
    assert (second.cells, second.cost, second.findings) == (2, 0, ())
    stay = {layer.part for layer in found.pile} | {layer.part for layer in found.second.layers}
    old = {layer.part for layer in a_pile(3) if layer.kind is not Kind.GASKET}
    assert old <= stay
    assert found.second.to == "TE-2"
    assert found.second.shortages == ()
    both = [each.candidate.part for each in (*found.picks, *found.second.picks)]
    serials = [part for part in both if part is not None]
    assert len(set(serials)) == len(serials)


def test_the_stack_may_keep_the_cells_at_its_free_end() -> None:
    found = a_plan(SplitStack(1, keeps=End.FREE))

    assert found.way.ends == (End.FIXED,)
    assert check(COOLED_ENDS, found.pile).cells == 2
    assert found.second is not None
    assert check(COOLED_ENDS, found.second.layers).cells == 1


def test_several_wishes_make_one_plan() -> None:
    pile = a_pile(4)
    wishes = [ReplaceParts((pile[5].part,)), RemoveCells((3,)), AddCells(2, 5)]

    found = plan(COOLED_ENDS, pile, wishes, store=a_store(each=20))

    assert check(COOLED_ENDS, found.pile).cells == 5
    assert found.findings == ()
    with pytest.raises(Inconsistent, match="contradict each other"):
        plan(COOLED_ENDS, pile, [RemoveCells((3,)), ReplaceCells((3,))])


def test_a_lengthening_the_thread_does_not_allow_is_refused_with_the_longest_stack() -> None:
    """N cells stand 20.4 + 6.7 N mm high; the rods leave 81 mm: nine cells."""
    longest = "the longest stack these rods allow has 9 cells"

    found = a_plan(AddCells(7, before_cell=4), rods=RODS)

    assert found.refusals == (f"The rods are 3.9\u2009mm too short for the nut; {longest}.",)
    assert a_plan(AddCells(6, before_cell=4), rods=RODS).refusals == ()


def test_more_cells_than_the_design_allows_are_a_finding_of_the_new_pile() -> None:
    narrow = replace(COOLED_ENDS, most_cells=3)

    found = plan(narrow, a_pile(3), [AddCells(1, 4)])

    assert [finding.wrong for finding in found.findings] == [Wrong.TOO_MANY_CELLS]


def test_a_pile_that_deviates_is_planned_for_and_the_deviation_stays() -> None:
    pile = in_order([*a_pile(3)[:4], *a_pile(3)[5:]])  # a cell gasket forgotten in cell 1

    found = plan(COOLED_ENDS, pile, [AddCells(1, 4)])

    assert [finding.wrong for finding in found.findings] == [Wrong.MISSING]
    assert found.remarks == (
        "The pile deviates from its design in 1 place as it stands: see its findings.",
    )


def test_the_steps_stand_in_order_with_their_cautions() -> None:
    found = a_plan(RemoveCells((3,)), rods=RODS)

    assert [step.number for step in found.steps] == list(range(1, len(found.steps) + 1))
    told = [(step.text.split()[0], step.cautions) for step in found.steps]
    assert told == [
        ("Lay", ()),
        ("Go", (Caution.HYDROGEN, Caution.STORED_CHARGE, Caution.HOT_COOLANT)),
        ("Note", ()),
        ("Draw", ()),
        ("Loosen", (Caution.CLAMP_ENERGY,)),
        ("Take", (Caution.CLAMP_ENERGY,)),
        ("Lift", (Caution.DUST_AND_MEMBRANES, Caution.HOT_COOLANT)),
        ("Put", ()),
        ("Put", (Caution.DUST_AND_MEMBRANES,)),
        ("Look", ()),
        ("Tighten", (Caution.CLAMP_ENERGY,)),
        ("Measure", ()),
        ("Check", (Caution.STORED_CHARGE,)),
        ("Test", (Caution.TEST_PRESSURE,)),
        ("Set", (Caution.HYDROGEN,)),
        ("Hand", ()),
    ]
    assert "closed height over both compression plates" in found.steps[11].text
    assert "computed" not in found.steps[11].text
    assert "2 cells (before: 3)" in found.steps[14].text


@pytest.mark.parametrize(
    ("wish", "told"),
    [
        (AddCells(1, 5), "before cell is 5; allowed: 1 to 4"),
        (AddCells(0, 1), "cells to add is 0"),
        (RemoveCells((4,)), "cell is 4; allowed: 1 to 3"),
        (RemoveCells(()), "No cell is named"),
        (RemoveCells((1, 2, 3)), "All cells are named; one must stay"),
        (ReplaceParts((4711,)), "part is 4711; allowed: a layer of this stack"),
        (ReplaceParts(()), "No part is named"),
        (ReplaceParts((6,), by=((12, 700),)), "Part 12 gets another but is not among"),
        (BlankCell(9), "cell is 9; allowed: 1 to 3"),
        (SplitStack(3), "after cell is 3; allowed: 1 to 2"),
        (RemoveCells((1,), Plates.TOWARD_FIXED_END), "cannot be taken out with the pair toward"),
    ],
)
def test_a_wish_that_cannot_be_is_refused_in_words(wish: Wish, told: str) -> None:
    with pytest.raises((OutOfRange, Inconsistent), match=told):
        a_plan(wish)


def test_a_blank_cell_twice_or_where_none_may_stand_is_refused() -> None:
    mea = replace(COOLED_ENDS.cell[2], blank_may_stand=False)
    strict = replace(COOLED_ENDS, cell=(*COOLED_ENDS.cell[:2], mea, *COOLED_ENDS.cell[3:]))

    with pytest.raises(Inconsistent, match="Cell 2 is a blank cell already"):
        plan(COOLED_ENDS, a_pile(3, blanks=(2,)), [BlankCell(2)])
    with pytest.raises(Inconsistent, match="allows no blank cell in the place of cell 2"):
        plan(strict, a_pile(3), [BlankCell(2)])


def test_nothing_wished_for_is_refused() -> None:
    with pytest.raises(Inconsistent, match="Nothing is wished for"):
        plan(COOLED_ENDS, a_pile(3), [])
