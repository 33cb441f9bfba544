"""The map of pressure: bands, isobars, rods, the resultant, what is lost, and how it is told."""

import re
from itertools import pairwise
from typing import Any

import pytest

from service.closing.drawings.pressure_map import (
    STEPS,
    PressureGrid,
    at_or_above,
    draw_pressure_map,
    isobar,
    legend,
    out_to,
    round_levels,
    step_of,
)
from service.settings import shipped_folder
from tests.people.test_frame_pages import contrast, luminance
from tests.platform.svg import SVG, parsed, title_of, with_class, words

RODS = [
    (1, -80.0, 60.0, 5500.0, 400.0),
    (2, 80.0, 60.0, 5000.0, 400.0),
    (3, 80.0, -60.0, 4500.0, 400.0),
    (4, -80.0, -60.0, 5000.0, 400.0),
]
XS, YS = (-45.0, -15.0, 15.0, 45.0), (-30.0, 0.0, 30.0)
TILTED = [[1.0 + x / 100 + y / 200 for x in XS] for y in YS]
LOST = [[max(0.0, x / 30) for x in XS] for _y in YS]
LEVEL = [[1.2] * 4] * 3


def drawn(pressures: Any, **more: Any) -> str:
    plain = {"plate_mm": (200.0, 150.0), "area_mm": (120.0, 80.0), "rods": RODS, "title": "Map"}
    return draw_pressure_map(xs_mm=XS, ys_mm=YS, pressures_mpa=pressures, **(plain | more))


def bands(drawing: str) -> list[Any]:
    """The filled shapes of the field, without the legend."""
    return [
        one
        for one in parsed(drawing).iter(f"{SVG}path")
        if one.get("class", "").startswith("d-step")
    ]


def test_each_rod_tells_its_number_and_its_load_with_uncertainty() -> None:
    said = words(parsed(drawn(TILTED)))

    assert "5.5 ± 0.8\u2009kN" in said
    assert {"1", "2", "3", "4"} <= set(said)


def test_isobars_carry_round_values_and_the_legend_has_every_band_with_its_unit() -> None:
    tree = parsed(drawn(TILTED))
    said = words(tree)

    assert "Pressure, MPa" in said
    assert [text for text in said if " to " in text] == [
        "0.2 to 0.5",
        "0.5 to 1.0",
        "1.0 to 1.5",
        "1.5 to 1.8",
    ]
    assert {"0.5", "1.0", "1.5"} <= set(said)


def test_the_greatest_pressure_lies_where_it_is_seen_from_outside() -> None:
    """x to the right, y upward: the last band is in the upper right corner of the area."""
    last = bands(drawn(TILTED))[-1].get("d") or ""

    corners = [
        tuple(map(float, pair.split()))
        for polygon in last.strip("Mz").split("zM")
        for pair in polygon.split("L")
    ]
    first = bands(drawn(TILTED))[0].get("d") or ""
    all_x = [float(p.split()[0]) for s in first.strip("Mz").split("zM") for p in s.split("L")]
    all_y = [float(p.split()[1]) for s in first.strip("Mz").split("zM") for p in s.split("L")]
    assert max(x for x, _y in corners) == max(all_x)
    assert min(y for _x, y in corners) == min(all_y)
    assert min(x for x, _y in corners) > min(all_x)


def test_an_area_without_contact_is_cross_hatched_and_told_in_words() -> None:
    tree = parsed(drawn(LOST, lost_share=0.5))

    assert "no contact" in words(tree)
    assert "50 % of the area has no contact" in (tree.findtext(f"{SVG}desc") or "")
    assert "no contact" not in words(parsed(drawn(TILTED)))


def test_a_level_plate_is_one_band_without_isobars() -> None:
    tree = parsed(drawn(LEVEL))

    assert len(bands(drawn(LEVEL))) == 1
    assert "1.2" in words(tree)


def test_the_resultant_stands_where_the_loads_act_and_is_told() -> None:
    tree = parsed(drawn(TILTED, resultant_mm=(-3.0, 4.5)))

    assert "R" in words(tree)
    said = tree.findtext(f"{SVG}desc") or ""
    assert "3.0 mm left of the middle and 4.5 mm above it" in said


