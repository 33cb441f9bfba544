"""A chart made to fit our sheets: classes of the theme, no names that could clash, fewer signs.

What comes in is the SVG of vl-convert: scales, ticks and marks are right there, but colours are
fixed, every mark is announced one by one, and numbers have fifteen digits.
"""

import re
from collections.abc import Sequence
from math import nan
from typing import Any, NamedTuple
from xml.etree import ElementTree as ET

from service.platform.drawings import svg
from service.platform.drawings.svg import n

# The pens of charts: six that differ by colour, kind of line and shape of point at once.
#
# A chart is first written with the light sheet's colours; each colour stands for one class, so that
# static/css/drawing.css can give it the dark sheet's. Classes ``d-pen-1`` … ``d-pen-6`` are
# strokes, ``d-fill-1`` … ``d-fill-6`` fillings.


class Pen(NamedTuple):
    """Colour on the light sheet, dashes of the line, shape of the points."""

    number: int
    colour: str
    dash: tuple[float, ...]
    shape: str


PENS = (
    Pen(0, svg.INK, (), "circle"),
    Pen(1, "#1d5c9e", (), "circle"),
    Pen(2, "#8a5a00", (8.0, 3.0), "square"),
    Pen(3, "#2a7347", (3.0, 3.0), "triangle-up"),
    Pen(4, "#75449a", (10.0, 3.0, 2.0, 3.0), "diamond"),
    Pen(5, "#0c7480", (5.0, 5.0), "triangle-down"),
    Pen(6, "#5c636b", (2.0, 4.0), "cross"),
)


EXTRA_DASH = (4.0, 4.0)


STROKES = {
    svg.INK: "d-ink",
    svg.LINE: "d-thin",
    svg.PAPER: "d-ground",
    svg.ACT: "d-act",
    **{pen.colour: f"d-pen-{pen.number}" for pen in PENS[1:]},
}


FILLS = {
    svg.INK: "d-solid",
    svg.PAPER: "d-paper",
    svg.HATCHING: "d-bar",
    svg.ACT: "d-act-solid",
    **{pen.colour: f"d-fill-{pen.number}" for pen in PENS[1:]},
}


WORDS = {svg.PAPER: "d-paper", svg.INK: "word", svg.SOFT: "soft", svg.ACT: "d-act-solid"}


def pen_of(number: int | None, order: int) -> Pen:
    """Return the pen asked for, or that of the order; after the sixth they begin again."""
    return PENS[number] if number is not None else PENS[1 + order % (len(PENS) - 1)]


Spec = dict[str, Any]

_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?|-?\d+e-?\d+")
_PLACE = re.compile(r"translate\((-?[\d.]+),(-?[\d.]+)\)$")
ROW = 15.0
"""Height of a line of small words."""
_DROPPED = ("class", "role", "aria-label", "aria-roledescription", "aria-hidden", "pointer-events",
            "stroke-miterlimit")  # fmt: skip
_PLAIN = {"opacity": "1", "stroke-opacity": "1", "fill-opacity": "1", "font-weight": "normal",
          "text-anchor": "start"}  # fmt: skip
_NUMBERS_SHOWN = {
    "decimal": ".", "thousands": "\u202f", "grouping": [3], "currency": ["", ""],
}  # fmt: skip


def fitted(spec: Spec, prefix: str) -> ET.Element:
    """Return the chart as one SVG group with its plot at 0, 0; no script, style or role.

    What has to be clipped names its outline by an id that begins with ``prefix``.
    """
    import vl_convert

    text = vl_convert.vegalite_to_svg(spec, format_locale=_NUMBERS_SHOWN, allowed_base_urls=[])
    text = re.sub(r'\s+xmlns(?::xlink)?="[^"]*"', "", text)
    for number, outline in enumerate(dict.fromkeys(re.findall(r'id="(clip\d+)"', text))):
        text = re.sub(rf"\b{outline}\b", f"{prefix}-clip{number}", text)
    drawn = ET.fromstring(text)  # noqa: S314 - written by ourselves a few lines above
    group = next(child for child in drawn if child.tag == "g")
    _fit(group)
    for outlines in drawn.iter("defs"):
        group.insert(0, outlines)
    for name in ("fill", "transform"):
        group.attrib.pop(name, None)
    return group


