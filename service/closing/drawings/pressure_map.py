"""Pressure over the active area as isobars under the plan of the rods; lost contact is hatched."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor, hypot, log10
from typing import NamedTuple

from service.closing.drawings.rods import seen_words
from service.platform.arithmetic.vocabulary import End
from service.platform.drawings import svg
from service.platform.drawings.svg import n

# Lines of equal value over a field that is known at the points of a grid.
#
# Between grid points the field is taken to be straight along the edges. Source: marching squares.


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


def round_levels(
    least: float, greatest: float, most: int = MOST_STEPS, apart: float = 0.0
) -> tuple[float, ...]:
    """Round values that part the range into ``most`` steps at the utmost; none in a level field.

    ``apart``: what two values must differ by to be told apart.

    >>> round_levels(0.81, 1.17)
    (0.9, 1.0, 1.1)
    >>> round_levels(0.81, 1.17, apart=0.15), round_levels(0.81, 1.17, apart=0.4)
    ((1.0,), ())
    """
    spread = greatest - least
    if greatest <= 0 or spread < max(0.005 * greatest, apart):
        return ()
    ten = 10.0 ** floor(log10(max(spread / most, apart)))
    step = next(
        ten * times
        for times in (1, 2, 2.5, 5, 10, 20)
        if ten * times >= apart and len(_between(least, greatest, ten * times)) < most
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
            _crossing(corner, neighbour, level)
            for corner, neighbour in zip(square, (*square[1:], square[0]), strict=True)
            if (corner.value < level) != (neighbour.value < level)
        ]
        pieces += list(zip(crossings[::2], crossings[1::2], strict=True))
    return pieces


def _clipped(square: tuple[Point, ...], level: float) -> list[Point]:
    inside: list[Point] = []
    for corner, neighbour in zip(square, (*square[1:], square[0]), strict=True):
        if corner.value >= level:
            inside.append(corner)
        if (corner.value < level) != (neighbour.value < level):
            inside.append(_crossing(corner, neighbour, level))
    return inside


def _crossing(point: Point, neighbour: Point, level: float) -> Point:
    share = (level - point.value) / (neighbour.value - point.value)
    return Point(
        point.x + share * (neighbour.x - point.x), point.y + share * (neighbour.y - point.y), level
    )


STEPS = ("#eaf1f7", "#cfdff0", "#afcae4", "#8db3d6", "#6a9ac6", "#4a80b2", "#316799")
"""Least to greatest pressure on the light sheet; the dark sheet's are in drawing.css."""


def stroke(width: float) -> str:
    """Return the width of a line."""
    return f'stroke-width="{width}"'


def crossed(prefix: str) -> str:
    """Return the pattern of an area without contact."""
    pen = f'class="d-hatch" stroke="{svg.HATCHING}" {stroke(svg.HATCH_WIDTH * 2)}'
    return (
        f'<pattern id="{prefix}-lost" width="9" height="9" patternUnits="userSpaceOnUse">'
        f"{svg.line(0, 0, 9, 9, pen)}{svg.line(9, 0, 0, 9, pen)}</pattern>"
    )


def step_of(band: int, count: int) -> int:
    """Return the step from 0 that band ``band`` of ``count`` has on the whole scale of colours."""
    return MOST_STEPS // 2 if count == 1 else round(band * (MOST_STEPS - 1) / (count - 1))


def fill_of(band: int, count: int) -> str:
    """Return the fill of band ``band`` of ``count``."""
    step = step_of(band, count)
    return f'class="d-step-{step + 1}" fill="{STEPS[step]}"'


def over(x: float, y: float, text: str, *, size: float = svg.SMALL, anchor: str = "middle") -> str:
    """Draw text that keeps the lines behind it away."""
    more = f' paint-order="stroke" stroke="{svg.PAPER}" stroke-width="4" stroke-linejoin="round"'
    return svg.word(x, y, text, size=size, anchor=anchor, pen="serial halo", more=more)


def value_of(level: float, levels: Sequence[float]) -> str:
    """Write a value with as many places as tell the levels apart."""
    return f"{level:.{_places(levels)}f}"


def _places(levels: Sequence[float]) -> int:
    step = levels[1] - levels[0] if len(levels) > 1 else levels[0]
    return next(p for p in range(7) if p == 6 or abs(round(step, p) - step) < 1e-3 * step)


