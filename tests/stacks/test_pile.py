"""The pile in section."""

from dataclasses import replace
from xml.etree.ElementTree import Element

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.drawings import axis
from service.stacks.arithmetic.comparison import compare
from service.stacks.drawings.clamp import Fluid, Port, Rods
from service.stacks.drawings.pile import SLIM, WIDTH, draw_pile
from service.stacks.drawings.section import Page
from tests.platform.svg import parsed, title_of, with_class, words
from tests.stacks.arithmetic.piles import a_pile, in_order

PORTS = (Port(Fluid.FUEL, End.FIXED, "fuel in"), Port(Fluid.COOLANT, End.FREE, "coolant out"))
RODS = Rods(8, "M8", disc_springs=True)


def positions(tree: Element) -> list[int]:
    return [int(layer.get("data-position", "0")) for layer in with_class(tree, "layer")]


@pytest.mark.parametrize("cells", [1, 3, 24])
def test_every_layer_is_drawn_once_in_its_order(cells: int) -> None:
    pile = a_pile(cells)

    tree = parsed(draw_pile(pile, title="Layer map", rods=RODS, ports=PORTS))

    assert positions(tree) == [layer.position for layer in pile]


def test_a_layer_says_what_it_is_and_leads_to_its_part() -> None:
    tree = parsed(
        draw_pile(a_pile(2), title="Layer map", link=lambda x: f"/parts/{x.part}?a=1&b=2")
    )

    mea = with_class(tree, "layer")[5]
    assert title_of(mea) == "6: MEA T-0006, lot M-4, faces the fixed end, cell 1"
    assert mea.get("href") == "/parts/6?a=1&b=2"


def test_layers_without_a_link_can_be_reached_by_keyboard() -> None:
    tree = parsed(draw_pile(a_pile(1), title="Layer map"))

    assert {layer.get("tabindex") for layer in with_class(tree, "layer")} == {"0"}


def test_what_people_typed_is_shown_and_never_run() -> None:
    odd = "<script>alert('1')</script> & \"x\""
    pile = tuple(replace(layer, label=odd, lot=odd) for layer in a_pile(1))

    drawing = draw_pile(pile, title=odd, link=lambda _: f"/parts/{odd}")

    assert "<script" not in drawing
    assert odd in title_of(with_class(parsed(drawing), "layer")[0])
    assert odd in words(parsed(drawing))


def test_the_middle_of_a_high_pile_is_broken_and_leads_to_the_whole() -> None:
    pile = a_pile(40)

    tree = parsed(draw_pile(pile, title="Layer map", open_link="?layers=all"))

    gap = with_class(tree, "opens")
    assert len(gap) == 1
    assert gap[0].get("href") == "?layers=all"
    assert "Cells 6 to 35" in title_of(gap[0])
    drawn = set(positions(tree))
    assert {layer.cell for layer in pile if layer.position in drawn and layer.cell} == {
        *range(1, 6),
        *range(36, 41),
    }
    assert len(drawn) < len(pile)


def test_the_whole_pile_can_be_drawn() -> None:
    pile = a_pile(40)

    assert len(positions(parsed(draw_pile(pile, title="Layer map", broken=False)))) == len(pile)


def test_what_is_built_otherwise_or_changed_is_never_left_out() -> None:
    before = a_pile(60, blanks=(30,))
    after = list(before)
    after[119] = replace(after[119], part=9000, label="T-9000")
    pile = in_order(after)

    tree = parsed(draw_pile(pile, title="Layer map", changes=compare(before, pile).marks))

    drawn = set(positions(tree))
    blank = next(layer for layer in pile if layer.kind is Kind.BLANK_CELL)
    assert blank.position in drawn
    assert {118, 119, 120, 121, 122} <= drawn


def test_changes_are_numbered_alike_in_both_piles() -> None:
    before = a_pile(12)
    layers = list(before)
    layers[5], layers[41] = layers[41], layers[5]
    layers[29] = replace(layers[29], facing=Facing.FREE_END)
    after = in_order(layers)
    marks = compare(before, after).marks

    def numbers(pile: tuple[Layer, ...]) -> set[str]:
        tree = parsed(draw_pile(pile, title="Layer map", changes=marks))
        return {title_of(x) for x in tree.iter() if title_of(x).startswith("Change ")}

    assert numbers(before) == numbers(after)
    assert len(numbers(before)) == 3
    assert any(text.endswith("turned") for text in numbers(before))


