"""Pressure over the active area as isobars under the plan of the rods; lost contact is hatched."""

from collections.abc import Sequence
from math import hypot
from typing import NamedTuple

from service.closing.drawings.isobars import (
    Point,
    PressureGrid,
    at_or_above,
    crossed,
    fill_of,
    isobar,
    legend,
    out_to,
    over,
    round_levels,
    stroke,
    value_of,
)
from service.platform.drawings.svg import (
    BODY,
    CENTRE_LINE,
    FINE,
    INK,
    ON_PAPER,
    OUTLINE,
    OUTLINE_WIDTH,
    SMALL,
    THIN_WIDTH,
    box,
    line,
    n,
    scale_bar,
    sheet,
    word,
)

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
        return box(left, top, size[0] * self.per_mm, size[1] * self.per_mm, pen)


def nut(
    plan: Plan, rod: LoadedRod, area_mm: tuple[float, float], plate_mm: tuple[float, float]
) -> str:
    """Draw a ring with the rod's number, its load away from the active area."""
    x, y = plan.at(rod.x_mm, rod.y_mm)
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(_NUT)}" {ON_PAPER} {stroke(OUTLINE_WIDTH)}/>'
    number = word(x, y + 4.5, str(rod.number), size=BODY, anchor="middle", pen="word strong")
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
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="5.5" {ON_PAPER} {stroke(OUTLINE_WIDTH)}/>'
    crossed = line(x - arm, y, x + arm, y, OUTLINE) + line(x, y - arm, x, y + arm, OUTLINE)
    return ring + crossed + over(x + 13, y - 9, "R", size=BODY, anchor="start")


_WIDEST, _HIGHEST = 460.0, 380.0
_BESIDE, _ABOVE, _LEGEND = 150.0, 52.0, 180.0
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
    prefix: str = "pressure",
) -> str:
    """Draw the pressure on the active area, seen from outside the fixed end, to scale.

    plate_mm, area_mm: width and height of compression plate and active area, about one middle.
    rods: (number, x, y, load in N, its standard uncertainty in N); x, y in mm from the middle.
    xs_mm, ys_mm: where the pressures are known, growing; pressures_mpa: one row for each y.
    resultant_mm: where the sum of the rods' loads acts.
    lost_share: share of the active area that carries nothing, cross-hatched.
    prefix: begins every id, so that several maps can stand on one page.
    """
    placed = [LoadedRod(*rod) for rod in rods]
    reach = _reach(plate_mm, placed)
    per_mm = min(_WIDEST / max(reach[0], 1), _HIGHEST / max(reach[1], 1))
    wide, high = reach[0] * per_mm, reach[1] * per_mm
    plan = Plan(_BESIDE + wide / 2, _ABOVE + high / 2, per_mm)
    known = PressureGrid(tuple(xs_mm), tuple(ys_mm), tuple(tuple(row) for row in pressures_mpa))
    field = out_to(known, area_mm[0] / 2, area_mm[1] / 2)
    levels = round_levels(field.least, field.greatest)
    lost = lost_share > 0
    legend_at = _BESIDE + wide + _BESIDE
    y = max(_ABOVE + high + _ABOVE, _ABOVE + 34.0 + 26 * (len(levels) + 3))
    drawn = [
        f"<defs>{crossed(prefix)}</defs>",
        plan.outline(plate_mm, f"{ON_PAPER} {stroke(OUTLINE_WIDTH)}"),
        plan.outline(area_mm, f'fill="url(#{prefix}-lost)"'),
        *_field(plan, field, levels),
        plan.outline(area_mm, FINE),
        *_centre_lines(plan, reach),
        *_isobar_values(plan, field, levels, resultant_mm),
        *(nut(plan, rod, area_mm, plate_mm) for rod in placed),
        resultant(plan, resultant_mm) if resultant_mm else "",
        legend(legend_at, _ABOVE, field, levels, prefix if lost else ""),
        scale_bar(_BESIDE, y, per_mm),
        word(_BESIDE + 220, y + 5, "Seen from outside the fixed end.", size=SMALL, pen="soft"),
    ]
    return sheet(
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
            f"M{_place(plan, piece)}L{_place(plan, other)}" for piece, other in isobar(field, level)
        )
        drawn.append(f'<path class="d-ink" stroke="{INK}" {stroke(THIN_WIDTH)} d="{pieces}"/>')
    return drawn


def _place(plan: Plan, point: Point) -> str:
    x, y = plan.at(point.x, point.y)
    return f"{x:.1f} {y:.1f}"


def _isobar_values(
    plan: Plan, field: PressureGrid, levels: Sequence[float], resultant: tuple[float, float] | None
) -> list[str]:
    """Each value on the middle of its line, where it meets no other; the legend has them all."""
    taken = [plan.at(*resultant)] if resultant else []
    drawn = []
    for level in levels:
        pieces = isobar(field, level)
        if _length(pieces) * plan.per_mm < _SHORT:
            continue
        x, y = plan.at(*_middle(pieces))
        if all(abs(x - there) > 38 or abs(y - place) > 16 for there, place in taken):
            drawn.append(over(x, y + 4, value_of(level, levels)))
            taken.append((x, y))
    return drawn


def _length(pieces: Sequence[tuple[Point, Point]]) -> float:
    return sum(hypot(piece.x - other.x, piece.y - other.y) for piece, other in pieces)


def _middle(pieces: Sequence[tuple[Point, Point]]) -> tuple[float, float]:
    """The middle of the piece that is nearest to the middle of all."""
    middles = [((piece.x + other.x) / 2, (piece.y + other.y) / 2) for piece, other in pieces]
    x = sum(middle[0] for middle in middles) / len(middles)
    y = sum(middle[1] for middle in middles) / len(middles)
    return min(middles, key=lambda middle: (middle[0] - x) ** 2 + (middle[1] - y) ** 2)


def _centre_lines(plan: Plan, reach: tuple[float, float]) -> list[str]:
    left, top = plan.at(-reach[0] / 2, reach[1] / 2)
    right, bottom = plan.at(reach[0] / 2, -reach[1] / 2)
    return [
        line(left - 12, plan.middle_y, right + 12, plan.middle_y, CENTRE_LINE),
        line(plan.middle_x, top - 12, plan.middle_x, bottom + 12, CENTRE_LINE),
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
