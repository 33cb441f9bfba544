"""Lines of equal value over a field that is known at the points of a grid.

Between grid points the field is taken to be straight along the edges. Source: marching squares.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import NamedTuple

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

MOST_STEPS = 7
"""As many as there are colours."""


class Point(NamedTuple):
    """A grid point and the value there."""

    x: float
    y: float
    value: float


@dataclass(frozen=True, slots=True)
class PressureGrid:
    """Values in rows from the least y to the greatest, at ``xs`` and ``ys`` that grow."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    rows: tuple[tuple[float, ...], ...]

    @property
    def least(self) -> float:
        """The least value of all."""
        return min(map(min, self.rows))

    @property
    def greatest(self) -> float:
        """The greatest value of all."""
        return max(map(max, self.rows))

    def squares(self) -> list[tuple[Point, ...]]:
        """Return the four corners of every square between grid points, round about."""
        return [
            (
                Point(self.xs[i], self.ys[j], self.rows[j][i]),
                Point(self.xs[i + 1], self.ys[j], self.rows[j][i + 1]),
                Point(self.xs[i + 1], self.ys[j + 1], self.rows[j + 1][i + 1]),
                Point(self.xs[i], self.ys[j + 1], self.rows[j + 1][i]),
            )
            for j in range(len(self.ys) - 1)
            for i in range(len(self.xs) - 1)
        ]


def out_to(field: PressureGrid, half_width: float, half_depth: float) -> PressureGrid:
    """Return the field carried straight on from its outer points to the edges, never below zero."""
    rows = [_carried(field.xs, row, half_width) for row in field.rows]
    columns = [_carried(field.ys, column, half_depth) for column in zip(*rows, strict=True)]
    return PressureGrid(
        (-half_width, *field.xs, half_width),
        (-half_depth, *field.ys, half_depth),
        tuple(zip(*columns, strict=True)),
    )


def _carried(places: Sequence[float], values: Sequence[float], half: float) -> tuple[float, ...]:
    if len(places) < 2:
        return (values[0], *values, values[-1])
    before = values[0] + (values[0] - values[1]) * (places[0] + half) / (places[1] - places[0])
    after = values[-1] + (values[-1] - values[-2]) * (half - places[-1]) / (places[-1] - places[-2])
    return (max(before, 0.0), *values, max(after, 0.0))


def round_levels(least: float, greatest: float, most: int = MOST_STEPS) -> tuple[float, ...]:
    """Round values that part the range into ``most`` steps at the utmost; none in a level field.

    >>> round_levels(0.81, 1.17)
    (0.9, 1.0, 1.1)
    """
    spread = greatest - least
    if greatest <= 0 or spread < 0.005 * greatest:
        return ()
    ten = 10.0 ** floor(log10(spread / most))
    step = next(
        ten * times
        for times in (1, 2, 2.5, 5, 10, 20)
        if len(_between(least, greatest, ten * times)) < most
    )
    return _between(least, greatest, step)


def _between(least: float, greatest: float, step: float) -> tuple[float, ...]:
    first = floor(least / step) + 1
    count = int((greatest - first * step) / step + 1 - 1e-9) if greatest > first * step else 0
    return tuple(round((first + index) * step, 12) for index in range(count))


def at_or_above(field: PressureGrid, level: float) -> list[list[Point]]:
    """Return polygons that cover where the field has this value or more.

    Whole squares run together.
    """
    polygons: list[list[Point]] = []
    run: list[Point] = []
    for square in field.squares():
        whole = all(point.value >= level for point in square)
        if whole and run and run[1].x == square[0].x and run[1].y == square[0].y:
            run[1:3] = square[1:3]
            continue
        if run:
            polygons.append(run)
        run = list(square) if whole else []
        polygon = [] if whole else _clipped(square, level)
        if len(polygon) > 2:
            polygons.append(polygon)
    return [*polygons, run] if run else polygons


def isobar(field: PressureGrid, level: float) -> list[tuple[Point, Point]]:
    """Return short straight pieces of the line on which the field has this value."""
    pieces = []
    for square in field.squares():
        crossings = [
            _crossing(corner, other, level)
            for corner, other in zip(square, (*square[1:], square[0]), strict=True)
            if (corner.value < level) != (other.value < level)
        ]
        pieces += list(zip(crossings[::2], crossings[1::2], strict=True))
    return pieces