def labels_left(group: ET.Element) -> list[str]:
    """Return the numbers left of the plot."""
    return [
        "".join(text.itertext())
        for text in group.iter("text")
        if text.get("text-anchor") == "end" and text.get("transform", "").startswith("translate(-")
    ]


def labels_beside(group: ET.Element, x: float) -> list[ET.Element]:
    """Return the words that begin at this place right of the plot, from above."""
    texts = [
        text
        for text in group.iter("text")
        if text.get("text-anchor", "start") == "start" and _at(text)[0] == round(x, 1)
    ]
    return sorted(texts, key=lambda text: _at(text)[1])


def spread_labels(labels: Sequence[ET.Element]) -> None:
    """Move words that would stand on each other apart, each as little as can be.

    Those that touch are moved about the middle of where they belong.
    """
    crowds: list[list[float]] = []
    for index, label in enumerate(labels):
        crowds.append([_at(label)[1] - index * ROW])
        while len(crowds) > 1 and _mean(crowds[-2]) >= _mean(crowds[-1]):
            last = crowds.pop()
            crowds[-1] += last
    places = [_mean(crowd) for crowd in crowds for _ in crowd]
    for index, (label, place) in enumerate(zip(labels, places, strict=True)):
        label.set("transform", f"translate({n(_at(label)[0])},{n(place + index * ROW)})")


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _at(text: ET.Element) -> tuple[float, float]:
    match = _PLACE.match(text.get("transform", ""))
    return (float(match[1]), float(match[2])) if match else (nan, nan)


def placed(group: ET.Element, left: float, top: float) -> str:
    """Return the group with its plot beginning at left, top, as text."""
    group.set("transform", f"translate({n(left)},{n(top)})")
    return ET.tostring(group, encoding="unicode")


def _fit(element: ET.Element) -> None:
    for child in list(element):
        if _is_nothing(child):
            element.remove(child)
            continue
        _fit(child)
        if child.tag == "g" and not len(child):
            element.remove(child)
    label = element.get("aria-label")
    for name in _DROPPED:
        element.attrib.pop(name, None)
    _pens(element)
    for name, plain in _PLAIN.items():
        if element.get(name) == plain:
            del element.attrib[name]
    for name in ("d", "transform", "x2", "y2", "x", "y", "width", "height"):
        value = element.get(name)
        if value is not None:
            element.set(name, _NUMBER.sub(lambda match: n(float(match[0])), value))
    if label and element.tag in ("path", "line", "rect", "text"):
        title = ET.Element("title")
        title.text = label
        element.insert(0, title)


def _is_nothing(element: ET.Element) -> bool:
    """A label hidden because it would touch its neighbour, and the empty frames of groups."""
    kind = element.get("class", "")
    return (
        element.get("opacity") == "0"
        or element.get("display") == "none"
        or (element.tag == "path" and kind in ("background", "foreground"))
    )


def _pens(element: ET.Element) -> None:
    """Classes for the colours; a text gets the family of our sheets too."""
    classes = []
    stroke, fill = element.get("stroke"), element.get("fill")
    if stroke in STROKES:
        classes.append(STROKES[stroke])
    if element.tag == "text":
        classes.append(WORDS.get(fill or "", "word"))
        is_serial = element.get("font-family") == "Mono"
        if is_serial:
            classes.append("serial")
        element.set("font-family", svg.MONO_FAMILY if is_serial else svg.TEXT_FAMILY)
        element.set("font-size", element.get("font-size", "12.5").removesuffix("px"))
    elif fill in FILLS:
        classes.append(FILLS[fill])
    if classes:
        element.set("class", " ".join(classes))