def test_two_drawings_on_one_page_share_no_id() -> None:
    both = [draw_pile(a_pile(3), title="Layer map", prefix=name) for name in ("before", "after")]

    parsed(f'<svg id="x" aria-labelledby="x">{both[0]}{both[1]}</svg>')


def test_a_pile_open_at_an_end_has_no_nuts_there_and_says_so() -> None:
    closed = parsed(draw_pile(a_pile(2), title="Layer map", rods=RODS, ports=PORTS))
    opened = parsed(
        draw_pile(a_pile(2), title="Layer map", rods=RODS, ports=PORTS, open_at=End.FREE, marked=4)
    )

    assert "free end, open" in words(opened)
    assert "coolant out" in words(closed)
    assert "coolant out" not in words(opened)
    assert with_class(opened, "pointer")


def test_an_open_pile_has_its_open_end_at_the_left_and_names_the_datum() -> None:
    """As whoever works there sees it; plates look at their MEA either way."""
    pile = a_pile(30)
    open_free = parsed(draw_pile(pile, title="Pile", rods=RODS, open_at=End.FREE))
    open_fixed = parsed(draw_pile(pile, title="Pile", rods=RODS, open_at=End.FIXED))

    def x_of(tree: Element, text: str) -> float:
        return next(float(each.get("x", "0")) for each in tree.iter() if (each.text or "") == text)

    assert x_of(open_free, "free end, open") < x_of(open_free, "fixed end")
    assert x_of(open_fixed, "fixed end, open") < x_of(open_fixed, "free end")
    for tree, end in ((open_free, "fixed end"), (open_fixed, "fixed end, open")):
        assert x_of(tree, "datum: layer 1 lies here") == x_of(tree, end)
    assert positions(open_free) == positions(open_fixed)[::-1]
    assert "6…25" in words(open_free)
    rows = a_pile(2)[::-1]
    page = Page(rows, axis.place(rows, (), 0, 700, equal_layers=True), "p", is_turned=True)
    for index, layer in enumerate(rows):
        if layer.kind is Kind.HALF_PLATE:
            mea = next(n for n, x in enumerate(rows) if x.kind is Kind.MEA and x.cell == layer.cell)
            assert page.looks[index].gas_ahead is (index < mea)


def test_letters_repeat_what_the_fluids_colour_says() -> None:
    tree = parsed(draw_pile(a_pile(1), title="Layer map", rods=RODS, ports=PORTS))

    assert {"H₂", "W", "fuel in", "coolant out"} <= set(words(tree))


def test_the_note_says_what_is_not_to_scale() -> None:
    to_scale = words(parsed(draw_pile(a_pile(3), title="Layer map")))
    equal = words(parsed(draw_pile(a_pile(3), title="Layer map", equal_layers=True)))

    assert "Thin layers not to scale." in to_scale
    assert "All layers drawn equally wide." in equal
    assert "Detail C\u20092, 2\u2009:\u20091" in to_scale
    assert "Detail C\u20092" in equal


def test_beside_a_form_it_is_slim_and_explains_nothing() -> None:
    """Without rods; with them it keeps their room."""
    slim = parsed(draw_pile(a_pile(3), title="Pile", has_legend=False, is_slim=True))
    with_rods = parsed(draw_pile(a_pile(3), title="Pile", rods=RODS, is_slim=True))

    assert float(slim.get("viewBox", "").split()[2]) == SLIM
    assert float(with_rods.get("viewBox", "").split()[2]) == WIDTH
    assert "graphite" not in words(slim)
    assert len(with_class(slim, "layer")) == len(a_pile(3))


def test_an_empty_pile_is_a_drawing_too() -> None:
    assert "no layers yet" in words(parsed(draw_pile((), title="Layer map", rods=RODS)))


@given(
    st.lists(st.sampled_from(a_pile(30, blanks=(9,))), unique=True, max_size=60),
    st.booleans(),
    st.sampled_from([None, *End]),
)
def test_any_pile_however_odd_can_be_drawn(
    layers: list[Layer], equal_layers: bool, open_at: End | None
) -> None:
    pile = in_order(layers)

    drawing = draw_pile(
        pile, title="Layer map", rods=RODS, ports=PORTS, open_at=open_at, equal_layers=equal_layers,
        broken=False, changes=compare(a_pile(30, blanks=(9,)), pile).marks,
    )  # fmt: skip

    from_the_left = pile[::-1] if open_at is End.FREE else pile
    assert positions(parsed(drawing)) == [layer.position for layer in from_the_left]
