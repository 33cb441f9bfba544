"""Opening a pile from its ends."""

from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.pile import Layer, OpenPile
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import End
from tests.stacks.arithmetic.piles import a_pile, in_order

ENDS = st.sampled_from(End)


def parts(layers: tuple[Layer, ...]) -> list[int]:
    return [layer.part for layer in layers]


def test_lifting_off_takes_the_outermost_layer_of_that_end() -> None:
    pile = a_pile(2)

    first, opened = OpenPile.begun(pile).lift_off(End.FREE)
    second, opened = opened.lift_off(End.FIXED)

    assert (first, second) == (pile[-1], pile[0])
    assert parts(opened.layers) == parts(pile[1:-1])
    assert [layer.position for layer in opened.layers] == list(range(1, len(pile) - 1))


def test_a_step_leaves_the_pile_before_as_it_was() -> None:
    before = OpenPile.begun(a_pile(1))

    before.lift_off(End.FREE)
    before.put_on(End.FIXED, a_pile(1, first_part=100)[0])

    assert before.layers == a_pile(1)


def test_what_was_never_lifted_is_kept_and_what_was_put_back_is_not() -> None:
    pile = a_pile(1)

    layer, opened = OpenPile.begun(pile).lift_off(End.FREE)
    opened = opened.put_on(End.FREE, layer)

    assert opened.layers == pile
    assert opened.kept == pile[:-1]


def test_a_pile_can_be_emptied_from_the_end_it_was_not_built_from() -> None:
    pile = a_pile(1)
    opened = OpenPile.begun(())
    for layer in pile:
        opened = opened.put_on(End.FREE, layer)

    lifted = []
    while opened.outermost(End.FIXED):
        layer, opened = opened.lift_off(End.FIXED)
        lifted.append(layer)

    assert tuple(lifted) == pile
    assert opened.kept == ()


@pytest.mark.parametrize("end", list(End))
def test_nothing_can_be_lifted_off_an_empty_pile(end: End) -> None:
    with pytest.raises(Inconsistent, match=f"Nothing is left to lift off at the {end}"):
        OpenPile.begun(()).lift_off(end)


@given(st.integers(0, 2), st.lists(st.tuples(st.booleans(), ENDS)))
def test_an_open_pile_never_loses_or_doubles_a_layer(
    cells: int, steps: list[tuple[bool, End]]
) -> None:
    """Beside a plain deque; what was lifted off is put on again in any order of ends."""
    pile = a_pile(cells) if cells else ()
    opened, told, store = OpenPile.begun(pile), deque(parts(pile)), list(a_pile(1, first_part=500))
    everything = sorted(parts(pile) + parts(tuple(store)))
    lifted_once: set[int] = set()
    for is_lift, end in steps:
        if is_lift and told:
            layer, opened = opened.lift_off(end)
            assert layer.part == (told.popleft() if end is End.FIXED else told.pop())
            lifted_once.add(layer.part)
            store.append(layer)
        elif not is_lift and store:
            layer = store.pop()
            opened = opened.put_on(end, layer)
            (told.appendleft if end is End.FIXED else told.append)(layer.part)

    assert parts(opened.layers) == list(told)
    assert sorted(list(told) + [layer.part for layer in store]) == everything
    assert opened.layers == in_order(opened.layers)
    assert parts(opened.kept) == [part for part in parts(pile) if part not in lifted_once]