def _clipped(square: tuple[Point, ...], level: float) -> list[Point]:
    kept: list[Point] = []
    for corner, other in zip(square, (*square[1:], square[0]), strict=True):
        if corner.value >= level:
            kept.append(corner)
        if (corner.value < level) != (other.value < level):
            kept.append(_crossing(corner, other, level))
    return kept


def _crossing(point: Point, other: Point, level: float) -> Point:
    share = (level - point.value) / (other.value - point.value)
    return Point(
        point.x + share * (other.x - point.x), point.y + share * (other.y - point.y), level
    )


# Steps of pressure: their colours, the values between them, and the legend of a map.


STEPS = ("#eaf1f7", "#cfdff0", "#afcae4", "#8db3d6", "#6a9ac6", "#4a80b2", "#316799")
"""Least to greatest pressure on the light sheet; the dark sheet's are in drawing.css."""


def stroke(width: float) -> str:
    """Return the width of a line."""
    return f'stroke-width="{width}"'


def crossed(prefix: str) -> str:
    """Return the pattern of an area without contact."""
    pen = f'class="d-hatch" stroke="{HATCHING}" {stroke(HATCH_WIDTH * 2)}'
    return (
        f'<pattern id="{prefix}-lost" width="9" height="9" patternUnits="userSpaceOnUse">'
        f"{line(0, 0, 9, 9, pen)}{line(9, 0, 0, 9, pen)}</pattern>"
    )


def step_of(band: int, count: int) -> int:
    """Return the step from 0 that band ``band`` of ``count`` has on the whole scale of colours."""
    return MOST_STEPS // 2 if count == 1 else round(band * (MOST_STEPS - 1) / (count - 1))


def fill_of(band: int, count: int) -> str:
    """Return the fill of band ``band`` of ``count``."""
    step = step_of(band, count)
    return f'class="d-step-{step + 1}" fill="{STEPS[step]}"'


def over(x: float, y: float, text: str, *, size: float = SMALL, anchor: str = "middle") -> str:
    """Draw text that keeps the lines behind it away."""
    more = f' paint-order="stroke" stroke="{PAPER}" stroke-width="4" stroke-linejoin="round"'
    return word(x, y, text, size=size, anchor=anchor, pen="serial halo", more=more)


def value_of(level: float, levels: Sequence[float]) -> str:
    """Write a value with as many places as tell the levels apart."""
    step = levels[1] - levels[0] if len(levels) > 1 else level
    places = next(p for p in range(7) if p == 6 or abs(round(step, p) - step) < 1e-3 * step)
    return f"{level:.{places}f}"


def legend(x: float, y: float, field: PressureGrid, levels: Sequence[float], lost: str) -> str:
    """Draw the swatches with words for the names used in a drawing, and say how high they are."""
    drawn = [word(x, y, "Pressure, MPa", size=BODY, pen="word strong")]
    edges = [field.least, *levels, field.greatest]
    bands = len(levels) + 1
    for band in range(bands):
        top = y + 14 + 26 * (bands - 1 - band)
        drawn.append(box(x, top, 34, 20, f"{fill_of(band, bands)} {stroke(THIN_WIDTH)}"))
        drawn.append(box(x, top, 34, 20, FINE))
        ends = [_edge(value, levels) for value in edges[band : band + 2]]
        is_one = float(ends[0]) == float(ends[1])
        range_text = ends[1] if is_one else f"{ends[0]} to {ends[1]}"
        drawn.append(word(x + 42, top + 14.5, range_text, size=SMALL, pen="serial"))
    if lost:
        top = y + 14 + 26 * bands
        drawn.append(box(x, top, 34, 20, f'fill="url(#{lost}-lost)"'))
        drawn.append(box(x, top, 34, 20, FINE))
        drawn.append(word(x + 42, top + 14.5, "no contact", size=SMALL))
    drawn.append(word(x, y + 14 + 26 * (bands + bool(lost)) + 18, "R: resultant", size=SMALL))
    return "".join(drawn)


def _edge(value: float, levels: Sequence[float]) -> str:
    return value_of(value, levels) if value in levels else f"{value:.3g}"
