"""Charts of values over hours, current density or time: points, lines, bands, limits, openings.

Scales, ticks and marks come from vl-convert; it reads nothing from outside. The result stands in a
page under a strict content security policy, in print and in a PDF: presentation attributes only.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import floor, log10

from service.platform.drawings.charts_fit import EXTRA_DASH, Pen, Spec, pen_of
from service.platform.drawings.charts_given import (
    MOST_POINTS,
    Axis,
    Bar,
    Marker,
    Rule,
    Series,
    Steps,
    place,
    thinned,
    thinned_steps,
)
from service.platform.drawings.charts_plot import (
    MARKER_ROW,
    Size,
    empty_chart,
    encoding,
    marker_layers,
    plotted,
    rule_layers,
)
from service.platform.drawings.svg import ACT, HATCHING, INK, OUTLINE_WIDTH, SMALL, SOFT, THIN_WIDTH

# Shares that fall in steps, with their intervals and the numbers at risk under the plot.


_ROW, _FIRST_ROW = 18.0, 58.0


_NAMED_SIGNS = 26


def steps_chart(
    curves: Sequence[Steps],
    *,
    across: Axis,
    up: Axis,
    title: str,
    description: str,
    prefix: str,
    at_risk_at: Sequence[float] = (),
    rules: Sequence[Rule] = (),
    laws: Sequence[Series] = (),
    size: Size | None = None,
) -> str:
    """Draw curves from 1, where each begins, as SVG; numbers at risk stand under the ticks of x.

    ``laws`` are drawn over them as lines, each in the pen it names.

    ``at_risk_at`` are the places the curves' ``at_risk`` belong to; they become the ticks of x.
    """
    size = size or Size(high=280.0)
    if not curves:
        return empty_chart(title=title, prefix=prefix)
    most = max(at_risk_at) if at_risk_at else across.most
    across = Axis(across.title, across.unit, 0.0, most, True, ticks=tuple(at_risk_at))
    bare = Axis("", "", 0.0, 1.0, True)
    pens = [pen_of(None, order) for order in range(len(curves))]
    layers: list[Spec] = []
    for curve, pen in zip(curves, pens, strict=True):
        layers += _curve(curve, pen, across, bare)
    layers += [line_layer(law, across, bare) for law in laws]
    layers += rule_layers(rules, across, bare, size)
    has_numbers = bool(at_risk_at) and any(curve.at_risk for curve in curves)
    if has_numbers:
        layers += _numbers(curves, pens, at_risk_at, across, size)
    return plotted(
        layers,
        up=up,
        size=size,
        title=title,
        description=description,
        prefix=prefix,
        legend=[(curve.name, pen, "line") for curve, pen in zip(curves, pens, strict=True)],
        below=_FIRST_ROW - 44 + _ROW * (1 + 2 * len(curves)) if has_numbers else 0.0,
    )


def round_ticks(most: float, about: int = 7) -> tuple[float, ...]:
    """Round places from 0 to at least ``most``, in steps of 1, 2 or 5, about so many.

    >>> round_ticks(1150)
    (0.0, 200.0, 400.0, 600.0, 800.0, 1000.0, 1200.0)
    """
    if not most > 0:
        return (0.0, 1.0)
    power = 10.0 ** floor(log10(most / about))
    step = next(power * by for by in (1, 2, 5, 10) if power * by >= most / about * 0.999)
    ticks = [0.0]
    while ticks[-1] < most * (1 - 1e-9):
        ticks.append(round(step * len(ticks), 9))
    return tuple(ticks)


def _curve(curve: Steps, pen: Pen, across: Axis, up: Axis) -> list[Spec]:
    until = curve.until if curve.until is not None else max(curve.known_times, default=0.0)
    curve = thinned_steps(curve, until)
    none = (None,) * len(curve.times)
    rows: list[Spec] = [{"x": curve.begins, "y": 1.0, "low": 1.0, "high": 1.0}]
    for time, share, low, high in zip(
        curve.times, curve.shares, curve.low or none, curve.high or none, strict=True
    ):
        rows.append({"x": time, "y": share, "low": low, "high": high})
    rows.append({**rows[-1], "x": until})
    x, y = encoding(across, "x"), encoding(up, "y")
    layers: list[Spec] = []
    if curve.low and curve.high:
        bounded_rows = [row for row in rows if row["low"] is not None and row["high"] is not None]
        area = {"type": "area", "interpolate": "step-after", "color": pen.colour,
                "fillOpacity": 0.13, "opacity": 1}  # fmt: skip
        ends = {"x": x, "y": encoding(up, "low"), "y2": {"field": "high"}}
        layers.append({"data": {"values": bounded_rows}, "mark": area, "encoding": ends})
    line: Spec = {"type": "line", "interpolate": "step-after", "color": pen.colour,
                  "strokeWidth": OUTLINE_WIDTH, "opacity": 1}  # fmt: skip
    if pen.dash:
        line["strokeDash"] = list(pen.dash)
    layers.append({"data": {"values": rows}, "mark": line, "encoding": {"x": x, "y": y}})
    if curve.tips:
        points = [
            {"x": time, "y": share, "tip": tip}
            for time, share, tip in zip(curve.times, curve.shares, curve.tips, strict=True)
        ]
        # nothing to be seen, but the pointer finds it
        mark = {"type": "point", "filled": True, "color": pen.colour, "size": 120,
                "fillOpacity": 0, "opacity": 1, "aria": True}  # fmt: skip
        tip = {"field": "tip", "type": "nominal"}
        layers.append(
            {
                "data": {"values": points},
                "mark": mark,
                "encoding": {"x": x, "y": y, "description": tip},
            }
        )
    ticks = [{"x": time, "y": _share_at(curve, time)} for time in curve.censored]
    if ticks:
        mark = {"type": "tick", "orient": "vertical", "color": pen.colour, "thickness": 1.2,
                "size": 9, "opacity": 1}  # fmt: skip
        layers.append({"data": {"values": ticks}, "mark": mark, "encoding": {"x": x, "y": y}})
    return layers


def _share_at(curve: Steps, time: float | None) -> float | None:
    share: float | None = 1.0
    for step, after in zip(curve.times, curve.shares, strict=True):
        if step is not None and time is not None and step <= time:
            share = after
    return share


def _numbers(
    curves: Sequence[Steps], pens: Sequence[Pen], places: Sequence[float], across: Axis, size: Size
) -> list[Spec]:
    """A heading, then a line with the curve's name and one with its numbers, for each curve."""
    top = size.high + _FIRST_ROW
    layers: list[Spec] = [_text([{"label": "number at risk"}], {"value": 0}, top, "left")]
    for row, (curve, pen) in enumerate(zip(curves, pens, strict=True)):
        name = curve.name
        if len(name) > 3 * _NAMED_SIGNS:
            name = name[: 3 * _NAMED_SIGNS - 1] + "…"
        y = top + _ROW * (1 + 2 * row)
        layers.append(_text([{"label": name}], {"value": 0}, y, "left", pen.colour))
        counts = [
            {"x": x, "label": str(count)} for x, count in zip(places, curve.at_risk, strict=False)
        ]
        layers.append(_text(counts, encoding(across, "x"), y + _ROW, "center"))
    return layers