def legend(x: float, y: float, field: PressureGrid, levels: Sequence[float], lost: str) -> str:
    """Draw the colour of each band with its pressures, and the marks of the map in words."""
    drawn = [svg.word(x, y, "Pressure, MPa", size=svg.BODY, pen="word strong")]
    edges = _edges((field.least, *levels, field.greatest), levels)
    bands = len(levels) + 1
    for band in range(bands):
        top = y + 14 + 26 * (bands - 1 - band)
        drawn.append(svg.box(x, top, 34, 20, f"{fill_of(band, bands)} {stroke(svg.THIN_WIDTH)}"))
        drawn.append(svg.box(x, top, 34, 20, svg.FINE))
        low, high = edges[band : band + 2]
        range_text = high if low == high else f"{low} to {high}"
        drawn.append(svg.word(x + 42, top + 14.5, range_text, size=svg.SMALL, pen="serial"))
    if lost:
        top = y + 14 + 26 * bands
        drawn.append(svg.box(x, top, 34, 20, f'fill="url(#{lost}-lost)"'))
        drawn.append(svg.box(x, top, 34, 20, svg.FINE))
        drawn.append(svg.word(x + 42, top + 14.5, "no contact", size=svg.SMALL))
    drawn.append(
        svg.word(x, y + 14 + 26 * (bands + bool(lost)) + 18, "R: resultant", size=svg.SMALL)
    )
    return "".join(drawn)


def _edges(values: Sequence[float], levels: Sequence[float]) -> list[str]:
    """The ends of the bands with as many places as tell each from the next, six at most."""
    if not levels:
        return [f"{value:.3g}" for value in values]
    places = _places(levels)
    while places < 6 and any(f"{a:.{places}f}" == f"{b:.{places}f}" for a, b in pairwise(values)):
        places += 1
    return [f"{value:.{places}f}" for value in values]


# The rods and the resultant on a map of pressure, and its scale from mm to the drawing.


_NUT, _NEAR_EDGE = 12.0, 60.0


class LoadedRod(NamedTuple):
    """A rod, its place in mm from the middle, y upward, its load and standard uncertainty, N."""

    number: int
    x_mm: float
    y_mm: float
    load_n: float
    u: float


class Plan(NamedTuple):
    """From millimetres to the drawing, y upward."""

    middle_x: float
    middle_y: float
    per_mm: float

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return self.middle_x + x_mm * self.per_mm, self.middle_y - y_mm * self.per_mm

    def outline(self, size: tuple[float, float], pen: str) -> str:
        left, top = self.at(-size[0] / 2, size[1] / 2)
        return svg.box(left, top, size[0] * self.per_mm, size[1] * self.per_mm, pen)


def nut(
    plan: Plan, rod: LoadedRod, area_mm: tuple[float, float], plate_mm: tuple[float, float]
) -> str:
    """Draw a ring with the rod's number, its load away from the active area."""
    x, y = plan.at(rod.x_mm, rod.y_mm)
    pen = f"{svg.ON_PAPER} {stroke(svg.OUTLINE_WIDTH)}"
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(_NUT)}" {pen}/>'
    number = svg.word(
        x, y + 4.5, str(rod.number), size=svg.BODY, anchor="middle", pen="word strong"
    )
    if abs(rod.y_mm) > area_mm[1] / 2:
        away = _off_edge((plate_mm[1] / 2 - abs(rod.y_mm)) * plan.per_mm)
        label = over(x, y - away - 8 if rod.y_mm > 0 else y + away + 18, load_of(rod))
    else:
        away = _off_edge((plate_mm[0] / 2 - abs(rod.x_mm)) * plan.per_mm) + 7
        right = rod.x_mm > 0
        number_x = x + away if right else x - away
        label = over(number_x, y + 4.5, load_of(rod), anchor="start" if right else "end")
    return ring + number + label


def _off_edge(to_edge: float) -> float:
    """How far from a nut its load stands: beyond the plate's edge, where that is near."""
    return max(_NUT, to_edge) if to_edge < _NEAR_EDGE else _NUT


def load_of(rod: LoadedRod) -> str:
    """Return the load in kN with its uncertainty (k = 2)."""
    if not rod.u:
        return f"{rod.load_n / 1e3:.2f}\u2009kN"
    return f"{rod.load_n / 1e3:.1f} ± {2 * rod.u / 1e3:.1f}\u2009kN"


