"""The cheapest plan against a search through everything that could be done on a small stack."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_match import look, misfits
from service.designs.arithmetic.pile import Layer
from service.planning.arithmetic import changeover
from service.planning.arithmetic.changeover import plan
from service.planning.arithmetic.options import AddCells, BlankCell, RemoveCells, ReplaceCells, Wish
from service.planning.arithmetic.ways import Weights
from service.platform.arithmetic.vocabulary import End, Joint, Kind
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, expand

DAY = date(2026, 3, 1)
SHORT = replace(COOLED_ENDS, head=COOLED_ENDS.head[1:], tail=COOLED_ENDS.tail[:-1])
Piled = tuple[int | None, ...]
"""A wanted pile: for each place the index of the old layer, None for a new part."""


def cells_of(layers: Sequence[Layer]) -> list[int]:
    return [at for at, layer in enumerate(layers) if layer.kind in {Kind.MEA, Kind.BLANK_CELL}]


def wanted_piles(pattern: Pattern, old: Sequence[Layer], wish: Wish) -> Iterator[Piled]:
    """Every pile that fulfils a wish with as few new parts as can be, in the order of the old."""
    centres = cells_of(old)
    if isinstance(wish, ReplaceCells):
        yield tuple(None if layer.cell in wish.cells else at for at, layer in enumerate(old))
    elif isinstance(wish, BlankCell):
        yield tuple(None if at == centres[wish.cell - 1] else at for at in range(len(old)))
    elif isinstance(wish, AddCells):
        items = expand(pattern, len(centres) + wish.cells).items
        added = range(wish.before_cell, wish.before_cell + wish.cells)
        yield from fillings(items, old, set(centres), added)
    elif isinstance(wish, RemoveCells):
        items = expand(pattern, len(centres) - len(wish.cells)).items
        gone = {centres[cell - 1] for cell in wish.cells}
        runs = len(wish.cells) - sum(cell + 1 in wish.cells for cell in wish.cells)
        for pile in fillings(items, old, set(centres) - gone, range(0)):
            out = set(range(len(old))) - set(pile)
            if sum(at + 1 not in out for at in out) == runs:  # one stretch for each run of cells
                yield pile


def fillings(
    items: Sequence[Item], old: Sequence[Layer], staying: set[int], added: range
) -> Iterator[Piled]:
    """All ways to fill places with old layers in their order, and new parts where cells are added.

    MEAs: those in ``staying`` stay, those of cells in ``added`` are new.
    """
    new, gone = max(len(items) - len(old), 0), max(len(old) - len(items), 0)

    def rest(at: int, index: int, cell: int, new: int, gone: int) -> Iterator[Piled]:
        """Places from ``at`` on, from the layer ``index`` on; so many new and left out yet."""
        if at == len(items):
            if not new and staying.isdisjoint(range(index, len(old))):
                yield ()
            return
        centre = items[at].kind is Kind.MEA
        is_added = centre and cell + 1 in added
        if new and (is_added or not centre):
            for more in rest(at + 1, index, cell + centre, new - 1, gone):
                yield (None, *more)
        for taken in range(index, min(index + gone + 1, len(old))):
            if not staying.isdisjoint(range(index, taken)):
                break
            stays = taken in staying or not centre
            if stays and not is_added and not misfits(items[at], look(old[taken])):
                for more in rest(at + 1, taken + 1, cell + centre, new, gone - (taken - index)):
                    yield (taken, *more)

    yield from rest(0, 0, 0, new, gone)


def least_cost(
    old: Sequence[Layer],
    piles: Iterator[Piled],
    renewed: set[int],
    may_open: set[End],
    weights: Weights,
) -> float | None:
    """The least cost over all those piles and all stretches that could stay unopened."""
    return min(
        (cost for pile in piles for cost in costs(old, pile, renewed, may_open, weights)),
        default=None,
    )


def costs(
    old: Sequence[Layer], pile: Piled, renewed: set[int], may_open: set[End], weights: Weights
) -> Iterator[float]:
    place = {index: at for at, index in enumerate(pile) if index is not None}
    parted = sum(is_parted(place, low, high) for low, high in back_to_back(old))
    staying_cells = {old[at].cell for at in cells_of(old) if at in place}
    for start in range(len(old) + 1):
        for stop in range(start, len(old) + 1):
            kept = range(start, stop)
            ends = ends_opened(old, pile, kept, may_open, renewed)
            if ends is None:
                continue
            opened = {old[at].cell for at in range(len(old)) if at not in kept}
            again = {index for index in place if index not in kept and index in renewed}
            yield (
                weights.layer * (len(old) + len(pile) - 2 * len(kept))
                + weights.renewal * len(again)
                + weights.cell * len(staying_cells & opened - {None})
                + weights.pair * parted
                + weights.second_end * (len(ends) - 1)
            )


def back_to_back(old: Sequence[Layer]) -> Iterator[tuple[int, int]]:
    plates = [at for at, layer in enumerate(old) if layer.kind is Kind.HALF_PLATE]
    for low, high in pairwise(plates):
        if all(layer.joint is Joint.COOLANT for layer in old[low + 1 : high]):
            yield low, high


def is_parted(place: dict[int, int], low: int, high: int) -> bool:
    if low in place and high in place:
        return place[high] - place[low] != high - low
    return low in place or high in place


def ends_opened(
    old: Sequence[Layer], pile: Piled, kept: range, may_open: set[End], renewed: set[int]
) -> set[End] | None:
    """Which ends must be opened if these layers stay as they stand; None where they cannot."""
    place = {index: at for at, index in enumerate(pile) if index is not None}
    if not kept:
        return {End.FREE}  # or the fixed end: one
    if any(place.get(index, -1) != place.get(kept[0], -2) + index - kept[0] for index in kept):
        return None
    ends = set()
    if kept[0] > 0 or place[kept[0]] > 0:
        ends.add(End.FIXED)
    if kept[-1] + 1 < len(old) or place[kept[-1]] + 1 < len(pile):
        ends.add(End.FREE)
    faces = {kept[0] if end is End.FIXED else kept[-1] for end in ends}
    return ends if ends <= may_open and not faces & renewed else None


@st.composite
def wishes(draw: st.DrawFn, cells: int) -> Wish:
    some = st.lists(st.integers(1, cells), min_size=1, max_size=2, unique=True).map(tuple)
    kinds = [
        st.builds(AddCells, st.integers(1, 2), st.integers(1, cells + 1)),
        st.builds(ReplaceCells, some),
        st.builds(BlankCell, st.integers(1, cells)),
    ]
    if cells > 1:
        kinds.append(some.filter(lambda few: len(few) < cells).map(RemoveCells))
    return draw(st.one_of(kinds))


def any_renewals(pattern: Pattern, item: Item, *, renew: bool) -> Pattern:
    """The pattern with an item that is, or is not, renewed at every opening."""

    def of(items: tuple[Item, ...]) -> tuple[Item, ...]:
        return tuple(replace(x, renew_at_opening=renew) if x == item else x for x in items)

    return replace(
        pattern,
        head=of(pattern.head), cell=of(pattern.cell), between=of(pattern.between),
        tail=of(pattern.tail),
    )  # fmt: skip


weights = st.builds(
    Weights,
    layer=st.integers(1, 3), renewal=st.integers(0, 4), cell=st.integers(0, 4),
    pair=st.integers(0, 3), second_end=st.integers(0, 12),
)  # fmt: skip


@given(data=st.data(), many=st.booleans())
def test_no_plan_is_cheaper_than_the_one_found(data: st.DataObject, many: bool) -> None:
    """``many``: also where the choices are taken two at a time, as on long stacks."""
    pattern: Pattern = data.draw(st.sampled_from([SHORT, replace(END_PLATES, least_cells=1)]))
    some_item = data.draw(st.sampled_from(pattern.cell + pattern.between))
    pattern = any_renewals(pattern, some_item, renew=data.draw(st.booleans()))
    cells = data.draw(st.integers(1, 4))
    old = expand(pattern, cells).layers
    wish = data.draw(wishes(cells))
    worn = data.draw(st.sets(st.sampled_from([layer.part for layer in old]), max_size=3))
    may_open = data.draw(st.sampled_from([(End.FREE,), (End.FIXED,), tuple(End)]))
    counted = data.draw(weights)

    with pytest.MonkeyPatch.context() as patch:
        if many:
            patch.setattr(changeover, "MOST_COMBINATIONS", 0)
        found = plan(
            pattern, old, [wish], worn=dict.fromkeys(worn, "worn"), may_open=may_open,
            weights=counted,
        )  # fmt: skip

    renewed = {
        at
        for at, (layer, item) in enumerate(zip(old, expand(pattern, cells).items, strict=True))
        if layer.part in worn or item.renew_at_opening
    }
    piles = wanted_piles(pattern, old, wish)
    assert found.way.cost == least_cost(old, piles, renewed, set(may_open), counted)


@given(data=st.data())
def test_the_lists_lead_from_the_old_pile_to_the_new(data: st.DataObject) -> None:
    """What stays, is lifted and put on adds up; the new pile follows the design."""
    pattern: Pattern = data.draw(st.sampled_from([SHORT, replace(END_PLATES, least_cells=1)]))
    cells = data.draw(st.integers(1, 4))
    old = expand(pattern, cells).layers
    wish = data.draw(wishes(cells))

    found = plan(pattern, old, [wish])

    lifted = [lift.layer.position for lift in found.lift_off]
    kept = [layer for layer in old if layer.position not in lifted]
    assert len(set(lifted)) == len(lifted) == found.way.lifted
    assert len(found.put_on) == found.way.put_on
    back = {lift.layer.part for lift in found.lift_off if lift.then == "goes back"}
    assert back == {each.layer.part for each in found.put_on if each.again}
    new = {each.layer.position: each.layer for each in found.put_on}
    rebuilt = [new.get(layer.position, layer) for layer in found.pile]
    assert rebuilt == list(found.pile)
    untouched = [layer.part for layer in found.pile if layer.position not in new]
    assert untouched == [layer.part for layer in kept]
    assert found.findings == ()
    assert len(found.must_renew) == found.way.renewals