def _text(
    rows: list[Spec], x: Spec, y: float, align: str, colour: str | None = None
) -> Spec:  # fmt: skip
    mark: Spec = {"type": "text", "align": align, "fontSize": SMALL}
    if colour:
        mark["color"] = colour
    return {
        "data": {"values": rows},
        "mark": mark,
        "encoding": {"x": x, "y": {"value": y}, "text": {"field": "label"}},
    }


# Points, lines, steps and bands of several series over one axis, with limits and openings.


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
    """Draw the series as SVG; ``prefix`` begins its ids and has to be unique on the page.

    A series longer than ``MOST_POINTS`` is thinned to the peaks of equal spans; the description
    then says so. A legend stands above as soon as there are two series.
    """
    size = size or Size()
    series = [series_ for series_ in series if any(value is not None for value in series_.y)]
    if not series:
        return empty_chart(title=title, prefix=prefix)
    if any(len(series_.x) > MOST_POINTS for series_ in series):
        description += " Of long series the least and greatest value of each span are drawn."
    across = _in_hours(across, [place(x) for series_ in series for x in series_.x])
    bare = replace(
        _opened(up, [y for series_ in series for y in series_.y], rules), title="", unit=""
    )
    pens = [_pen(series_, order) for order, series_ in enumerate(series)]
    short = [thinned(series_) for series_ in series]
    drawn = list(zip(short, pens, strict=True))
    layers = [
        _band(series_, rows, pen, across, bare)
        for series_, pen in drawn
        if series_.low and series_.high
        for rows in _pieces(series_)
    ]
    layers += [
        _line(series_, pen, across, bare) for series_, pen in drawn if series_.mark != "points"
    ]
    layers += [
        _points(series_, pen, across, bare) for series_, pen in drawn if "points" in series_.mark
    ]
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
        legend=[(series_.name, pen, series_.mark) for series_, pen in drawn]
        if len(drawn) > 1
        else (),
        above=MARKER_ROW if markers else 0.0,
    )


