"""What one layer looks like cut through: plates with their channels, gaskets, MEA, end layers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from service.designs.arithmetic.pile import CELL_KINDS, Layer, height_mm
from service.platform.arithmetic.vocabulary import Back, End, Joint, Kind, Material, Side
from service.platform.drawings import svg
from service.platform.drawings.axis import Axis
from service.platform.drawings.svg import n
from service.stacks.arithmetic.comparison import Mark
from service.stacks.drawings.materials import hatching

RIM = 30.0
"""Height of the sealing rim at the edge of plates and gaskets, in drawing units."""
_ELASTOMER = f'class="d-solid" fill="{svg.INK}"'


class Look(NamedTuple):
    """All that decides how a layer is drawn; layers that look alike are drawn once."""

    kind: Kind
    material: Material
    side: Side | None
    back: Back
    joint: Joint | None
    gas_ahead: bool
    """its gas side (of a collector: its cell side) looks to the free end"""


def looks(layers: Sequence[Layer]) -> list[Look]:
    """Say how each layer of a pile is drawn; which way a gas side looks follows from the pile."""
    centre = {x.cell: index for index, x in enumerate(layers) if x.kind in CELL_KINDS}
    looks_found = []
    for index, layer in enumerate(layers):
        ahead = True
        if layer.kind is Kind.HALF_PLATE:
            ahead = (
                centre[layer.cell] > index if layer.cell in centre else _gas_ahead(layers, index)
            )
        elif layer.kind is Kind.CURRENT_COLLECTOR:
            ahead = 2 * index < len(layers)
        looks_found.append(
            Look(layer.kind, layer.material, layer.side, layer.back, layer.joint, ahead)
        )
    return looks_found


def _gas_ahead(layers: Sequence[Layer], index: int) -> bool:
    """Where a plate without its MEA seems to look: away from coolant, else by its gas."""
    before = layers[index - 1] if index else None
    after = layers[index + 1] if index + 1 < len(layers) else None
    if before and before.joint is Joint.COOLANT:
        return True
    if after and after.joint is Joint.COOLANT:
        return False
    return layers[index].side is not Side.AIR


def shape(look: Look, width: float, height: float, prefix: str, rim: float = RIM) -> str:
    """Return a layer cut through, its upper left corner at 0, 0; patterns are those of a prefix."""
    ground = svg.box(0, 0, width, height, f'class="d-paper" fill="{svg.PAPER}"')
    outline = svg.box(0, 0, width, height, f'fill="none" {svg.FINE}')
    if look.kind is Kind.GASKET:
        return ground + _gasket(look, width, height, prefix, rim)
    if look.kind is Kind.MEA:
        return ground + _mea(width, height, prefix, rim)
    leaning = look.kind is Kind.INSULATOR_PLATE or not look.gas_ahead
    name = hatching(look.material, leaning_left=leaning)
    cut = svg.box(0, 0, width, height, f'fill="url(#{prefix}-{name})"')
    return ground + cut + _channels(look, width, height, prefix, rim) + outline


def _gasket(look: Look, width: float, height: float, prefix: str, rim: float) -> str:
    inside = height - 2 * rim
    if look.joint is Joint.COOLANT:
        between = svg.box(0, rim, width, inside, f'class="d-water" fill="{svg.WATER}"')
    else:
        between = svg.box(0, rim + 3, width, inside - 6, f'fill="url(#{prefix}-gdl)"')
    return (
        between
        + svg.box(0, 5, width, rim - 5, _ELASTOMER)
        + svg.box(0, height - rim, width, rim - 5, _ELASTOMER)
    )


def _mea(width: float, height: float, prefix: str, rim: float) -> str:
    heavy = f'class="d-ink" stroke="{svg.INK}" stroke-width="{n(max(1.8, width * 0.22))}"'
    gdl = svg.box(0, rim + 3, width, height - 2 * rim - 6, f'fill="url(#{prefix}-gdl)"')
    return gdl + svg.line(width / 2, 3, width / 2, height - 3, heavy)


def _channels(look: Look, width: float, height: float, prefix: str, rim: float) -> str:
    """Gas channels on the gas side of a half plate, coolant channels in a channelled back."""
    drawn = ""
    deep = max(2.6, width * 0.3)
    top, inside = rim + 4, height - 2 * rim - 8
    if look.kind is Kind.HALF_PLATE and look.side:
        name = "fuel" if look.side is Side.FUEL else "air"
        left = width - deep if look.gas_ahead else 0
        drawn += svg.box(left, top, deep, inside, f'fill="url(#{prefix}-{name})"')
        if look.side is Side.FUEL:
            edge = width - 0.8 if look.gas_ahead else 0.8
            pen = (
                f'class="d-fuel-edge" stroke="{svg.FUEL_EDGE}" stroke-width="{2 * svg.THIN_WIDTH}"'
            )
            drawn += svg.line(edge, top, edge, top + inside, pen)
    if look.back is Back.CHANNELLED:
        back_ahead = look.gas_ahead == (look.kind is Kind.CURRENT_COLLECTOR)
        left = width - deep if back_ahead else 0
        drawn += svg.box(left, top, deep, inside, f'fill="url(#{prefix}-water)"')
    return drawn


# What is written around the section of a pile: cells, positions, height, ends, changes.


PILE_TOP, PILE_HEIGHT = 116.0, 200.0


PILE_BOTTOM = PILE_TOP + PILE_HEIGHT


TRIANGLES = PILE_BOTTOM + 54


SET_OFF = (
    f'class="d-act d-wash" stroke="{svg.ACT}" stroke-width="{1.4 * svg.THIN_WIDTH:.2f}" '
    f'fill="{svg.ACT}" fill-opacity="0.18"'
)


@dataclass(frozen=True, slots=True)
class Revision:
    """A revision number, what happened, and the parts of this pile it stands for."""

    number: int
    change_kind: str
    parts: frozenset[int]


@dataclass(frozen=True)
class Page:
    """What all parts of the drawing need to know."""

    layers: Sequence[Layer]
    """from the left"""
    axis: Axis
    prefix: str
    is_turned: bool = False
    """the free end is at the left"""

    @cached_property
    def cells(self) -> dict[int, tuple[float, float]]:
        """From where to where each drawn cell reaches."""
        spans: dict[int, tuple[float, float]] = {}
        for index, (x, wide) in self.axis.places.items():
            cell = self.layers[index].cell
            if cell:
                start, _ = spans.get(cell, (x, 0))
                spans[cell] = (start, x + wide)
        return spans

    @cached_property
    def looks(self) -> list[Look]:
        """How each layer is drawn."""
        if not self.is_turned:
            return looks(self.layers)
        from_fixed_end = looks(self.layers[::-1])
        return [look._replace(gas_ahead=not look.gas_ahead) for look in reversed(from_fixed_end)]


def revisions(layers: Sequence[Layer], changes: Iterable[Mark]) -> list[Revision]:
    """Return the marks of a comparison that concern parts of this pile."""
    parts_here = {layer.part for layer in layers}
    revisions_found = (
        Revision(m.number, str(m.what), frozenset(c.layer.part for c in m.changes) & parts_here)
        for m in changes
    )
    return [revision for revision in revisions_found if revision.parts]


def cell_numbers(page: Page) -> str:
    """Draw a bracket over each cell with its number, as many as can be read.

    Blank cells are named.
    """
    blanks = {x.cell for x in page.layers if x.kind is Kind.BLANK_CELL}
    y, drawn, last_x = PILE_TOP - 40, [], -99.0
    for cell, (start, end) in page.cells.items():
        middle = (start + end) / 2
        bracket = f"M{n(start + 1)} {n(y + 7)}v-6H{n(end - 1)}v6"
        drawn.append(f'<path {svg.FINE} d="{bracket}"/>')
        if middle - last_x >= 8 * len(str(cell)) + 3:
            last_x = middle
            size = svg.BODY if end - start > 22 else svg.SMALL
            pen = "word strong"
            drawn.append(svg.word(middle, y - 4, str(cell), size=size, anchor="middle", pen=pen))
        if cell in blanks:
            drawn.append(
                svg.word(middle, y - 19, "blank", size=svg.SMALL, anchor="middle", pen="soft")
            )
    if page.cells:
        drawn.append(
            svg.word(page.axis.start - 8, y - 4, "cell", anchor="end", pen="soft", size=svg.SMALL)
        )
    return "".join(drawn)


def ends(page: Page, is_clamped: bool, open_at: End | None) -> str:
    """Name both ends beneath the pile; of an open one the datum too, where layer 1 lies."""
    y = PILE_BOTTOM + (46 if is_clamped else 24)
    left, right = (End.FREE, End.FIXED) if page.is_turned else (End.FIXED, End.FREE)
    names = []
    for end, x, anchor in ((left, page.axis.start - 4, "end"), (right, page.axis.end + 4, "start")):
        text = f"{end}, open" if end is open_at else str(end)
        names.append(svg.word(x, y, text, size=svg.LARGE, anchor=anchor, pen="word strong"))
        if open_at is not None and end is End.FIXED:
            datum = "datum: layer 1 lies here"
            names.append(svg.word(x, y + 13, datum, size=svg.SMALL, anchor=anchor, pen="soft"))
    return "".join(names)


def ruler(page: Page, revised: list[Revision]) -> str:
    """Draw positions under the layers, as many as can be read beside the changes."""
    places = page.axis.places
    narrow = (page.axis.end - page.axis.start) / max(1, len(places))
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100) if s * narrow >= 26), 100)
    middles = [middle for middle, _ in _middles(page, revised)]
    y, drawn, last_x = PILE_BOTTOM + 26, [], -99.0
    for index, (x, wide) in places.items():
        position, middle = page.layers[index].position, x + wide / 2
        is_free = middle - last_x > 8 * len(str(position)) + 5 and all(
            abs(middle - place) > 15 for place in middles
        )
        if is_free and (position % step == 0 or position == 1):
            last_x = middle
            drawn.append(
                svg.line(middle, PILE_BOTTOM + 17, middle, y - 1, svg.THIN)
                + svg.word(
                    middle, y + 11, str(position), size=svg.SMALL, anchor="middle", pen="soft"
                )
            )
    return "".join(drawn)


def height(page: Page) -> str:
    """Return the dimension line above the pile, or that there is no pile yet."""
    if not page.layers:
        middle = (page.axis.start + page.axis.end) / 2
        return svg.word(middle, PILE_TOP + 60, "no layers yet", anchor="middle", pen="soft")
    text = f"{height_mm(page.layers):.1f}\u2009mm: sum of thicknesses, without compression plates"
    return svg.dimension(page.axis.start, page.axis.end, 30, text, PILE_TOP - 2)


def changes(page: Page, revised: list[Revision]) -> str:
    """Draw revision triangles under the changed layers, moved apart where they would meet."""
    drawn, last_x = [], -99.0
    for middle, revision in _middles(page, revised):
        x = last_x = max(middle, last_x + 25)
        elbow = f"M{n(middle)} {n(PILE_BOTTOM + 2)}V{n(TRIANGLES - 10)}L{n(x)} {n(TRIANGLES)}"
        drawn.append(
            f"<g><title>Change {revision.number}: {revision.change_kind}</title>"
            f'<path {svg.ATTENTION} stroke-dasharray="3 2" d="{elbow}"/>'
            f"{svg.triangle(x, TRIANGLES, revision.number)}</g>"
        )
    return "".join(drawn)


def _middles(page: Page, revised: list[Revision]) -> list[tuple[float, Revision]]:
    """Where each change lies along the axis, from the fixed end."""
    middles = {
        page.layers[places].part: x + wide / 2 for places, (x, wide) in page.axis.places.items()
    }
    middles_found = [
        (sum(places) / len(places), revision)
        for revision in revised
        if (places := [middles[part] for part in revision.parts if part in middles])
    ]
    return sorted(middles_found, key=lambda item: item[0])


def pointer(page: Page, position: int | None) -> str:
    """Return an arrow at a position, and the layer set off."""
    for index, (x, wide) in page.axis.places.items():
        if page.layers[index].position == position:
            tip = f"M{n(x + wide / 2)} {n(PILE_TOP - 2)}l-9 -16h6v-12h6v12h6z"
            return (
                f'<g class="pointer" pointer-events="none">'
                f'<path class="d-act-solid" fill="{svg.ACT}" d="{tip}"/>'
                + svg.box(x, PILE_TOP, wide, PILE_HEIGHT, SET_OFF)
                + "</g>"
            )
    return ""


def circle(page: Page, cell: int) -> str:
    """Return the thin line around what is drawn in detail."""
    start, end = page.cells[cell]
    half = (end - start) / 2 + 7
    corner = f'rx="{n(min(half, 26))}" pointer-events="none"'
    pen = f'class="d-ink" stroke="{svg.INK}" stroke-width="1" {corner}'
    return svg.box((start + end) / 2 - half, PILE_TOP - 8, 2 * half, 58, pen)
