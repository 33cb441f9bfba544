"""A stack's cells as one strip: what is seen of each has a shape and is told in words."""

from itertools import pairwise

import pytest

from service.condition.drawings.cell_strip import (
    HIGH,
    MOST_MARKS,
    SHOWN,
    cells_a_mark,
    draw_sample,
    draw_strip,
    in_words,
)
from tests.platform.svg import SVG, parsed, with_class, words


def strip(cells: int, **seen: str) -> str:
    """A strip with cells given as c7="failing"."""
    given = {int(name[1:]): shown for name, shown in seen.items()}
    return draw_strip(cells, given, title="Cells", prefix="cells")


def test_there_is_a_mark_for_each_cell() -> None:
    tree = parsed(strip(40))

    assert len(list(tree.iter(f"{SVG}rect"))) == 40
    assert words(tree) == ["1", "10", "20", "30", "40"]


def test_a_failing_cell_is_crossed_and_named_above() -> None:
    """By its shape as well as its colour."""
    tree = parsed(strip(12, c7="failing"))

    struck = [line for line in tree.iter(f"{SVG}line") if "d-act" in line.get("class", "")]
    assert len(struck) == 2
    slopes = [float(it.get("y2", 0)) - float(it.get("y1", 0)) for it in struck]
    assert slopes[0] == -slopes[1]
    assert abs(slopes[0]) > HIGH
    assert [text.text for text in with_class(tree, "strong")] == ["7"]


def test_each_thing_to_see_has_its_own_shape() -> None:
    """No two differ by colour alone."""
    shapes = set()
    for shown in ("", *SHOWN):
        tree = parsed(draw_sample(shown, prefix="one"))
        shapes.add(
            (
                len(list(tree.iter(f"{SVG}line"))),
                len(list(tree.iter(f"{SVG}path"))),
                "stroke-dasharray" in next(tree.iter(f"{SVG}rect")).attrib,
                tuple(line.get("x1") == line.get("x2") for line in tree.iter(f"{SVG}line")),
            )
        )

    assert len(shapes) == 1 + len(SHOWN)


@pytest.mark.parametrize("cells", [61, 100, 120, 121, 400, 1001])
def test_many_cells_share_marks(cells: int) -> None:
    """Sixty at most; the description says how many one stands for."""
    tree = parsed(strip(cells))

    marks = len(list(tree.iter(f"{SVG}rect")))
    assert marks <= MOST_MARKS
    assert (marks - 1) * cells_a_mark(cells) < cells <= marks * cells_a_mark(cells)
    assert f"one mark stands for {cells_a_mark(cells)} cells" in (tree.findtext(f"{SVG}desc") or "")
    assert words(tree)[-1] == str(cells)


def test_of_cells_under_one_mark_the_worst_is_drawn() -> None:
    tree = parsed(strip(120, c7="blank", c8="failing"))

    struck = [line for line in tree.iter(f"{SVG}line") if "d-act" in line.get("class", "")]
    assert len(struck) == 2
    assert [text.text for text in with_class(tree, "strong")] == ["7…"]


def test_numbers_do_not_run_into_each_other() -> None:
    """Cells beside each other: what has no room is told in the description only."""
    seen = dict.fromkeys(range(1, 41), "failing")
    tree = parsed(draw_strip(40, seen, title="Cells", prefix="cells"))

    places = [float(text.get("x", 0)) for text in with_class(tree, "strong")]
    gaps = [after - before for before, after in pairwise(places)]
    assert min(gaps) >= 17
    assert "failing: cells 1, 2, 3" in (tree.findtext(f"{SVG}desc") or "")


def test_a_strip_for_the_wall_has_no_numbers() -> None:
    """Nobody could read them from there; the sentence names the cell."""
    tree = parsed(draw_strip(12, {7: "failing"}, title="Cells", prefix="cells", numbers=False))

    assert words(tree) == []


def test_the_words_say_what_is_drawn() -> None:
    assert in_words(4, {}) == "4 cells from the fixed end, nothing to see."
    assert in_words(4, {2: "failing", 3: "on hold", 1: "failing"}) == (
        "4 cells from the fixed end: failing: cells 1, 2; on hold: cell 3."
    )


def test_a_stack_of_one_cell_and_of_none_are_drawn() -> None:
    assert words(parsed(strip(1))) == ["1"]
    assert words(parsed(strip(0))) == []
