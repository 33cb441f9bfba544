"""Plan of a compression plate from where one stands: nuts, order as a path, last readings."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import partial
from itertools import pairwise
from math import hypot
from typing import NamedTuple

from service.platform.arithmetic.vocabulary import End
from service.platform.drawings import svg
from service.platform.drawings.svg import n

_WIDTH, _WIDEST, _HIGHEST = 660.0, 300.0, 280.0
_NUMBER, _READING = 30.0, 26.0
"""Sizes of the letters: read at arm's length, 22 px at least where the drawing is 500 px wide."""
_ROW = 36.0
"""Height a line of them takes."""
_BESIDE = 12.0
_INSIDE = 0.6
"""How far out from the middle a corner's name stands, clear of the nuts."""
_HEXAGON = ((1.0, 0.0), (0.5, 0.866), (-0.5, 0.866), (-1.0, 0.0), (-0.5, -0.866), (0.5, -0.866))


class DrawnRod(NamedTuple):
    """A tie rod: its number and where it stands, in mm from the plate's middle, y upward."""

    number: int
    x_mm: float
    y_mm: float


class _Plan(NamedTuple):
    """From millimetres to the drawing."""

    middle_x: float
    middle_y: float
    per_mm: float

    def at(self, rod: DrawnRod) -> tuple[float, float]:
        return self.middle_x + rod.x_mm * self.per_mm, self.middle_y - rod.y_mm * self.per_mm


class _Nut(NamedTuple):
    """What is written beside a nut."""

    rod: DrawnRod
    torque_nm: float | None
    is_out: bool


def draw_rods(
    rods: Iterable[tuple[int, float, float]],
    plate_width_mm: float,
    plate_height_mm: float,
    *,
    title: str,
    readings: Mapping[int, float] | None = None,
    out_of_tolerance: Collection[int] = (),
    order: Sequence[int] = (),
    next_rod: int | None = None,
    corners: Iterable[tuple[str, float, float]] = (),
    pile_mm: tuple[float, float] | None = None,
    rod_mm: float = 8.0,
    seen_from: End = End.FIXED,
    prefix: str = "rods",
) -> str:
    """Draw the compression plate at one end seen from outside it, to scale.

    rods: (number, x, y), x and y in mm from the plate's middle, y upward, seen from outside the
    fixed end; the datum edge is where x is least.
    readings: the last torque reading of each rod in N·m.
    out_of_tolerance: numbers of rods whose reading is struck round twice.
    order: rod numbers in the order of tightening, drawn as a path.
    next_rod: the nut to be turned next, circled.
    corners: (name, x, y) of where the closed height is measured; names stand inside them.
    pile_mm: width and height of the pile behind the plate, drawn as a hidden outline.
    rod_mm: nominal diameter of the thread; nuts are drawn after ISO 4032, about 1.6 times as wide.
    seen_from: the end somebody stands at; from the free end left and right change places.
    """
    side = 1 if seen_from is End.FIXED else -1
    placed = [DrawnRod(number, side * x, y) for number, x, y in rods]
    read = readings or {}
    nuts = [_Nut(rod, read.get(rod.number), rod.number in out_of_tolerance) for rod in placed]
    rows = len({round(rod.y_mm) for rod in placed})
    highest = max(_HIGHEST, _ROW * rows * 1.2)
    per_mm = min(_WIDEST / max(plate_width_mm, 1), highest / max(plate_height_mm, 1))
    wide, high = plate_width_mm * per_mm, plate_height_mm * per_mm
    top = _ROW + 2 * _ROW * any(map(partial(_is_inner, placed), placed))
    plan = _Plan(_WIDTH / 2, top + high / 2, per_mm)
    below = top + high + top - _ROW
    radius = max(9.0, rod_mm * 0.9 * per_mm)
    by_number = {rod.number: rod for rod in placed}
    path = [plan.at(by_number[number]) for number in order if number in by_number]
    drawn = [
        _plate(plan, (wide, high), -side),
        _pile(plan, pile_mm) if pile_mm else "",
        *(_nut(*plan.at(rod), radius) for rod in placed),
        _path(path, radius),
        *(_ring(*plan.at(rod), radius) for rod in placed if rod.number == next_rod),
        *(_struck_round(*plan.at(nut.rod), radius) for nut in nuts if nut.is_out),
        *(_named(plan, nut, (wide, high), _is_inner(placed, nut.rod)) for nut in nuts),
        *(_corner(plan, name, side * x, y) for name, x, y in corners),
    ]
    y = below + 22
    drawn.append(svg.scale_bar(12, y, per_mm))
    notes = [seen_words(seen_from)]
    if order:
        notes.append("Arrows: tightening order, from the dot.")
    if next_rod in by_number:
        notes.append("Next nut is circled.")
    if read:
        notes.append("Readings in N·m.")
    if out_of_tolerance:
        notes.append("Struck round twice: out of tolerance.")
    drawn += [
        svg.word(205, y + 8 + 24 * line_index, note, size=17, pen="soft")
        for line_index, note in enumerate(notes)
    ]
    return svg.sheet(
        _WIDTH,
        y + 24 * max(len(notes), 2),
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=_description(placed, read, out_of_tolerance, order, notes[0]),
        kind="rods",
        role="img",
    )