def _opened(up: Axis, values: Sequence[float | None], rules: Sequence[Rule]) -> Axis:
    """Values that are all alike get room on both sides, else there would be no scale."""
    distinct = {value for value in values if value is not None}
    distinct |= {rule.value for rule in rules if rule.axis == "y"}
    if len(distinct) > 1 or up.from_zero or up.least is not None or up.most is not None:
        return up
    (value,) = distinct
    room = abs(value) * 0.1 or 1.0
    return replace(up, least=value - room, most=value + room)


def _in_hours(across: Axis, places: Sequence[float]) -> Axis:
    """An axis of dates over less than three days says the hour too."""
    short = across.days and max(places) - min(places) < SHORT_MS
    return replace(across, clock=True) if short else across


def line_layer(series: Series, across: Axis, up: Axis) -> Spec:
    """Return the line of one series in the pen it names, as a layer of another chart."""
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


# Bars side by side, such as the voltages of cells: those that stand out differ by shape too.


MOST_WIDE = 60.0
"""Width of one bar with its room at most: few bars are no wider."""


_SIGN, _GAP = 7.4, 7.0
"""Width of a sign of a label, and the least space between two labels."""


def bars_chart(
    bars: Sequence[Bar],
    *,
    across: str,
    up: Axis,
    title: str,
    description: str,
    prefix: str,
    base: float = 0.0,
    rules: Sequence[Rule] = (),
    size: Size | None = None,
) -> str:
    """Draw bars from ``base`` to their values as SVG; ``across`` is the title under them.

    Bars from another base than zero want a rule at the base saying what it is. An outlier is drawn
    in the ink of what somebody must look at, with a triangle pointing at its end; a bar without a
    value leaves its place empty, with a cross at the base.
    """
    size = size or Size()
    if all(bar.value is None for bar in bars):
        return empty_chart(title=title, prefix=prefix)
    labels = [bar.label for bar in bars]
    x: Spec = {
        "field": "label", "type": "nominal", "sort": labels,
        "scale": {"domain": labels, "paddingInner": 0.3, "paddingOuter": 0.2},
        "axis": {"title": across, "values": _labels_with_room(labels, size.wide), "labelAngle": 0,
                 "labelOverlap": False, "ticks": False},
    }  # fmt: skip
    up_from = Axis("", "", up.least, up.most, base == 0.0, ticks=up.ticks)
    layers = [
        _layer([_row(bar, base) for bar in bars if bar.value is not None and bar.outlier is out],
               x, up_from, ink, wide=len(bars) * MOST_WIDE > size.wide)
        for out, ink in ((False, HATCHING), (True, ACT))
    ]  # fmt: skip
    layers += _spreads(bars, x, up_from)
    layers += _flags(bars, x, up_from, base, size)
    layers += rule_layers(rules, Axis(""), up_from, size)
    return plotted(
        [layer for layer in layers if layer["data"]["values"]],
        up=up,
        size=size,
        title=title,
        description=description,
        prefix=prefix,
        above=MARKER_ROW / 2,
    )


