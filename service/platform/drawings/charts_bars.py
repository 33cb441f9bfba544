"""Bars side by side, such as the voltages of cells: those that stand out differ by shape too."""

from collections.abc import Sequence

from service.platform.drawings.charts_fit import Spec
from service.platform.drawings.charts_given import Axis, Bar, Rule
from service.platform.drawings.charts_plot import (
    MARKER_ROW,
    Size,
    empty_chart,
    encoding,
    plotted,
    rule_layers,
)
from service.platform.drawings.svg import ACT, HATCHING, INK, SMALL, SOFT, THIN_WIDTH

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
    """SVG of the bars, each from ``base`` to its value; ``across`` is the title under them.

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
        "axis": {"title": across, "values": _named(labels, size.wide), "labelAngle": 0,
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


def _named(labels: Sequence[str], wide: float) -> list[str]:
    """The labels that have room beside each other: all, or every second, fifth, tenth."""
    room = wide / (_SIGN * max(len(label) for label in labels) + _GAP)
    step = next((step for step in (1, 2, 5, 10, 20, 50, 100) if len(labels) / step <= room), 200)
    return [label for at, label in enumerate(labels, 1) if at == 1 or at % step == 0]


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
