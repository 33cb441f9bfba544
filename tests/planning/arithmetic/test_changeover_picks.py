"""The pick list."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Item
from service.planning.arithmetic.picks import Candidate, Need, Picked, pick
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side
from tests.designs.arithmetic.patterns import AIR_PLATE, CELL_GASKET, FUEL_PLATE, MEA

DAY = date(2026, 3, 1)
ONE_LOT = replace(MEA, one_lot=True)


def an_mea(number: int, lot: str = "M-4", **more: object) -> Candidate:
    made = {"M-3": date(2025, 1, 1), "M-4": date(2025, 6, 1), "M-5": date(2025, 9, 1)}.get(lot)
    return Candidate(
        number, number, f"M-{number:04}", Kind.MEA, "MEA", 0.5, lot=lot, made_on=made, **more
    )  # type: ignore[arg-type]


def gaskets(items: int, lot: str, made_on: date | None = None) -> Candidate:
    return Candidate(
        900 + items, None, lot, Kind.GASKET, "gas gasket", 0.4, lot=lot, items=items,
        joint=Joint.GAS, made_on=made_on,
    )  # fmt: skip


def needs(item: Item, number: int) -> list[Need]:
    return [Need(at, item) for at in range(number)]


def labels(picked: Picked) -> list[str]:
    return [one.candidate.label for one in picked.picks]


def test_the_oldest_lot_comes_first_and_within_it_the_lowest_serial() -> None:
    store = [an_mea(7, "M-5"), an_mea(3, "M-4"), an_mea(2, "M-4"), an_mea(9, "M-3")]

    picked = pick(needs(MEA, 3), store, stack="TE-1")

    assert labels(picked) == ["M-0009", "M-0002", "M-0003"]
    assert [one.position for one in picked.picks] == [1, 2, 3]
    assert picked.shortages == ()


def test_a_blank_cell_is_no_mea_though_it_may_stand_in_its_place() -> None:
    """However old it is: only a wish puts it there, or somebody who names it."""
    blank = Candidate(1, 1, "B-0001", Kind.BLANK_CELL, "blank cell", 0.5, made_on=date(2020, 1, 1))

    assert labels(pick(needs(MEA, 1), [blank, an_mea(2)], stack="")) == ["M-0002"]
    named = pick([Need(0, MEA, 1)], [blank, an_mea(2)], stack="")
    assert labels(named) == ["B-0001"]


def test_a_lot_of_unknown_age_comes_last() -> None:
    assert labels(pick(needs(MEA, 1), [an_mea(1, "?"), an_mea(2, "M-5")], stack="")) == ["M-0002"]


@pytest.mark.parametrize(
    ("unfit", "why"),
    [
        ({"why_not": "on hold"}, "1 on hold"),
        ({"why_not": "on hold: pinholes in the lot"}, "1 on hold"),
        ({"why_not": "not inspected"}, "1 not inspected"),
        ({"why_not": "past its shelf life: ended on 2026-02-28"}, "1 past its shelf life"),
        ({"reserved_for": "TE-9"}, "1 reserved"),
    ],
)
def test_what_must_not_be_used_is_left_and_counted(unfit: dict[str, object], why: str) -> None:
    store = [an_mea(1, **unfit), an_mea(2)]

    picked = pick(needs(MEA, 2), store, stack="TE-1")

    assert labels(picked) == ["M-0002"]
    (shortage,) = picked.shortages
    assert shortage.positions == (2,)
    assert shortage.sentence == f"2 × MEA needed, 1 to be had; not counted: {why}."


def test_the_stacks_own_reservation_counts() -> None:
    store = [an_mea(1), an_mea(2, reserved_for="TE-1")]

    assert labels(pick(needs(MEA, 2), store, stack="TE-1")) == ["M-0001", "M-0002"]


def test_counted_items_are_taken_from_as_many_lots_as_it_takes() -> None:
    store = [gaskets(9, "S-32", date(2025, 8, 1)), gaskets(3, "S-31", date(2025, 2, 1))]

    picked = pick(needs(CELL_GASKET, 5), store, stack="")

    assert labels(picked) == ["S-31", "S-31", "S-31", "S-32", "S-32"]


def test_where_the_design_asks_for_one_lot_the_oldest_with_enough_is_taken() -> None:
    store = [an_mea(1, "M-3"), *[an_mea(at, "M-5") for at in (5, 6)], an_mea(2, "M-4")]

    assert labels(pick(needs(ONE_LOT, 2), store, stack="")) == ["M-0005", "M-0006"]


def test_the_lot_of_the_parts_that_stay_goes_before_age() -> None:
    store = [an_mea(1, "M-3"), an_mea(2, "M-3"), an_mea(5, "M-5")]

    picked = pick(needs(ONE_LOT, 2), store, stack="", staying={ONE_LOT: frozenset({"M-5"})})

    assert labels(picked) == ["M-0005"]
    assert picked.shortages[0].sentence == (
        "2 × MEA needed, 1 to be had from one lot (M-5); the design asks for one lot."
    )


def test_where_no_lot_has_enough_the_largest_is_offered_and_the_rest_is_wanting() -> None:
    store = [an_mea(1, "M-3"), an_mea(5, "M-5"), an_mea(6, "M-5")]

    picked = pick(needs(ONE_LOT, 3), store, stack="")

    assert labels(picked) == ["M-0005", "M-0006"]
    assert picked.shortages[0].positions == (3,)


def test_a_named_part_is_taken_or_it_is_said_why_not() -> None:
    store = [an_mea(1), an_mea(2, why_not="on hold: short"), gaskets(3, "S-31")]
    asked = [Need(at, MEA, part) for at, part in enumerate((1, 2, 3, 1))]

    picked = pick(asked, store, stack="")

    assert labels(picked) == ["M-0001"]
    assert [shortage.sentence for shortage in picked.shortages] == [
        "M-0002 is on hold: short.",
        "The MEA asked for is not among the parts offered.",
        "M-0001 is asked for twice.",
    ]


def test_parts_taken_over_go_first_and_are_told_when_they_find_no_place() -> None:
    store = [an_mea(1, "M-3"), an_mea(8, "M-5", taken_from="TE-2"), an_mea(9, "M-5")]

    picked = pick(needs(MEA, 1), store, stack="", first=[8, 9])

    assert labels(picked) == ["M-0008"]
    assert picked.remarks == ("M-0009 was to be used first and finds no place.",)


def test_a_gasket_the_design_renews_is_not_taken_over() -> None:
    used = replace(gaskets(1, "S-30"), taken_from="TE-2")

    assert pick(needs(CELL_GASKET, 1), [used], stack="").picks == ()


def test_a_part_is_laid_as_the_design_says() -> None:
    plate = Candidate(
        4, 4, "F-4", Kind.HALF_PLATE, "fuel plate", 2.48, side=Side.FUEL, back=Back.CHANNELLED
    )

    layer = plate.layer(FUEL_PLATE, 7, -7)

    assert (layer.position, layer.part, layer.facing) == (7, 4, Facing.FREE_END)
    assert layer.thickness_mm == 2.48
    assert plate.suits(FUEL_PLATE)
    assert not plate.suits(AIR_PLATE)


def test_who_can_take_one_part_only_chooses_before_who_takes_any() -> None:
    any_mea = Item(Kind.MEA)
    store = [an_mea(1, "M-3"), replace(an_mea(2, "M-5"), part_type="other MEA")]
    asked = [Need(0, any_mea), Need(1, MEA)]

    picked = pick(asked, store, stack="")

    assert labels(picked) == ["M-0002", "M-0001"]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["M-3", "M-4", "M-5"]),
            st.sampled_from(["", "", "rejected", "on hold: short"]),
        ),
        max_size=8,
    ),
    st.integers(0, 8),
    st.booleans(),
)
def test_nothing_is_picked_twice_or_against_the_rules(
    stock: list[tuple[str, str]], number: int, one_lot: bool
) -> None:
    store = [an_mea(at, lot, why_not=why) for at, (lot, why) in enumerate(stock)]
    item = ONE_LOT if one_lot else MEA

    picked = pick(needs(item, number), store, stack="")

    taken = [one.candidate for one in picked.picks]
    allowed = [one for one in store if not one.why_not]
    assert len({one.key for one in taken}) == len(taken)
    assert all(one in allowed for one in taken)
    short = sum(len(shortage.positions) for shortage in picked.shortages)
    assert len(taken) + short == number
    if one_lot:
        assert len({one.lot for one in taken}) <= 1
        most = max([sum(one.lot == lot for one in allowed) for lot in ("M-3", "M-4", "M-5")])
        assert len(taken) == min(number, most)
    else:
        assert len(taken) == min(number, len(allowed))
        ages = [one.made_on for one in taken]
        assert ages == sorted(one.made_on for one in allowed if one.made_on)[: len(taken)]
