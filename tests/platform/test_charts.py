"""Charts: right places, and nothing a strict page, a reader or the dark sheet stumbles over."""

import re
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.platform.drawings.charts import (
    Axis,
    Bar,
    Marker,
    Rule,
    Series,
    Steps,
    bars_chart,
    lines_chart,
    round_ticks,
    steps_chart,
)
from service.platform.drawings.charts_fit import FILLS, PENS, STROKES
from service.platform.drawings.charts_given import MOST_POINTS, thinned, thinned_steps
from service.platform.pages.kept_drawings import kept_chart
from tests.platform.svg import SVG, parsed, title_of, with_class, words

HOURS, VOLTS = Axis("own hours at load", "h"), Axis("voltage at 0.5 A/cm²", "V")
NAMED = {"title": "Voltage", "description": "Of one MEA.", "prefix": "life"}
WAY = Series("MEA-0117", [0, 100, 200, 300], [0.66, 0.65, 0.655, 0.64], tips=["a", "b", "c", "d"])


def lines(*series: Series, **more: object) -> str:
    return lines_chart(series, **({"across": HOURS, "up": VOLTS} | NAMED | more))


def places(text: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", text)]


def test_a_band_is_broken_where_its_edges_are_not_given() -> None:
    """As between two builds: nothing is known of what lies between them."""
    hours, volts = [0, 100, 150, 200, 300], [0.66, 0.65, None, 0.66, 0.65]
    low, high = ([it and it + by for it in volts] for by in (-0.01, 0.01))

    tree = parsed(lines(Series("fit", hours, volts, low, high, mark="line")))

    bands = [it for it in tree.iter(f"{SVG}path") if it.get("fill-opacity") == "0.16"]
    ends = [[x for x, _y in places(it.get("d", ""))] for it in bands]
    assert len(bands) == 2
    assert max(ends[0]) < min(ends[1])


def test_points_stand_where_the_ticks_of_both_axes_say() -> None:
    tree = parsed(lines(WAY))

    points = [places(point.get("transform"))[0] for point in with_class(tree, "d-fill-1")]
    across, up = {}, {}
    for text in tree.iter(f"{SVG}text"):
        if re.fullmatch(r"[\d.\u202f]+", text.text or ""):
            x, y = places(text.get("transform"))[0]
            value = float(text.text.replace("\u202f", ""))
            if x < 0:
                up[value] = y
            else:
                across[value] = x
    assert {100.0, 300.0} <= set(across)
    assert {0.64, 0.65, 0.66} <= set(up)
    baseline = 4.0
    for (x, y), hours, volts in zip(points, WAY.x, WAY.y, strict=True):
        assert x == pytest.approx(across.get(hours, x), abs=0.6)
        assert y == pytest.approx(up.get(volts, y + baseline) - baseline, abs=0.6)


def test_axes_say_their_units_and_points_their_tips() -> None:
    tree = parsed(lines(WAY))

    assert {"own hours at load in h", "voltage at 0.5 A/cm² in V"} <= set(words(tree))
    assert [title_of(point) for point in with_class(tree, "d-fill-1")] == ["a", "b", "c", "d"]


def test_the_chart_is_one_image_with_a_name_and_a_description() -> None:
    tree = parsed(lines(WAY))

    assert tree.get("role") == "img"
    assert title_of(tree) == "Voltage"
    assert tree.findtext(f"{SVG}desc") == "Of one MEA."
    assert not [one for one in tree.iter() if one is not tree and one.get("role")]
    assert {one.get("id") for one in tree.iter() if one.get("id")} == {
        "life", "life-title", "life-desc"
    }  # fmt: skip


def test_every_colour_has_a_class_so_that_the_dark_sheet_can_change_it() -> None:
    drawing = lines(
        WAY, Series("fit", [0, 300], [0.66, 0.64], [0.65, 0.63], [0.67, 0.65], mark="line"),
        rules=[Rule(0.6, "limit 0.600 V"), Rule(250, "now", axis="x", act=False)],
        markers=[Marker(100, "B 2", "opened 2026-03-01")],
    )  # fmt: skip
    css = Path("static/css/drawing.css").read_text(encoding="utf-8")

    for element in parsed(drawing).iter():
        colours = {element.get("stroke"), element.get("fill")} - {None, "none"}
        assert not colours or element.get("class"), element.attrib
        assert colours <= {*STROKES, *FILLS, "#4a545f"}
    for pen in PENS[1:]:
        assert css.count(f".d-pen-{pen.number} ") == css.count(f".d-fill-{pen.number} ") == 2


def test_series_differ_by_line_and_shape_as_well_as_colour() -> None:
    named = {(pen.dash, pen.shape) for pen in PENS[1:]}

    assert len(named) == len({pen.shape for pen in PENS[1:]}) == 6
    assert len({pen.dash for pen in PENS[1:]}) == 6


def test_limits_and_openings_are_drawn_in_with_their_words() -> None:
    tree = parsed(
        lines(WAY, rules=[Rule(0.6, "limit 0.600 V")], markers=[Marker(100, "B 2", "opened")])
    )

    assert {"limit 0.600 V", "B 2"} <= set(words(tree))
    assert "opened" in {title_of(one) for one in tree.iter(f"{SVG}path")}
    (rule,) = with_class(tree, "d-act")
    assert rule.get("x2") in ("620", "-620")


def test_words_of_close_limits_stand_apart_beside_the_plot() -> None:
    rules = [Rule(0.6 + 0.001 * at, f"limit {at}") for at in range(4)] + [Rule(0.5, "far")]

    tree = parsed(lines(WAY, rules=rules))

    placed = {
        text.text: places(text.get("transform"))[0]
        for text in tree.iter(f"{SVG}text")
        if text.text in {rule.label for rule in rules}
    }
    heights = sorted(y for _, y in placed.values())
    assert {x for x, _ in placed.values()} == {627.0}
    assert all(below - above >= 14.9 for above, below in pairwise(heights))
    assert placed["limit 3"][1] < placed["limit 0"][1] < placed["far"][1]


def test_long_words_of_a_limit_stand_over_it() -> None:
    words_of_it = "voltage below which the rule of this design counts an MEA as failing"

    tree = parsed(lines(WAY, rules=[Rule(0.6, words_of_it)]))

    found = [text for text in tree.iter(f"{SVG}text") if text.text == words_of_it]
    assert {text.get("text-anchor") for text in found} == {"end"}


def test_a_missing_value_breaks_the_line() -> None:
    gap = Series("a", [0, 1, 2, 3, 4], [1.0, 2.0, float("nan"), 2.0, 1.0], mark="line")

    (path,) = with_class(parsed(lines(gap)), "d-pen-1")

    assert path.get("d").count("M") == 2


def test_a_chart_without_values_says_so() -> None:
    assert "There is no value to draw yet." in words(parsed(lines(Series("a", [1], [None]))))
    assert parsed(lines()) is not None


def test_values_all_alike_still_have_a_scale() -> None:
    shown = words(parsed(lines(Series("a", [0, 1], [0.9, 0.9], mark="line"))))

    assert {"0.86", "0.90", "0.94"} <= set(shown)
    assert "0.50" not in shown


def test_what_lies_outside_a_fixed_axis_is_cut_off_under_names_of_its_own() -> None:
    far = Series("a", [0, 100], [0.5, 0.6], mark="line")

    drawing = lines(far, across=Axis("x", "h", least=0, most=50), prefix="other")

    tree = parsed(drawing)
    assert {one.get("id") for one in tree.iter(f"{SVG}clipPath")} == {"other-clip0"}
    assert "url(#other-clip0)" in drawing
    assert "clip" not in lines(far)


def test_a_short_time_says_the_hour() -> None:
    short = Series("a", [datetime(2026, 3, 1, 8), datetime(2026, 3, 1, 16)], [0.9, 0.91])  # noqa: DTZ001

    assert "03-01 10:00" in words(parsed(lines(short, across=Axis("date", days=True))))


def test_long_numbers_have_their_margin() -> None:
    def margin(volts: float) -> float:
        tree = parsed(lines(Series("a", [0, 1], [volts, 2 * volts], mark="line")))
        group = next(one for one in tree.iter(f"{SVG}g") if one.get("transform"))
        return places(group.get("transform"))[0][0]

    assert margin(1e7) > margin(1.0) + 20


def test_dates_stand_by_the_clock_they_are_given_in() -> None:
    days = Series("a", [datetime(2026, 3, 1, 14), datetime(2026, 3, 9, 2)], [0.9, 0.91])  # noqa: DTZ001

    shown = words(parsed(lines(days, across=Axis("date", days=True))))

    assert [word for word in shown if word.startswith("2026-03-0")]


@pytest.mark.parametrize("outlier", [True, False])
def test_an_outlying_cell_differs_by_shape_too(outlier: bool) -> None:
    bars = [Bar("1", 0.66), Bar("2", 0.55, outlier=outlier, tip="cell 2: 0.550 V"), Bar("3", None)]

    tree = parsed(bars_chart(bars, across="cell", up=VOLTS, **NAMED))

    marked = with_class(tree, "d-act-solid")
    assert len(marked) == (2 if outlier else 0)
    assert "cell 2: 0.550 V" in {title_of(one) for one in tree.iter(f"{SVG}path")}
    assert "3: no value" in {title_of(one) for one in tree.iter(f"{SVG}text")}


def test_bars_are_as_high_as_their_values() -> None:
    bars = [Bar("1", 0.6), Bar("2", 0.3)]

    tree = parsed(bars_chart(bars, across="cell", up=VOLTS, **NAMED))
    high, low = (
        float(re.search(r"v(-?[\d.]+)", bar.get("d"))[1]) for bar in with_class(tree, "d-bar")
    )

    assert high == pytest.approx(2 * low, abs=0.2)


def test_numbers_at_risk_stand_under_the_ticks_they_belong_to() -> None:
    at = (0.0, 10.0, 20.0)
    curve = Steps(
        "lot A",
        [5, 12],
        [0.8, 0.5],
        until=20,
        censored=[15],
        at_risk=[9, 7, 3],
        tips=["2 of 9", "3 of 7"],
    )

    tree = parsed(
        steps_chart([curve], across=HOURS, up=Axis("share"), at_risk_at=at, **NAMED)
    )  # fmt: skip

    assert {"2 of 9", "3 of 7"} <= {title_of(one) for one in tree.iter(f"{SVG}path")}
    placed = {
        text.text: places(text.get("transform"))[0]
        for text in tree.iter(f"{SVG}text")
        if text.get("transform")
    }
    for tick, count in (("0", "9"), ("10", "7"), ("20", "3")):
        assert placed[tick][0] == pytest.approx(placed[count][0], abs=0.6)
        assert placed[count][1] > placed[tick][1]
    (line,) = [one for one in with_class(tree, "d-pen-1") if one.get("d", "").startswith("M0,0")]
    assert places(line.get("d"))[-1] == (620.0, 140.0) or line.get("d").endswith("620,140H620")


@given(st.lists(st.floats(-1, 1), min_size=700, max_size=1500))
@settings(suppress_health_check=[HealthCheck.large_base_example, HealthCheck.data_too_large])
def test_thinning_keeps_ends_peaks_and_order(values: list[float]) -> None:
    series = Series("a", range(len(values)), values)

    short = thinned(series)

    assert len(short.x) <= MOST_POINTS + 2
    assert (min(short.y), max(short.y)) == (min(values), max(values))
    assert (short.x[0], short.x[-1]) == (0.0, len(values) - 1.0)
    assert list(short.x) == sorted(short.x)
    assert all(values[int(x)] == y for x, y in zip(short.x, short.y, strict=True))


@given(st.lists(st.floats(0.5, 1000), min_size=400, max_size=700, unique=True))
def test_a_curve_of_many_steps_ends_where_it_should(times: list[float]) -> None:
    times = sorted(times)
    shares = [1 - (at + 1) / (len(times) + 1) for at in range(len(times))]
    curve = Steps("a", times, shares, until=1000.0, censored=times, tips=[str(t) for t in times])

    short = thinned_steps(curve, 1000.0)

    assert len(short.times) <= 301
    assert len(short.censored) <= 301
    assert (short.times[-1], short.shares[-1]) == (times[-1], shares[-1])
    for time, share, tip in zip(short.times, short.shares, short.tips, strict=True):
        assert shares[times.index(time)] == share
        assert tip == str(time)
    within = 1000.0 / 300
    for time, share in zip(times, shares, strict=True):
        drawn = [it for t, it in zip(short.times, short.shares, strict=True) if t < time + within]
        assert drawn
        assert drawn[-1] <= share


def test_a_kept_chart_is_drawn_once_and_another_value_is_another_chart() -> None:
    drawn = []

    def draw(series: Series) -> str:
        drawn.append(series)
        return series.name

    assert [kept_chart(draw, WAY) for _ in range(3)] == ["MEA-0117"] * 3
    kept_chart(draw, Series("MEA-0117", WAY.x, [0.66, 0.65, 0.655, 0.641]))
    assert len(drawn) == 2


def test_round_ticks_reach_the_greatest_value() -> None:
    assert round_ticks(35) == (0, 5, 10, 15, 20, 25, 30, 35)
    assert round_ticks(0) == (0, 1)
