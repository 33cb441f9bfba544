"""Steps of pressure: their colours, the values between them, and the legend of a map."""

from collections.abc import Sequence

from service.closing.drawings.isobars import MOST_STEPS, Field
from service.platform.drawings.svg import (
    BODY,
    FINE,
    HATCH_WIDTH,
    HATCHING,
    PAPER,
    SMALL,
    THIN_WIDTH,
    box,
    line,
    word,
)

STEPS = ("#eaf1f7", "#cfdff0", "#afcae4", "#8db3d6", "#6a9ac6", "#4a80b2", "#316799")
"""Least to greatest pressure on the light sheet; the dark sheet's are in drawing.css."""


def stroke(width: float) -> str:
    """How wide a line is drawn."""
    return f'stroke-width="{width}"'


def crossed(prefix: str) -> str:
    """The pattern of an area without contact."""
    pen = f'class="d-hatch" stroke="{HATCHING}" {stroke(HATCH_WIDTH * 2)}'
    return (
        f'<pattern id="{prefix}-lost" width="9" height="9" patternUnits="userSpaceOnUse">'
        f"{line(0, 0, 9, 9, pen)}{line(9, 0, 0, 9, pen)}</pattern>"
    )


def step_of(at: int, count: int) -> int:
    """Which of the colours, from 0, has band ``at`` of ``count``: spread over the whole scale."""
    return MOST_STEPS // 2 if count == 1 else round(at * (MOST_STEPS - 1) / (count - 1))


def fill_of(at: int, count: int) -> str:
    """How band ``at`` of ``count`` is filled."""
    step = step_of(at, count)
    return f'class="d-step-{step + 1}" fill="{STEPS[step]}"'


def over(x: float, y: float, text: str, *, size: float = SMALL, anchor: str = "middle") -> str:
    """Text that keeps the lines behind it away."""
    more = f' paint-order="stroke" stroke="{PAPER}" stroke-width="4" stroke-linejoin="round"'
    return word(x, y, text, size=size, anchor=anchor, pen="serial halo", more=more)


def value_of(level: float, levels: Sequence[float]) -> str:
    """With as many places as tell the levels apart."""
    step = levels[1] - levels[0] if len(levels) > 1 else level
    places = next(p for p in range(7) if p == 6 or abs(round(step, p) - step) < 1e-3 * step)
    return f"{level:.{places}f}"


def legend(x: float, y: float, field: Field, levels: Sequence[float], lost: str) -> str:
    """The bands from the greatest pressure down, each with its range in MPa."""
    drawn = [word(x, y, "Pressure, MPa", size=BODY, pen="word strong")]
    edges = [field.least, *levels, field.greatest]
    bands = len(levels) + 1
    for at in range(bands):
        top = y + 14 + 26 * (bands - 1 - at)
        drawn.append(box(x, top, 34, 20, f"{fill_of(at, bands)} {stroke(THIN_WIDTH)}"))
        drawn.append(box(x, top, 34, 20, FINE))
        ends = [_edge(value, levels) for value in edges[at : at + 2]]
        is_one = float(ends[0]) == float(ends[1])
        said = ends[1] if is_one else f"{ends[0]} to {ends[1]}"
        drawn.append(word(x + 42, top + 14.5, said, size=SMALL, pen="serial"))
    if lost:
        top = y + 14 + 26 * bands
        drawn.append(box(x, top, 34, 20, f'fill="url(#{lost}-lost)"'))
        drawn.append(box(x, top, 34, 20, FINE))
        drawn.append(word(x + 42, top + 14.5, "no contact", size=SMALL))
    drawn.append(word(x, y + 14 + 26 * (bands + bool(lost)) + 18, "R: resultant", size=SMALL))
    return "".join(drawn)


def _edge(value: float, levels: Sequence[float]) -> str:
    return value_of(value, levels) if value in levels else f"{value:.3g}"
