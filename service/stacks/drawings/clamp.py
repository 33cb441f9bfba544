"""What holds the pile together in section: compression plates, tie rods, nuts, springs; ports."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.vocabulary import End
from service.platform.drawings import svg
from service.platform.drawings.svg import AIR, FUEL, n
from service.stacks.drawings.materials import WIDE
from service.stacks.drawings.section import PILE_BOTTOM, PILE_TOP

PLATE = 40.0
"""Width a compression plate is drawn with, shortened."""
_ROD, _SLEEVE, _STUB = 9.0, 15.0, 26.0
_METAL = f'{svg.ON_PAPER} stroke-width="{svg.THIN_WIDTH * 1.4:.2f}"'
_NUT, _WASHER, _SPRINGS, _TIP = 13.0, 4.0, 16.0, 11.0


class Fluid(StrEnum):
    """What flows through a port."""

    FUEL = "fuel"
    AIR = "air"
    COOLANT = "coolant"


_LOOKS = {
    Fluid.FUEL: ("fuel", FUEL, "H₂"),
    Fluid.AIR: ("air", AIR, "air"),
    Fluid.COOLANT: ("water", svg.WATER, "W"),
}


@dataclass(frozen=True, slots=True)
class Port:
    """A port of a compression plate, at which end, and its label as marked: fuel in, air out."""

    fluid: Fluid
    end: End
    label: str


@dataclass(frozen=True, slots=True)
class Rods:
    """The tie rods as drawn: how many and which thread, with sleeves, with disc springs."""

    count: int
    thread: str = ""
    sleeves: bool = True
    disc_springs: bool = False


def draw(
    pile: tuple[float, float], prefix: str, rods: Rods, ports: Sequence[Port], open_at: End | None
) -> str:
    """Draw compression plates, rods and ports around a pile between two places on the axis."""
    (start, end), top, bottom, drawn = pile, PILE_TOP, PILE_BOTTOM, []
    plate_top, high = top - 2 * _SLEEVE + 1, bottom - top + 4 * _SLEEVE - 2
    for side, x, ahead in ((End.FIXED, start - PLATE, -1), (End.FREE, end, 1)):
        if side is open_at:
            continue
        at_end = [port for port in ports if port.end is side]
        drawn += _ports(at_end, start - PLATE if ahead < 0 else end + PLATE, ahead)
        drawn.append(_plate(x, plate_top, high, prefix, leaning=ahead > 0))
    for middle in (top - _SLEEVE / 2, bottom + _SLEEVE / 2):
        if rods.sleeves:
            drawn += _sleeve(pile, middle, prefix)
        drawn.append(_rod(pile, middle, rods, open_at))
    if rods.count:
        thread = f"\u2009×\u2009{rods.thread}" if rods.thread else ""
        rod_words = f"{rods.count}{thread} tie rods"
        drawn.append(svg.word(end + 7, plate_top - 7, rod_words, size=svg.SMALL, pen="soft"))
    return f'<g class="clamp">{"".join(drawn)}</g>'


def _plate(x: float, top: float, high: float, prefix: str, *, leaning: bool) -> str:
    name = f"{WIDE}-l" if leaning else WIDE
    middle = x + PLATE / 2
    gap = svg.freehand(middle - 2, top, top + high)
    return (
        svg.box(x, top, PLATE, high, f'class="d-paper" fill="{svg.PAPER}"')
        + svg.box(x, top, PLATE, high, f'fill="url(#{prefix}-{name})" {svg.OUTLINE}')
        + f'<path class="d-ink" stroke="{svg.INK}" stroke-width="{6 + 2 * svg.THIN_WIDTH}"'
        f' d="{gap}"/>'
        f'<path class="d-ground" stroke="{svg.PAPER}" stroke-width="6" d="{gap}"/>'
    )


def _sleeve(pile: tuple[float, float], y: float, prefix: str) -> list[str]:
    """The insulating sleeve between the compression plates, cut above and below its rod."""
    thick, long = (_SLEEVE - _ROD) / 2, pile[1] - pile[0]
    return [
        svg.box(pile[0], edge, long, thick, pen)
        for edge in (y - _SLEEVE / 2, y + _ROD / 2)
        for pen in (
            f'class="d-paper" fill="{svg.PAPER}"',
            f'fill="url(#{prefix}-crossed)" {svg.FINE}',
        )
    ]


def _rod(pile: tuple[float, float], y: float, rods: Rods, open_at: End | None) -> str:
    """One rod with its nuts, not hatched, as is usual for shafts cut lengthwise."""
    springs = _SPRINGS if rods.disc_springs and open_at is not End.FREE else 0.0
    nut = _WASHER + _NUT
    first = pile[0] - (PLATE if open_at is not End.FIXED else 40)
    last = pile[1] + (PLATE if open_at is not End.FREE else 40) + springs
    left = first - nut - _TIP if open_at is not End.FIXED else first
    right = last + nut + _TIP if open_at is not End.FREE else last
    drawn = [svg.box(left, y - _ROD / 2, right - left, _ROD, _METAL)]
    if open_at is not End.FIXED:
        drawn.append(_nut(first, y, -1) + _thread(left, first - nut, y))
    if open_at is not End.FREE:
        drawn.append(_springs(last - springs, y) if springs else "")
        drawn.append(_nut(last, y, 1) + _thread(last + nut, right, y))
    drawn.append(svg.line(left - 6, y, right + 6, y, svg.CENTRE_LINE))
    return "".join(drawn)


def _nut(x: float, y: float, ahead: int) -> str:
    """A washer and a hexagon nut seen from the side, outward from x."""
    washer = x if ahead > 0 else x - _WASHER
    nut = x + _WASHER if ahead > 0 else x - _WASHER - _NUT
    edges = "".join(svg.line(nut, y + up, nut + _NUT, y + up) for up in (-4.5, 4.5))
    return (
        svg.box(washer, y - 12, _WASHER, 24, _METAL)
        + svg.box(nut, y - 10, _NUT, 20, _METAL)
        + edges
    )


def _thread(x1: float, x2: float, y: float) -> str:
    """The root lines of a thread (ISO 6410-1)."""
    return "".join(svg.line(x1, y + up, x2, y + up) for up in (-2.8, 2.8))


def _springs(x: float, y: float) -> str:
    """Disc springs in pairs, cut: slanting strokes above and below the rod."""
    pitch, drawn = _SPRINGS / 4, ""
    for index in range(4):
        left, right = x + pitch * index + 1, x + pitch * (index + 1) - 1
        near, far = (left, right) if index % 2 else (right, left)
        drawn += (
            f"M{n(near)} {n(y - 12)}L{n(far)} {n(y - 5)}M{n(far)} {n(y + 5)}L{n(near)} {n(y + 12)}"
        )
    return f'<path class="d-ink" stroke="{svg.INK}" stroke-width="1.8" d="{drawn}"/>'


def _ports(ports: Sequence[Port], x: float, ahead: int) -> list[str]:
    """Stubs of the ports with letters, arrow and label, evenly between the rods."""
    drawn = []
    pitch = (PILE_BOTTOM - PILE_TOP - 40) / max(1, len(ports))
    for index, port in enumerate(ports):
        y = PILE_TOP + 20 + pitch * (index + 0.5)
        name, fill, letters = _LOOKS[port.fluid]
        left = x if ahead > 0 else x - _STUB
        drawn.append(svg.box(left, y - 9, _STUB, 18, f'class="d-{name}" fill="{fill}"'))
        if port.fluid is Fluid.FUEL:
            red = f'class="d-fuel-edge" stroke="{svg.FUEL_EDGE}" stroke-width="2.4"'
            drawn += [svg.line(left, y + up, left + _STUB, y + up, red) for up in (-7, 7)]
        drawn += [svg.line(left, y + up, left + _STUB, y + up, svg.OUTLINE) for up in (-9, 9)]
        # Black letters on the fluid's colour by day and by night: the colour stays the same.
        drawn.append(
            f'<text class="letters" x="{n(left + _STUB / 2)}" y="{n(y + 4)}" font-size="11" '
            f'font-family="{svg.TEXT_FAMILY}" text-anchor="middle" fill="#000000">{letters}</text>'
        )
        drawn += [_flow(x + ahead * (_STUB + 3), y, ahead, port.label)]
    return drawn


def _flow(x: float, y: float, ahead: int, label: str) -> str:
    """The port's label, and an arrow where the label says in or out."""
    ways = {"in": -ahead, "out": ahead}
    way = next((ways[w] for w in label.lower().split() if w in ways), 0)
    far = x + ahead * 16
    drawn = (
        svg.line(x, y, far, y) + svg.arrow(far if way == ahead else x, y, way, size=8)
        if way
        else ""
    )
    anchor = "start" if ahead > 0 else "end"
    return drawn + svg.word(far + ahead * 4, y + 4.5, label, size=svg.SMALL, anchor=anchor)
