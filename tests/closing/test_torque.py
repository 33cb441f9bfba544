"""The rods in plan and the spread of their readings."""

from typing import Any

import pytest

from service.closing.drawings.rods import draw_rods
from service.condition.drawings.spread import SpreadReading, band, draw_spread
from service.platform.arithmetic.vocabulary import End
from tests.platform.svg import SVG, parsed, title_of, with_class, words

RODS = [(1, -60.0, 60.0), (2, 60.0, 60.0), (3, 60.0, -60.0), (4, -60.0, -60.0)]


def test_each_nut_tells_its_number_and_last_reading_the_order_is_a_path() -> None:
    order = [1, 3, 2, 4]
    tree = parsed(
        draw_rods(
            RODS, 150, 150, title="Rods", readings={1: 9.8, 2: 10.25}, order=order, next_rod=3
        )
    )

    said = words(tree)
    assert {"1", "2", "3", "4", "9.8", "10.2"} <= set(said)
    assert "Next nut is circled." in said
    assert len(list(tree.iter(f"{SVG}polygon"))) == 4
    (path,) = (x for x in with_class(tree, "order"))
    places = [tuple(map(float, at.split())) for at in path.get("d", "")[1:].split("L")]
    nuts = nuts_of(tree)
    assert places == [nuts[number] for number in order]
    (ring,) = with_class(tree, "next")
    assert (float(ring.get("cx", "")), float(ring.get("cy", ""))) == nuts[3]
    assert "Tightening order: 1, 3, 2, 4." in (tree.findtext(f"{SVG}desc") or "")


def nuts_of(tree: Any) -> dict[int, tuple[float, float]]:
    """Where the rods of the drawing stand, by number."""
    ends = [
        (float(x.get("cx", "")), float(x.get("cy", "")))
        for x in with_class(tree, "d-ink")
        if x.tag == f"{SVG}circle" and x.get("stroke-width") == "1.6"
    ]
    return dict(zip((number for number, _x, _y in RODS), ends, strict=True))


def test_from_the_free_end_left_and_right_change_places_with_the_datum_edge() -> None:
    """A hand on the nuts finds rod 1 where it is drawn; up stays up."""
    fixed = parsed(draw_rods(RODS, 150, 150, title="Rods"))
    free = parsed(draw_rods(RODS, 150, 150, title="Rods", seen_from=End.FREE))

    assert nuts_of(free)[1] == nuts_of(fixed)[2]
    assert nuts_of(free)[4] == nuts_of(fixed)[3]
    assert "Seen from outside the fixed end; datum edge at left." in words(fixed)
    assert "Seen from outside the free end; datum edge at right." in words(free)
    edges = [float(with_class(tree, "datum")[0].get("x1", "")) for tree in (fixed, free)]
    assert edges[0] < nuts_of(fixed)[1][0]
    assert edges[1] > nuts_of(free)[1][0]


def test_corners_to_measure_stand_where_the_person_sees_them() -> None:
    """A is upper left seen from the fixed end, and so upper right seen from the free one."""
    corners = [("A", -75.0, 75.0), ("B", 75.0, 75.0), ("C", 75.0, -75.0), ("D", -75.0, -75.0)]

    def place(seen_from: End, name: str) -> tuple[float, float]:
        drawn = draw_rods(RODS, 150, 150, title="Rods", corners=corners, seen_from=seen_from)
        (text,) = [each for each in parsed(drawn).iter(f"{SVG}text") if each.text == name]
        return float(text.get("x", "")), float(text.get("y", ""))

    assert place(End.FIXED, "A")[0] < place(End.FIXED, "B")[0]
    assert place(End.FIXED, "A")[1] < place(End.FIXED, "D")[1]
    assert place(End.FREE, "A") == place(End.FIXED, "B")
    assert place(End.FREE, "C") == place(End.FIXED, "D")


def test_a_reading_out_of_tolerance_is_struck_round_twice_and_told_in_words() -> None:
    tree = parsed(draw_rods(RODS, 150, 150, title="Rods", readings={1: 8.4}, out_of_tolerance={1}))

    assert len([x for x in with_class(tree, "d-act") if x.tag == f"{SVG}circle"]) == 2
    assert "rod 1 8.4 N·m out of tolerance" in (tree.findtext(f"{SVG}desc") or "")


def test_rods_stand_where_they_are_seen_from_outside() -> None:
    """x to the right, y upward, all at one scale."""
    tree = parsed(draw_rods(RODS, 150, 100, title="Rods"))

    ends = [
        (float(x.get("cx", "")), float(x.get("cy", "")))
        for x in with_class(tree, "d-ink")
        if x.tag == f"{SVG}circle" and x.get("stroke-width") == "1.6"
    ]
    (x1, y1), (x2, y2), (_, y3), _ = ends
    assert x1 < x2
    assert y1 == y2 < y3
    assert x2 - x1 == pytest.approx(y3 - y1, abs=0.2)


def test_the_band_is_the_target_with_its_tolerance() -> None:
    assert band(10, 5) == (9.5, 10.5)
    assert band(12, 0) == (12, 12)


def test_each_reading_is_a_mark_and_the_last_one_out_of_tolerance_a_cross() -> None:
    readings = [
        SpreadReading(1, 1, 5.0),
        SpreadReading(1, 2, 10.1),
        SpreadReading(2, 1, 5.1),
        SpreadReading(2, 2, 11.9),
    ]

    tree = parsed(draw_spread(readings, title="Spread", target_nm=10, tolerance_percent=5))

    titles = [title_of(x) for x in tree.iter(f"{SVG}g") if title_of(x)]
    assert titles[3] == "Rod 2, pass 2: 11.9\u2009N·m"
    assert len(titles) == 4
    assert "11.9" in words(tree)
    assert "10.1" not in words(tree)
    assert "out of tolerance: rod 2." in (tree.findtext(f"{SVG}desc") or "")


def test_passes_come_in_any_order() -> None:
    readings = [SpreadReading(1, 2, 10.0), SpreadReading(1, 1, 2.0)]

    tree = parsed(draw_spread(readings, title="Spread", target_nm=10, tolerance_percent=5))

    assert "out of tolerance: none." in (tree.findtext(f"{SVG}desc") or "")


def test_higher_torque_lies_higher_and_every_mark_inside_the_axes() -> None:
    readings = [
        SpreadReading(rod, 1, torque) for rod, torque in enumerate((0.0, 7.3, 9.9, 10.0, 31.0), 1)
    ]

    tree = parsed(draw_spread(readings, title="Spread", target_nm=10, tolerance_percent=60))

    dots = [x for x in with_class(tree, "d-solid") if x.tag == f"{SVG}circle"][:3]
    heights = [float(dot.get("cy", "")) for dot in dots]
    assert heights == sorted(heights, reverse=True)
    assert all(30 <= height <= 220 for height in heights)


def test_no_readings_is_said_and_the_band_still_drawn() -> None:
    tree = parsed(draw_spread([], title="Spread", target_nm=10, tolerance_percent=5))

    assert "no readings yet" in words(tree)
    assert {"9.5", "10.5"} <= set(words(tree))