def resultant(plan: Plan, place: tuple[float, float]) -> str:
    """Draw a cross in a ring where the sum of the loads acts."""
    x, y = plan.at(*place)
    arm = 9.0
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="5.5" {svg.ON_PAPER} {stroke(svg.OUTLINE_WIDTH)}/>'
    crossed = svg.line(x - arm, y, x + arm, y, svg.OUTLINE) + svg.line(
        x, y - arm, x, y + arm, svg.OUTLINE
    )
    return ring + crossed + over(x + 13, y - 9, "R", size=svg.BODY, anchor="start")


_WIDEST, _HIGHEST = 460.0, 380.0
_BESIDE, _ABOVE, _LEGEND = 150.0, 52.0, 240.0
"""Beside the plate stand loads as wide as “12.0 ± 0.2 kN” in the large letters of the bench."""
_SHORT = 60.0
"""An isobar shorter than that carries no value of its own."""


def draw_pressure_map(
    *,
    plate_mm: tuple[float, float],
    area_mm: tuple[float, float],
    rods: Sequence[tuple[int, float, float, float, float]],
    xs_mm: Sequence[float],
    ys_mm: Sequence[float],
    pressures_mpa: Sequence[Sequence[float]],
    title: str,
    resultant_mm: tuple[float, float] | None = None,
    lost_share: float = 0.0,
    known_to_mpa: float = 0.0,
    seen_from: End = End.FIXED,
    prefix: str = "pressure",
) -> str:
    """Draw the pressure on the active area, seen from outside one end, to scale.

    plate_mm, area_mm: width and height of compression plate and active area, about one middle.
    rods: (number, x, y, load in N, its standard uncertainty in N); x, y in mm from the middle.
    xs_mm, ys_mm: where the pressures are known, growing; pressures_mpa: one row for each y.
    resultant_mm: where the sum of the rods' loads acts.
    lost_share: share of the active area that carries nothing, cross-hatched.
    known_to_mpa: what two pressures must differ by to be told apart; isobars stand no closer.
    seen_from: the end somebody stands at; from the free end left and right change places.
    prefix: begins every id, so that several maps can stand on one page.
    """
    if seen_from is End.FREE:
        rods = [(number, -x, y, load, u) for number, x, y, load, u in rods]
        xs_mm = [-x for x in reversed(xs_mm)]
        pressures_mpa = [row[::-1] for row in pressures_mpa]
        resultant_mm = resultant_mm and (-resultant_mm[0], resultant_mm[1])
    placed = [LoadedRod(*rod) for rod in rods]
    reach = _reach(plate_mm, placed)
    per_mm = min(_WIDEST / max(reach[0], 1), _HIGHEST / max(reach[1], 1))
    wide, high = reach[0] * per_mm, reach[1] * per_mm
    plan = Plan(_BESIDE + wide / 2, _ABOVE + high / 2, per_mm)
    grid = PressureGrid(tuple(xs_mm), tuple(ys_mm), tuple(tuple(row) for row in pressures_mpa))
    field = out_to(grid, area_mm[0] / 2, area_mm[1] / 2)
    levels = round_levels(field.least, field.greatest, apart=known_to_mpa)
    lost = lost_share > 0
    legend_at = _BESIDE + wide + _BESIDE
    y = max(_ABOVE + high + _ABOVE, _ABOVE + 34.0 + 26 * (len(levels) + 3))
    drawn = [
        f"<defs>{crossed(prefix)}</defs>",
        plan.outline(plate_mm, f"{svg.ON_PAPER} {stroke(svg.OUTLINE_WIDTH)}"),
        plan.outline(area_mm, f'fill="url(#{prefix}-lost)"'),
        *_field(plan, field, levels),
        plan.outline(area_mm, svg.FINE),
        *_centre_lines(plan, reach),
        *_isobar_values(plan, field, levels, resultant_mm),
        *(nut(plan, rod, area_mm, plate_mm) for rod in placed),
        resultant(plan, resultant_mm) if resultant_mm else "",
        legend(legend_at, _ABOVE, field, levels, prefix if lost else ""),
        svg.scale_bar(_BESIDE, y, per_mm),
        svg.word(_BESIDE + 220, y + 5, seen_words(seen_from), size=svg.SMALL, pen="soft"),
    ]
    return svg.sheet(
        legend_at + _LEGEND,
        y + 30,
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=_description(placed, field, resultant_mm, lost_share),
        kind="map small",
        role="img",
    )


