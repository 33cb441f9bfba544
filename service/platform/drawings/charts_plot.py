"""The ground of every chart: its size, its axes, what is drawn across it, its legend."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.platform.drawings import svg
from service.platform.drawings.charts_fit import (
    FILLS,
    STROKES,
    Pen,
    Spec,
    fitted,
    labels_beside,
    labels_left,
    placed,
    spread_labels,
)
from service.platform.drawings.charts_given import Axis, Marker, Rule, place
from service.platform.drawings.svg import n

TOP, RIGHT, FOOT = 14.0, 38.0, 54.0
LEAST_LEFT, TITLE_ROW = 48.0, 20.0
BESIDE, BESIDE_SIGNS = 7.0, 30
"""Words of a rule stand so far beside the plot; longer ones stand inside it, over the rule."""
LEGEND_ROW, MARKER_ROW = 22.0, 18.0
_SIGN_WIDTH = 6.7
"""Width of a sign at the small size, by which legend and margin are spaced."""

HALO: Spec = {"color": svg.PAPER, "stroke": svg.PAPER, "strokeWidth": 4, "strokeJoin": "round"}
"""Drawn under a text that may stand on lines or bars."""

CONFIG: Spec = {
    "font": "Next",
    "background": None,
    "view": {"stroke": None},
    "aria": False,
    "axis": {
        "aria": False,
        "domainColor": svg.INK, "domainWidth": svg.OUTLINE_WIDTH,
        "tickColor": svg.INK, "tickWidth": svg.THIN_WIDTH,
        "gridColor": svg.LINE, "gridWidth": svg.HATCH_WIDTH,
        "labelColor": svg.INK, "labelFontSize": svg.SMALL,
        "titleColor": svg.INK, "titleFontSize": svg.SMALL, "titleFontWeight": "normal",
        "labelFlush": False,
    },
    "axisX": {"grid": False, "titlePadding": 8},
    "axisXQuantitative": {"tickCount": 8},
    "axisY": {"minExtent": 44, "maxExtent": 44, "title": None},
}  # fmt: skip


@dataclass(frozen=True)
class Size:
    """Width and height of the plot itself, in units of the sheet."""

    wide: float = 620.0
    high: float = 260.0


def plotted(
    layers: Sequence[Spec],
    *,
    up: Axis,
    size: Size,
    title: str,
    description: str,
    prefix: str,
    legend: Sequence[tuple[str, Pen, str]] = (),
    above: float = 0.0,
    below: float = 0.0,
) -> str:
    """Draw the layers as one named drawing.

    ``above`` and ``below`` is room beside the plot itself.

    The title of the axis upwards stands over it, as it is read; the margin is as wide as its
    numbers are.
    """
    rows = legend_rows(legend, size.wide)
    top = TOP + LEGEND_ROW * len(rows) + TITLE_ROW + above
    spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "width": size.wide,
        "height": size.high,
        "padding": 0,
        "config": CONFIG,
        "layer": list(layers),
    }
    group = fitted(spec, prefix)
    longest = max((len(label) for label in labels_left(group)), default=0)
    left = max(LEAST_LEFT, _SIGN_WIDTH * longest + 18)
    beside = labels_beside(group, size.wide + BESIDE)
    spread_labels(beside)
    longest = max((len("".join(label.itertext())) for label in beside), default=0)
    right = max(RIGHT, _SIGN_WIDTH * longest + BESIDE + 8)
    drawn = [drawn_legend(rows, left)] if rows else []
    drawn.append(svg.word(4, top - above - 12, up.words, size=svg.SMALL))
    drawn.append(placed(group, left, top))
    return svg.sheet(
        left + size.wide + right,
        top + size.high + FOOT + below,
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=description,
        kind="chart small",
        role="img",
    )


def empty_chart(*, title: str, prefix: str, says: str = "There is no value to draw yet.") -> str:
    """Return a chart without values says so."""
    return svg.sheet(
        LEAST_LEFT + Size.wide + RIGHT, 60,
        svg.word(LEAST_LEFT, 34, says, size=svg.SMALL, pen="soft"),
        prefix=prefix, title=title, description=says, kind="chart small", role="img",
    )  # fmt: skip


def encoding(axis: Axis, field: str, **more: Any) -> Spec:
    """Return a channel of numbers or dates with its axis."""
    scale: Spec = {"zero": axis.from_zero, "nice": axis.least is None or axis.most is None}
    if axis.least is not None:
        scale["domainMin"] = axis.least
    if axis.most is not None:
        scale["domainMax"] = axis.most
    axis_spec: Spec = {"labelOverlap": "parity", "labelSeparation": 8}
    axis_spec["title"] = axis.words or None
    if axis.ticks:
        axis_spec["values"] = list(axis.ticks)
    if axis.days:
        scale["type"] = "utc"
        scale.pop("zero")
        axis_spec["format"] = "%m-%d %H:%M" if axis.clock else "%Y-%m-%d"
        axis_spec["tickCount"] = 6
    kind = "temporal" if axis.days else "quantitative"
    return {"field": field, "type": kind, "scale": scale, "axis": axis_spec, **more}


def rule_layers(rules: Sequence[Rule], across: Axis, up: Axis, size: Size) -> list[Spec]:
    """Draw limits and references: a heavy line with its words at its end, beside the plot."""
    layers: list[Spec] = []
    for rule in rules:
        ink, on_y = (svg.ACT if rule.act else svg.INK), rule.axis == "y"
        data = {"values": [{"at": rule.value, "label": rule.label}]}
        position = encoding(up if on_y else across, "at")
        mark = {"type": "rule", "color": ink, "strokeWidth": svg.THIN_WIDTH * 1.5}
        if not rule.act:
            mark["strokeDash"] = [14, 3, 3, 3]
        layers.append({"data": data, "mark": mark, "encoding": {"y" if on_y else "x": position}})
        text = {"type": "text", "fontSize": svg.SMALL, "color": ink}
        place_of: Spec = {"text": {"field": "label"}}
        if on_y and len(rule.label) <= BESIDE_SIGNS:
            text |= {"align": "left", "baseline": "middle", "dx": BESIDE}
            place_of |= {"y": position, "x": {"value": size.wide}}
        elif on_y:
            text |= {"align": "right", "baseline": "bottom", "dy": -3, "dx": -2}
            place_of |= {"y": position, "x": {"value": size.wide}}
        else:
            text |= {"align": "left", "baseline": "top", "dx": 5, "dy": 2}
            place_of |= {"x": position, "y": {"value": 0}}
        if text.get("dx") != BESIDE:
            layers.append({"data": data, "mark": {**text, **HALO}, "encoding": place_of})
        layers.append({"data": data, "mark": text, "encoding": place_of})
    return layers


def marker_layers(markers: Sequence[Marker], across: Axis) -> list[Spec]:
    """Return what happened at a place: a thin line with a triangle on top and its label above."""
    if not markers:
        return []
    data = {
        "values": [
            {"at": place(marker.x), "label": marker.label, "tip": marker.tip or marker.label}
            for marker in markers
        ]
    }
    position = encoding(across, "at")
    line = {"type": "rule", "color": svg.LINE, "strokeWidth": svg.THIN_WIDTH, "strokeDash": [4, 4]}
    flag = {"type": "point", "shape": "triangle-down", "size": 50, "color": svg.INK, "filled": True,
            "opacity": 1, "aria": True}  # fmt: skip
    label = {
        "type": "text",
        "fontSize": svg.SMALL,
        "color": svg.SOFT,
        "baseline": "bottom",
        "dy": -8,
    }
    few = {"values": data["values"][:: 1 + len(markers) // 14]}
    return [
        {"data": data, "mark": line, "encoding": {"x": position}},
        {"data": data, "mark": flag, "encoding": {
            "x": position, "y": {"value": 0}, "description": {"field": "tip", "type": "nominal"}}},
        {"data": few, "mark": label, "encoding": {
            "x": position, "y": {"value": 0}, "text": {"field": "label"}}},
    ]  # fmt: skip


def legend_rows(
    entries: Sequence[tuple[str, Pen, str]], wide: float
) -> list[list[tuple[float, str, Pen, str]]]:
    """Return entries of the legend with their places, row by row."""
    rows: list[list[tuple[float, str, Pen, str]]] = []
    x = wide
    for name, pen, mark in entries:
        needs = 44 + _SIGN_WIDTH * len(name) + 22
        if not rows or x + needs > wide:
            rows.append([])
            x = 0.0
        rows[-1].append((x, name, pen, mark))
        x += needs
    return rows


def drawn_legend(rows: Sequence[Sequence[tuple[float, str, Pen, str]]], left: float) -> str:
    """Draw sample and name of each entry, above the plot."""
    return "".join(
        sample(left + x, TOP + LEGEND_ROW * row + 6, pen, mark)
        + svg.word(left + x + 42, TOP + LEGEND_ROW * row + 10, name, size=svg.SMALL)
        for row, entries in enumerate(rows)
        for x, name, pen, mark in entries
    )


# The samples of a legend: a piece of line, a point, or both, as the chart draws them.


SHAPES = {
    "circle": "M{r} 0A{r} {r} 0 1 1 -{r} 0A{r} {r} 0 1 1 {r} 0Z",
    "square": "M-{r} -{r}H{r}V{r}H-{r}Z",
    "triangle-up": "M0 -{r}L{r} {r}H-{r}Z",
    "triangle-down": "M0 {r}L{r} -{r}H-{r}Z",
    "diamond": "M0 -{r}L{r} 0L0 {r}L-{r} 0Z",
    "cross": "M-{r} -{t}H-{t}V-{r}H{t}V-{t}H{r}V{t}H{t}V{r}H-{t}V{t}H-{r}Z",
}


def sample(x: float, y: float, pen: Pen, mark: str) -> str:
    """Draw 36 units of the pen's line, and its point where points are drawn."""
    dash = f' stroke-dasharray="{" ".join(f"{part:g}" for part in pen.dash)}"' if pen.dash else ""
    drawn = ""
    if mark != "points":
        drawn += (
            f'<line class="{STROKES[pen.colour]}" stroke="{pen.colour}" '
            f'stroke-width="{svg.OUTLINE_WIDTH}"{dash} x1="{n(x)}" y1="{n(y)}" x2="{n(x + 36)}" '
            f'y2="{n(y)}"/>'
        )
    if "points" in mark:
        shape = SHAPES[pen.shape].format(r="3.5", t="1.2")
        drawn += (
            f'<path class="{FILLS[pen.colour]}" fill="{pen.colour}" '
            f'transform="translate({n(x + 18)},{n(y)})" d="{shape}"/>'
        )
    return drawn