def test_title_and_rods_are_named_for_those_who_do_not_see_it() -> None:
    tree = parsed(drawn(TILTED, title="Pressure <map>"))

    assert title_of(tree) == "Pressure <map>"
    assert "rod 1 5.5 ± 0.8\u2009kN" in (tree.findtext(f"{SVG}desc") or "")
    assert tree.get("role") == "img"


def test_two_maps_stand_on_one_page() -> None:
    one, other = drawn(LOST, prefix="before"), drawn(LOST, prefix="after")

    ids = [element.get("id") for text in (one, other) for element in parsed(text).iter()]
    named = [name for name in ids if name]
    assert len(named) == len(set(named))


def test_it_stays_small_enough_for_a_page() -> None:
    """Whole squares run together: a fine grid is no heavier than it looks."""
    at = tuple(-57.5 + 5 * i for i in range(24))
    fine = draw_pressure_map(
        plate_mm=(200, 150),
        area_mm=(120, 120),
        rods=RODS,
        xs_mm=at,
        ys_mm=at,
        pressures_mpa=[[1 + x / 100 + y / 150 for x in at] for y in at],
        title="Map",
    )

    assert len(fine) < 60_000


def test_the_steps_part_from_each_other_and_from_the_ground_in_both_schemes() -> None:
    """Each step is told from its neighbour by lightness alone, so on a grey print as well."""
    css = (shipped_folder("static") / "css/drawing.css").read_text()
    light, _, dark = css.partition("@media screen and (prefers-color-scheme: dark)")
    for sheet, ground in ((light, "#fbfaf5"), (dark, "#14222f")):
        steps = [
            sheet.split(f".d-step-{step} {{ fill: ")[1].partition(";")[0] for step in range(1, 8)
        ]
        away = [contrast(step, ground) for step in steps]
        assert away == sorted(away)
        assert all(contrast(one, other) > 1.15 for one, other in pairwise(steps))
    assert [luminance(step) for step in STEPS] == sorted(map(luminance, STEPS), reverse=True)


@pytest.mark.parametrize("count", range(2, 8))
def test_any_number_of_bands_uses_the_whole_scale(count: int) -> None:
    used = [step_of(at, count) for at in range(count)]

    assert used[0] == 0
    assert used[-1] == 6
    assert len(set(used)) == count


def test_a_line_of_equal_value_of_a_tilted_plane_is_straight() -> None:
    field = out_to(PressureGrid(XS, YS, tuple(map(tuple, TILTED))), 60, 40)

    for one, other in isobar(field, 1.1):
        for point in (one, other):
            assert 1.0 + point.x / 100 + point.y / 200 == pytest.approx(1.1)


def test_what_bears_covers_the_share_it_has() -> None:
    """The area of the polygons, by the shoelace formula, against the plane's own share."""
    field = out_to(PressureGrid(XS, YS, tuple(map(tuple, TILTED))), 60, 40)

    area = 0.0
    for polygon in at_or_above(field, 1.0):
        for one, other in zip(polygon, (*polygon[1:], polygon[0]), strict=True):
            area += (one.x * other.y - other.x * one.y) / 2
    assert area == pytest.approx(120 * 80 / 2)


@pytest.mark.parametrize(
    ("least", "greatest"), [(0.0, 2.0), (0.81, 1.17), (0.97, 1.03), (0, 31), (3, 3)]
)
def test_levels_are_few_round_and_inside_the_range(least: float, greatest: float) -> None:
    levels = round_levels(least, greatest)

    assert len(levels) < 7
    assert all(least < level < greatest for level in levels)
    assert (len(levels) > 1) == (least < greatest)


def test_the_classes_of_the_drawing_are_those_of_the_sheet() -> None:
    tree = parsed(drawn(TILTED))

    assert with_class(tree, "d-hatch")
    assert with_class(tree, "d-ink")


def test_a_band_no_wider_than_its_print_shows_one_value() -> None:
    """“2.0 to 2” tells nobody anything."""
    field = out_to(PressureGrid(XS, YS, tuple(map(tuple, TILTED))), 60, 40)
    levels = [field.least + 1e-9, (field.least + field.greatest) / 2]

    told = legend(0, 0, field, levels, "")

    ranges = re.findall(r"([\d.]+) to ([\d.]+)", told)
    assert len(ranges) == 2
    assert all(float(one) < float(other) for one, other in ranges)