def _reach(plate_mm: tuple[float, float], rods: Sequence[LoadedRod]) -> tuple[float, float]:
    """Width and height of what has to be seen: the plate, and rods that stand off it."""
    return (
        max(plate_mm[0], *(2 * abs(rod.x_mm) for rod in rods), 1.0),
        max(plate_mm[1], *(2 * abs(rod.y_mm) for rod in rods), 1.0),
    )


def _field(plan: Plan, field: PressureGrid, levels: Sequence[float]) -> list[str]:
    """One shape a band, each over the one before it, and the isobars between them."""
    bears = min(1e-6 * field.greatest, field.greatest)
    drawn = []
    for band, level in enumerate((bears, *levels)):
        shape = "".join(
            "M" + "L".join(_place(plan, point) for point in polygon) + "z"
            for polygon in at_or_above(field, level)
        )
        if shape:
            drawn.append(f'<path {fill_of(band, len(levels) + 1)} d="{shape}"/>')
    for level in (*([bears] if field.least < bears else []), *levels):
        pieces = "".join(
            f"M{_place(plan, piece)}L{_place(plan, end)}" for piece, end in isobar(field, level)
        )
        drawn.append(
            f'<path class="d-ink" stroke="{svg.INK}" {stroke(svg.THIN_WIDTH)} d="{pieces}"/>'
        )
    return drawn


def _place(plan: Plan, point: Point) -> str:
    x, y = plan.at(point.x, point.y)
    return f"{x:.1f} {y:.1f}"


def _isobar_values(
    plan: Plan, field: PressureGrid, levels: Sequence[float], resultant: tuple[float, float] | None
) -> list[str]:
    """Each value on the middle of its line, where it meets no other; the legend has them all."""
    labels = [plan.at(*resultant)] if resultant else []
    drawn = []
    for level in levels:
        pieces = isobar(field, level)
        if _length(pieces) * plan.per_mm < _SHORT:
            continue
        x, y = plan.at(*_middle(pieces))
        if all(abs(x - label_x) > 38 or abs(y - place) > 16 for label_x, place in labels):
            drawn.append(over(x, y + 4, value_of(level, levels)))
            labels.append((x, y))
    return drawn


def _length(pieces: Sequence[tuple[Point, Point]]) -> float:
    return sum(hypot(piece.x - end.x, piece.y - end.y) for piece, end in pieces)


def _middle(pieces: Sequence[tuple[Point, Point]]) -> tuple[float, float]:
    """The middle of the piece that is nearest to the middle of all."""
    middles = [((piece.x + end.x) / 2, (piece.y + end.y) / 2) for piece, end in pieces]
    x = sum(middle[0] for middle in middles) / len(middles)
    y = sum(middle[1] for middle in middles) / len(middles)
    return min(middles, key=lambda middle: (middle[0] - x) ** 2 + (middle[1] - y) ** 2)


def _centre_lines(plan: Plan, reach: tuple[float, float]) -> list[str]:
    left, top = plan.at(-reach[0] / 2, reach[1] / 2)
    right, bottom = plan.at(reach[0] / 2, -reach[1] / 2)
    return [
        svg.line(left - 12, plan.middle_y, right + 12, plan.middle_y, svg.CENTRE_LINE),
        svg.line(plan.middle_x, top - 12, plan.middle_x, bottom + 12, svg.CENTRE_LINE),
    ]


def _description(
    rods: Sequence[LoadedRod],
    field: PressureGrid,
    resultant: tuple[float, float] | None,
    lost: float,
) -> str:
    loads = ", ".join(f"rod {rod.number} {load_of(rod)}" for rod in rods)
    sentence = (
        f"Pressure on the active area from {field.least:.3g} to {field.greatest:.3g} MPa"
        f" under {len(rods)} rods: {loads}."
    )
    if resultant:
        x, y = resultant
        sentence += (
            f" The resultant acts {abs(x):.1f} mm {'left' if x < 0 else 'right'} of the middle"
        )
        sentence += f" and {abs(y):.1f} mm {'below' if y < 0 else 'above'} it."
    return sentence + (f" {100 * lost:.0f} % of the area has no contact." if lost else "")