def seen_words(seen_from: End) -> str:
    """Say from where a plate is seen, and on which side its datum edge then is."""
    edge = "left" if seen_from is End.FIXED else "right"
    return f"Seen from outside the {seen_from}; datum edge at {edge}."


def _is_inner(rods: Sequence[DrawnRod], rod: DrawnRod) -> bool:
    """Whether a rod stands between others of its row, so that its sides are taken."""
    return abs(rod.x_mm) < 0.9 * max(
        abs(neighbour.x_mm) for neighbour in rods if (neighbour.x_mm < 0) == (rod.x_mm < 0)
    ) or (abs(rod.x_mm) < 1 and len(rods) > 1)


def _plate(plan: _Plan, size: tuple[float, float], datum: int) -> str:
    """The plate with its centre lines; its datum edge thick, at the left (-1) or right (1)."""
    x, y, (wide, high) = plan.middle_x, plan.middle_y, size
    left, top = x - wide / 2, y - high / 2
    corner = 6 * plan.per_mm
    edge = x + datum * wide / 2
    thick = f'class="d-ink datum" stroke="{svg.INK}" stroke-width="6"'
    return (
        f'<rect class="d-paper d-ink" fill="{svg.PAPER}" stroke="{svg.INK}" stroke-width="1.6" '
        f'x="{n(left)}" y="{n(top)}" width="{n(wide)}" height="{n(high)}" rx="{n(corner)}"/>'
        + svg.line(edge, top + corner, edge, top + high - corner, thick)
        + svg.line(left - 8, y, left + wide + 8, y, svg.CENTRE_LINE)
        + svg.line(x, top - 8, x, top + high + 8, svg.CENTRE_LINE)
    )


def _path(points: Sequence[tuple[float, float]], radius: float) -> str:
    """The order from nut to nut: a dot at the first, an arrowhead on each way to the next."""
    if len(points) < 2:
        return ""
    pen = f'class="d-thin order" stroke="{svg.LINE}" stroke-width="2" fill="none"'
    way = "L".join(f"{n(x)} {n(y)}" for x, y in points)
    heads = ""
    for (x, y), (to_x, to_y) in pairwise(points):
        length = hypot(to_x - x, to_y - y)
        if not length:
            continue
        along_x, along_y = (to_x - x) / length, (to_y - y) / length
        # off the middle: where two ways cross there, both arrowheads are seen
        tip_x, tip_y = x + 0.64 * (to_x - x), y + 0.64 * (to_y - y)
        base_x, base_y = tip_x - 14 * along_x, tip_y - 14 * along_y
        heads += (
            f"M{n(tip_x)} {n(tip_y)}L{n(base_x - 5 * along_y)} {n(base_y + 5 * along_x)}"
            f"L{n(base_x + 5 * along_y)} {n(base_y - 5 * along_x)}z"
        )
    first_x, first_y = points[0]
    return (
        f'<path {pen} d="M{way}"/><path class="d-solid" fill="{svg.INK}" d="{heads}"/>'
        f'<circle class="d-solid" fill="{svg.INK}" cx="{n(first_x)}" cy="{n(first_y)}" '
        f'r="{n(radius * 0.4)}"/>'
    )


