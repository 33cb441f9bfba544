"""The pens of charts: six that differ by colour, kind of line and shape of point at once.

A chart is first written with the light sheet's colours; each colour stands for one class, so that
static/css/drawing.css can give it the dark sheet's. Classes ``d-pen-1`` … ``d-pen-6`` are strokes,
``d-fill-1`` … ``d-fill-6`` fillings.
"""

from typing import NamedTuple

from service.platform.drawings.svg import ACT, HATCHING, INK, LINE, PAPER, SOFT


class Pen(NamedTuple):
    """Colour on the light sheet, dashes of the line, shape of the points."""

    number: int
    colour: str
    dash: tuple[float, ...]
    shape: str


PENS = (
    Pen(0, INK, (), "circle"),
    Pen(1, "#1d5c9e", (), "circle"),
    Pen(2, "#8a5a00", (8.0, 3.0), "square"),
    Pen(3, "#2a7347", (3.0, 3.0), "triangle-up"),
    Pen(4, "#75449a", (10.0, 3.0, 2.0, 3.0), "diamond"),
    Pen(5, "#0c7480", (5.0, 5.0), "triangle-down"),
    Pen(6, "#5c636b", (2.0, 4.0), "cross"),
)
EXTRA_DASH = (4.0, 4.0)

STROKES = {
    INK: "d-ink",
    LINE: "d-thin",
    PAPER: "d-ground",
    ACT: "d-act",
    **{pen.colour: f"d-pen-{pen.number}" for pen in PENS[1:]},
}
FILLS = {
    INK: "d-solid",
    PAPER: "d-paper",
    HATCHING: "d-bar",
    ACT: "d-act-solid",
    **{pen.colour: f"d-fill-{pen.number}" for pen in PENS[1:]},
}
WORDS = {PAPER: "d-paper", INK: "word", SOFT: "soft", ACT: "d-act-solid"}


def pen_of(wanted: int | None, order: int) -> Pen:
    """The pen asked for, or that of the order; after the sixth they begin again."""
    return PENS[wanted] if wanted is not None else PENS[1 + order % (len(PENS) - 1)]
