"""Plan view of the compression plate: nuts to scale with number, order and last reading."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from service.platform.drawings import svg
from service.platform.drawings.svg import n

_MARGIN = 96.0
_WIDEST, _HIGHEST = 520.0, 420.0
_BESIDE, _TWO_LINES = 90.0, 24.0
"""room taken by what is written beside a nut"""
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
    turn: int | None
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
    pile_mm: tuple[float, float] | None = None,
    rod_mm: float = 8.0,
    prefix: str = "rods",
) -> str:
    """Draw the compression plate at the fixed end seen from outside, to scale.

    rods: (number, x, y), x and y in mm from the plate's middle, y upward.
    readings: the last torque reading of each rod in N·m.
    out_of_tolerance: numbers of rods whose reading is struck round twice.
    order: rod numbers in the order of tightening; each nut tells its turn.
    next_rod: the nut to be turned next, set off.
    pile_mm: width and height of the pile behind the plate, drawn as a hidden outline.
    rod_mm: nominal diameter of the thread; nuts are drawn after ISO 4032, about 1.6 times as wide.
    """
    placed = [DrawnRod(*rod) for rod in rods]
    per_mm = min(_WIDEST / max(plate_width_mm, 1), _HIGHEST / max(plate_height_mm, 1))
    wide, high = plate_width_mm * per_mm, plate_height_mm * per_mm
    width, left, top = max(wide + 2 * _MARGIN, 420.0), 0.0, 58.0
    left = (width - wide) / 2
    plan = _Plan(width / 2, top + high / 2, per_mm)
    read = readings or {}
    turns = {number: turn for turn, number in enumerate(order, 1)}
    nuts = [
        _Nut(rod, turns.get(rod.number), read.get(rod.number), rod.number in out_of_tolerance)
        for rod in placed
    ]
    radius = max(9.0, rod_mm * 0.9 * per_mm)
    drawn = [
        _plate(plan, left, top, wide, high),
        _pile(plan, pile_mm) if pile_mm else "",
        *(_nut(*plan.at(rod), radius, rod.number == next_rod) for rod in placed),
        *(_struck_round(*plan.at(nut.rod), radius) for nut in nuts if nut.is_out),
        *(
            (_named_beneath if _is_crowded(plan, radius, nut.rod, placed) else _named)(
                plan, radius, nut
            )
            for nut in nuts
        ),
    ]
    y = top + high + 34
    drawn.append(svg.scale_bar(left, y, per_mm))
    notes = ["Seen from outside the fixed end."]
    if order:
        notes.append("Small figure: turn in the tightening order.")
    if out_of_tolerance:
        notes.append("Struck round twice: out of tolerance.")
    drawn += [
        svg.word(left, y + 42 + 17 * line_index, note, size=svg.SMALL, pen="soft")
        for line_index, note in enumerate(notes)
    ]
    return svg.sheet(
        width,
        y + 42 + 17 * len(notes),
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=_description(placed, read, out_of_tolerance),
        kind="rods small",
        role="img",
    )


def _plate(plan: _Plan, left: float, top: float, wide: float, high: float) -> str:
    x, y = plan.middle_x, plan.middle_y
    corner = 6 * plan.per_mm
    return (
        f'<rect class="d-paper d-ink" fill="{svg.PAPER}" stroke="{svg.INK}" stroke-width="1.6" '
        f'x="{n(left)}" y="{n(top)}" width="{n(wide)}" height="{n(high)}" rx="{n(corner)}"/>'
        + svg.line(left - 14, y, left + wide + 14, y, svg.CENTRE_LINE)
        + svg.line(x, top - 14, x, top + high + 14, svg.CENTRE_LINE)
        + svg.word(left, top - 24, "fixed end", size=svg.LARGE, pen="word strong")
    )


def _pile(plan: _Plan, size: tuple[float, float]) -> str:
    wide, high = size[0] * plan.per_mm, size[1] * plan.per_mm
    hidden = f'{svg.FINE} fill="none" stroke-dasharray="6 3"'
    return svg.box(plan.middle_x - wide / 2, plan.middle_y - high / 2, wide, high, hidden)


def _nut(x: float, y: float, radius: float, is_next: bool) -> str:
    """A hexagon nut from above with its chamfer and the rod's end; its centre lines."""
    points = " ".join(f"{n(x + radius * dx)},{n(y + radius * dy)}" for dx, dy in _HEXAGON)
    pen = f'{svg.ON_PAPER} stroke-width="{svg.THIN_WIDTH * 1.8:.2f}"'
    set_off = (
        f'class="d-act" {svg.ATTENTION[svg.ATTENTION.index("stroke") :]} stroke-dasharray="5 3"'
    )
    reach = radius + 7
    return (
        f'<polygon points="{points}" {pen}/>'
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius * 0.84)}" {svg.FINE}/>'
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius * 0.52)}" {svg.OUTLINE}/>'
        + svg.line(x - reach, y, x + reach, y, svg.THIN)
        + svg.line(x, y - reach, x, y + reach, svg.THIN)
        + (f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius + 12)}" {set_off}/>' if is_next else "")
    )