def _labels_with_room(labels: Sequence[str], wide: float) -> list[str]:
    """The labels that have room beside each other: all, or every second, fifth, tenth."""
    room = wide / (_SIGN * max(len(label) for label in labels) + _GAP)
    step = next((step for step in (1, 2, 5, 10, 20, 50, 100) if len(labels) / step <= room), 200)
    return [label for number, label in enumerate(labels, 1) if number == 1 or number % step == 0]


def _row(bar: Bar, base: float) -> Spec:
    return {
        "label": bar.label, "base": base, "value": bar.value, "tip": bar.tip or bar.label,
    }  # fmt: skip


def _layer(rows: list[Spec], x: Spec, up: Axis, ink: str, *, wide: bool) -> Spec:
    mark: Spec = {"type": "bar", "color": ink, "opacity": 1, "aria": True}
    if not wide:
        mark["width"] = MOST_WIDE * 0.7
    return {
        "data": {"values": rows},
        "mark": mark,
        "encoding": {
            "x": x,
            "y": encoding(up, "base", stack=None),
            "y2": {"field": "value"},
            "description": {"field": "tip", "type": "nominal"},
        },
    }


def _spreads(bars: Sequence[Bar], x: Spec, up: Axis) -> list[Spec]:
    rows = [
        {"label": bar.label, "low": bar.low, "high": bar.high}
        for bar in bars
        if bar.low is not None and bar.high is not None
    ]
    mark = {"type": "rule", "color": INK, "strokeWidth": THIN_WIDTH}
    return [
        {
            "data": {"values": rows},
            "mark": mark,
            "encoding": {"x": x, "y": encoding(up, "low"), "y2": {"field": "high"}},
        }
    ]


def _flags(bars: Sequence[Bar], x: Spec, up: Axis, base: float, size: Size) -> list[Spec]:
    """Triangles at the ends of outliers, crosses where a value is missing."""
    out = [bar for bar in bars if bar.outlier and bar.value is not None]
    ends = [
        {"label": bar.label, "at": bar.value, "is_low": (bar.value or 0.0) < base} for bar in out
    ]
    missing = [
        {"label": bar.label, "tip": bar.tip or f"{bar.label}: no value"}
        for bar in bars
        if bar.value is None
    ]
    layers: list[Spec] = []
    for is_low, shape, shift in ((False, "triangle-down", -9), (True, "triangle-up", 9)):
        mark: Spec = {"type": "point", "shape": shape, "color": ACT, "filled": True, "size": 60,
                      "yOffset": shift, "opacity": 1}  # fmt: skip
        rows = [end for end in ends if end["is_low"] is is_low]
        layers.append({"data": {"values": rows}, "mark": mark,
                       "encoding": {"x": x, "y": encoding(up, "at")}})  # fmt: skip
    cross: Spec = {"type": "text", "text": "×", "color": SOFT, "fontSize": SMALL, "dy": -8,
                   "aria": True}  # fmt: skip
    layers.append(
        {
            "data": {"values": missing},
            "mark": cross,
            "encoding": {
                "x": x,
                "y": {"value": size.high},
                "description": {"field": "tip", "type": "nominal"},
            },
        }
    )
    return layers


__all__ = [
    "Axis",
    "Bar",
    "Marker",
    "Rule",
    "Series",
    "Size",
    "Steps",
    "bars_chart",
    "lines_chart",
    "round_ticks",
    "steps_chart",
]
