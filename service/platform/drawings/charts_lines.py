"""Points, lines, steps and bands of several series over one axis, with limits and openings."""

from collections.abc import Sequence
from dataclasses import replace

from service.platform.drawings.charts_fit import Spec
from service.platform.drawings.charts_given import Axis, Marker, Rule, Series, place
from service.platform.drawings.charts_pens import EXTRA_DASH, Pen, pen_of
from service.platform.drawings.charts_plot import (
    MARKER_ROW,
    Size,
    empty_chart,
    encoding,
    marker_layers,
    plotted,
    rule_layers,
)
from service.platform.drawings.charts_thin import MOST_POINTS, thinned
from service.platform.drawings.svg import OUTLINE_WIDTH

_BAND_OPACITY = 0.16
SHORT_MS = 3 * 24 * 3600 * 1000.0


def lines_chart(
    series: Sequence[Series],
    *,
    across: Axis,
    up: Axis,
    title: str,
    description: str,
    prefix: str,
    rules: Sequence[Rule] = (),
    markers: Sequence[Marker] = (),
    size: Size | None = None,
) -> str:
    """SVG of the series; ``prefix`` begins its ids and has to be unique on the page.

    A series longer than ``MOST_POINTS`` is thinned to the peaks of equal spans; the description
    then says so. A legend stands above as soon as there are two series.
    """
    size = size or Size()
    series = [one for one in series if any(value is not None for value in one.y)]
    if not series:
        return empty_chart(title=title, prefix=prefix)
    if any(len(one.x) > MOST_POINTS for one in series):
        description += " Of long series the least and greatest value of each span are drawn."
    across = _in_hours(across, [place(x) for one in series for x in one.x])
    bare = replace(_opened(up, [it for one in series for it in one.y], rules), title="", unit="")
    pens = [_pen(one, order) for order, one in enumerate(series)]
    short = [thinned(one) for one in series]
    drawn = list(zip(short, pens, strict=True))
    layers = [
        _band(one, rows, pen, across, bare)
        for one, pen in drawn
        if one.low and one.high
        for rows in _pieces(one)
    ]
    layers += [_line(one, pen, across, bare) for one, pen in drawn if one.mark != "points"]
    layers += [_points(one, pen, across, bare) for one, pen in drawn if "points" in one.mark]
    if any(end is not None for axis in (across, up) for end in (axis.least, axis.most)):
        for layer in layers:
            layer["mark"]["clip"] = True
    layers += [*rule_layers(rules, across, bare, size), *marker_layers(markers, across)]
    return plotted(
        layers,
        up=up,
        size=size,
        title=title,
        description=description,
        prefix=prefix,
        legend=[(one.name, pen, one.mark) for one, pen in drawn] if len(drawn) > 1 else (),
        above=MARKER_ROW if markers else 0.0,
    )


def _opened(up: Axis, values: Sequence[float | None], rules: Sequence[Rule]) -> Axis:
    """Values that are all alike get room on both sides, else there would be no scale."""
    shown = {value for value in values if value is not None}
    shown |= {rule.value for rule in rules if rule.axis == "y"}
    if len(shown) > 1 or up.from_zero or up.least is not None or up.most is not None:
        return up
    (value,) = shown
    room = abs(value) * 0.1 or 1.0
    return replace(up, least=value - room, most=value + room)


def _in_hours(across: Axis, places: Sequence[float]) -> Axis:
    """An axis of dates over less than three days says the hour too."""
    short = across.days and max(places) - min(places) < SHORT_MS
    return replace(across, clock=True) if short else across


def line_layer(series: Series, across: Axis, up: Axis) -> Spec:
    """The line of one series in the pen it names, as a layer of another chart."""
    return _line(series, _pen(series, 0), across, up)


def _pen(series: Series, order: int) -> Pen:
    pen = pen_of(series.pen, order)
    return pen._replace(dash=EXTRA_DASH) if series.dashed else pen


def _rows(series: Series) -> list[Spec]:
    rows: list[Spec] = [
        {"x": x, "y": y} for x, y in zip(series.x, series.y, strict=True)
    ]  # fmt: skip
    for row, tip in zip(rows, series.tips, strict=False):
        row["tip"] = tip
    return rows


def _pieces(series: Series) -> list[list[Spec]]:
    """The places of a band, in pieces: it is broken where an edge of it is not given."""
    pieces: list[list[Spec]] = [[]]
    for x, low, high in zip(series.x, series.low or (), series.high or (), strict=True):
        if low is None or high is None:
            pieces.append([])
        else:
            pieces[-1].append({"x": x, "low": low, "high": high})
    return [rows for rows in pieces if rows]


def _band(series: Series, rows: list[Spec], pen: Pen, across: Axis, up: Axis) -> Spec:
    step = {"interpolate": "step-after"} if series.mark == "step" else {}
    mark = {"type": "area", "color": pen.colour, "fillOpacity": _BAND_OPACITY, "opacity": 1, **step}
    return {
        "data": {"values": rows},
        "mark": mark,
        "encoding": {"x": encoding(across, "x"), "y": encoding(up, "low"), "y2": {"field": "high"}},
    }


def _line(series: Series, pen: Pen, across: Axis, up: Axis) -> Spec:
    mark: Spec = {"type": "line", "color": pen.colour, "strokeWidth": OUTLINE_WIDTH,
                  "strokeJoin": "round", "opacity": 1}  # fmt: skip
    if pen.dash:
        mark["strokeDash"] = list(pen.dash)
    if series.mark == "step":
        mark["interpolate"] = "step-after"
    return {
        "data": {"values": _rows(replace(series, tips=()))},
        "mark": mark,
        "encoding": {
            "x": encoding(across, "x"),
            "y": encoding(up, "y"),
            "order": {"field": "x", "type": "quantitative"},
        },
    }


def _points(series: Series, pen: Pen, across: Axis, up: Axis) -> Spec:
    rows = [row for row in _rows(series) if row["y"] is not None]
    mark: Spec = {"type": "point", "shape": pen.shape, "color": pen.colour, "filled": True,
                  "size": 34 if len(rows) <= 120 else 14, "opacity": 1}  # fmt: skip
    channels: Spec = {"x": encoding(across, "x"), "y": encoding(up, "y")}
    if series.tips:
        mark["aria"] = True
        channels["description"] = {"field": "tip", "type": "nominal"}
    return {"data": {"values": rows}, "mark": mark, "encoding": channels}