def _struck_round(x: float, y: float, radius: float) -> str:
    return "".join(
        f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(radius + more)}" {svg.ATTENTION}/>'
        for more in (4, 8)
    )


def _named(plan: _Plan, radius: float, nut: _Nut) -> str:
    """Beside the nut, toward the middle: number, turn, and under them the last reading."""
    x, y = plan.at(nut.rod)
    inward = 1 if nut.rod.x_mm <= 0 else -1
    anchor = "start" if inward > 0 else "end"
    near = x + inward * (radius + 14)
    up = 5.5 if nut.torque_nm is None else -3.0
    drawn = _over((near, y + up), str(nut.rod.number), svg.LARGE, anchor, "word strong")
    if nut.turn:
        far = near + inward * (8 + 10 * len(str(nut.rod.number)))
        drawn += _over((far, y + up), f"turn {nut.turn}", svg.SMALL, anchor, "soft")
    if nut.torque_nm is not None:
        pen = "d-act-solid serial strong" if nut.is_out else "serial"
        drawn += _over((near, y + 15), f"{nut.torque_nm:.1f}\u2009N·m", svg.BODY, anchor, pen)
    return drawn


def _is_crowded(plan: _Plan, radius: float, rod: DrawnRod, rods: Sequence[DrawnRod]) -> bool:
    """Whether what is written beside this nut would meet another nut or what stands beside it."""
    x, y = plan.at(rod)
    for other in rods:
        other_x, other_y = plan.at(other)
        # Two that write toward each other: the inner one gives way, both where they stand alike.
        faces = (rod.x_mm <= 0) != (other.x_mm <= 0) and abs(rod.x_mm) <= abs(other.x_mm)
        room = 2 * (_BESIDE + radius) if faces else _BESIDE + 2 * radius
        inward = (other_x - x) * (1 if rod.x_mm <= 0 else -1)
        if 0 < inward < room and abs(other_y - y) < 2 * radius + _TWO_LINES:
            return True
    return False


def _named_beneath(plan: _Plan, radius: float, nut: _Nut) -> str:
    """The same as `_named`, above or below the nut toward the middle, where the sides are full."""
    x, y = plan.at(nut.rod)
    down = nut.rod.y_mm > 0
    near = y + radius + 24 if down else y - radius - (16 if nut.torque_nm is None else 34)
    half = 4 + 5 * len(str(nut.rod.number))
    left = x - half if nut.turn else x
    anchor = "end" if nut.turn else "middle"
    drawn = _over((left, near), str(nut.rod.number), svg.LARGE, anchor, "word strong")
    if nut.turn:
        drawn += _over((left + 8, near), f"turn {nut.turn}", svg.SMALL, "start", "soft")
    if nut.torque_nm is not None:
        pen = "d-act-solid serial strong" if nut.is_out else "serial"
        drawn += _over((x, near + 18), f"{nut.torque_nm:.1f}\u2009N·m", svg.BODY, "middle", pen)
    return drawn


def _over(place: tuple[float, float], text: str, size: float, anchor: str, pen: str) -> str:
    """Text that keeps the lines behind it away."""
    more = f' paint-order="stroke" stroke="{svg.PAPER}" stroke-width="4" stroke-linejoin="round"'
    return svg.word(*place, text, size=size, anchor=anchor, pen=f"{pen} halo", more=more)


def _description(
    rods: Sequence[DrawnRod], readings: Mapping[int, float], out_of_tolerance: Collection[int]
) -> str:
    readings_text = ", ".join(
        f"rod {rod.number} {readings[rod.number]:.1f} N·m"
        + (" out of tolerance" if rod.number in out_of_tolerance else "")
        for rod in rods
        if rod.number in readings
    )
    return f"Plan of the compression plate with {len(rods)} tie rods." + (
        f" Last readings: {readings_text}." if readings_text else " No readings yet."
    )