def _pile(plan: _Plan, size: tuple[float, float]) -> str:
    wide, high = size[0] * plan.per_mm, size[1] * plan.per_mm
    hidden = f'{svg.FINE} fill="none" stroke-dasharray="6 3"'
    return svg.box(plan.middle_x - wide / 2, plan.middle_y - high / 2, wide, high, hidden)


def _nut(x: float, y: float, radius: float) -> str:
    """A hexagon nut from above with its chamfer and the rod's end; its centre lines."""
    points = " ".join(f"{n(x + radius * dx)},{n(y + radius * dy)}" for dx, dy in _HEXAGON)
    pen = f'{svg.ON_PAPER} stroke-width="{svg.THIN_WIDTH * 1.8:.2f}"'
    reach = radius + 7
    return (
        f'<polygon points="{points}" {pen}/>'
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius * 0.84)}" {svg.FINE}/>'
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius * 0.52)}" {svg.OUTLINE}/>'
        + svg.line(x - reach, y, x + reach, y, svg.THIN)
        + svg.line(x, y - reach, x, y + reach, svg.THIN)
    )


def _ring(x: float, y: float, radius: float) -> str:
    """The circle round the next nut."""
    pen = f'class="d-act next" stroke="{svg.ACT}" stroke-width="5"'
    return f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius + 9)}" {pen}/>'


def _struck_round(x: float, y: float, radius: float) -> str:
    return "".join(
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius + more)}" {svg.ATTENTION}/>'
        for more in (4, 8)
    )


def _named(plan: _Plan, nut: _Nut, plate: tuple[float, float], is_inner: bool) -> str:
    """Off the plate's edge beside the nut: its number, further out its last reading."""
    x, y = plan.at(nut.rod)
    pen = "d-act-solid strong" if nut.is_out else "word"
    reading = "" if nut.torque_nm is None else f"{nut.torque_nm:.1f}"
    if is_inner:
        up = nut.rod.y_mm >= 0
        edge = plan.middle_y + (-plate[1] / 2 - _BESIDE if up else plate[1] / 2 + _ROW)
        at, further, anchor = (x, edge), (x, edge + (-_ROW if up else _ROW)), "middle"
    else:
        out = 1 if nut.rod.x_mm > 0 else -1
        edge = plan.middle_x + out * (plate[0] / 2 + _BESIDE)
        beyond = out * (_BESIDE + 0.62 * _NUMBER * len(str(nut.rod.number)))
        at, further = (edge, y + 10), (edge + beyond, y + 10)
        anchor = "start" if out > 0 else "end"
    drawn = _over(at, str(nut.rod.number), _NUMBER, anchor, "word strong")
    return drawn + (_over(further, reading, _READING, anchor, pen) if reading else "")


def _corner(plan: _Plan, name: str, x_mm: float, y_mm: float) -> str:
    x = plan.middle_x + _INSIDE * x_mm * plan.per_mm
    y = plan.middle_y - _INSIDE * y_mm * plan.per_mm + _NUMBER / 3
    return _over((x, y), name, _NUMBER, "middle", "word strong")


def _over(place: tuple[float, float], text: str, size: float, anchor: str, pen: str) -> str:
    """Text that keeps the lines behind it away."""
    more = f' paint-order="stroke" stroke="{svg.PAPER}" stroke-width="4" stroke-linejoin="round"'
    return svg.word(*place, text, size=size, anchor=anchor, pen=f"{pen} halo", more=more)


def _description(
    rods: Sequence[DrawnRod],
    readings: Mapping[int, float],
    out_of_tolerance: Collection[int],
    order: Sequence[int],
    view: str,
) -> str:
    readings_text = ", ".join(
        f"rod {rod.number} {readings[rod.number]:.1f} N·m"
        + (" out of tolerance" if rod.number in out_of_tolerance else "")
        for rod in rods
        if rod.number in readings
    )
    in_order = f" Tightening order: {', '.join(map(str, order))}." if order else ""
    return f"Plan of the compression plate with {len(rods)} tie rods. {view}{in_order}" + (
        f" Last readings: {readings_text}." if readings_text else " No readings yet."
    )
