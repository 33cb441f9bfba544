"""Shares that fall in steps, with their intervals and the numbers at risk under the plot."""

from collections.abc import Sequence
from math import floor, log10

from service.platform.drawings.charts_fit import Spec
from service.platform.drawings.charts_given import Axis, Rule, Series, Steps
from service.platform.drawings.charts_lines import line_layer
from service.platform.drawings.charts_pens import Pen, pen_of
from service.platform.drawings.charts_plot import Size, empty_chart, encoding, plotted, rule_layers
from service.platform.drawings.charts_thin import thinned_steps
from service.platform.drawings.svg import OUTLINE_WIDTH, SMALL

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
    """SVG of the curves from 1 where each begins; numbers at risk stand under the ticks of x.

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
        known = [row for row in rows if row["low"] is not None and row["high"] is not None]
        area = {"type": "area", "interpolate": "step-after", "color": pen.colour,
                "fillOpacity": 0.13, "opacity": 1}  # fmt: skip
        ends = {"x": x, "y": encoding(up, "low"), "y2": {"field": "high"}}
        layers.append({"data": {"values": known}, "mark": area, "encoding": ends})
    line: Spec = {"type": "line", "interpolate": "step-after", "color": pen.colour,
                  "strokeWidth": OUTLINE_WIDTH, "opacity": 1}  # fmt: skip
    if pen.dash:
        line["strokeDash"] = list(pen.dash)
    layers.append({"data": {"values": rows}, "mark": line, "encoding": {"x": x, "y": y}})
    if curve.tips:
        told = [
            {"x": time, "y": share, "tip": tip}
            for time, share, tip in zip(curve.times, curve.shares, curve.tips, strict=True)
        ]
        # nothing to be seen, but the pointer finds it
        mark = {"type": "point", "filled": True, "color": pen.colour, "size": 120,
                "fillOpacity": 0, "opacity": 1, "aria": True}  # fmt: skip
        tip = {"field": "tip", "type": "nominal"}
        layers.append(
            {
                "data": {"values": told},
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
    curves: Sequence[Steps], pens: Sequence[Pen], at: Sequence[float], across: Axis, size: Size
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
            {"x": x, "label": str(count)} for x, count in zip(at, curve.at_risk, strict=False)
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
