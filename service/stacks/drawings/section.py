"""What one layer looks like cut through: plates with their channels, gaskets, MEA, end layers."""

from collections.abc import Sequence
from typing import NamedTuple

from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side
from service.platform.drawings.svg import (
    FINE,
    FUEL_EDGE,
    INK,
    PAPER,
    THIN_WIDTH,
    WATER,
    box,
    line,
    n,
)
from service.stacks.drawings.materials import hatching

RIM = 30.0
"""Height of the sealing rim at the edge of plates and gaskets, in drawing units."""
_ELASTOMER = f'class="d-solid" fill="{INK}"'


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
    """How each layer of a pile is drawn; which way a gas side looks follows from the pile."""
    centre = {x.cell: at for at, x in enumerate(layers) if x.kind in CELL_KINDS}
    found = []
    for at, layer in enumerate(layers):
        ahead = True
        if layer.kind is Kind.HALF_PLATE:
            ahead = centre[layer.cell] > at if layer.cell in centre else _gas_ahead(layers, at)
        elif layer.kind is Kind.CURRENT_COLLECTOR:
            ahead = 2 * at < len(layers)
        found.append(Look(layer.kind, layer.material, layer.side, layer.back, layer.joint, ahead))
    return found


def _gas_ahead(layers: Sequence[Layer], at: int) -> bool:
    """Where a plate without its MEA seems to look: away from coolant, else by its gas."""
    before = layers[at - 1] if at else None
    after = layers[at + 1] if at + 1 < len(layers) else None
    if before and before.joint is Joint.COOLANT:
        return True
    if after and after.joint is Joint.COOLANT:
        return False
    return layers[at].side is not Side.AIR


def shape(look: Look, width: float, height: float, prefix: str, rim: float = RIM) -> str:
    """A layer cut through, its upper left corner at 0, 0; patterns are those of a prefix."""
    ground = box(0, 0, width, height, f'class="d-paper" fill="{PAPER}"')
    outline = box(0, 0, width, height, f'fill="none" {FINE}')
    if look.kind is Kind.GASKET:
        return ground + _gasket(look, width, height, prefix, rim)
    if look.kind is Kind.MEA:
        return ground + _mea(width, height, prefix, rim)
    leaning = look.kind is Kind.INSULATOR_PLATE or not look.gas_ahead
    name = hatching(look.material, leaning_left=leaning)
    cut = box(0, 0, width, height, f'fill="url(#{prefix}-{name})"')
    return ground + cut + _channels(look, width, height, prefix, rim) + outline


def _gasket(look: Look, width: float, height: float, prefix: str, rim: float) -> str:
    inside = height - 2 * rim
    if look.joint is Joint.COOLANT:
        between = box(0, rim, width, inside, f'class="d-water" fill="{WATER}"')
    else:
        between = box(0, rim + 3, width, inside - 6, f'fill="url(#{prefix}-gdl)"')
    return (
        between
        + box(0, 5, width, rim - 5, _ELASTOMER)
        + box(0, height - rim, width, rim - 5, _ELASTOMER)
    )


def _mea(width: float, height: float, prefix: str, rim: float) -> str:
    heavy = f'class="d-ink" stroke="{INK}" stroke-width="{n(max(1.8, width * 0.22))}"'
    gdl = box(0, rim + 3, width, height - 2 * rim - 6, f'fill="url(#{prefix}-gdl)"')
    return gdl + line(width / 2, 3, width / 2, height - 3, heavy)


def _channels(look: Look, width: float, height: float, prefix: str, rim: float) -> str:
    """Gas channels on the gas side of a half plate, coolant channels in a channelled back."""
    drawn = ""
    deep = max(2.6, width * 0.3)
    top, inside = rim + 4, height - 2 * rim - 8
    if look.kind is Kind.HALF_PLATE and look.side:
        name = "fuel" if look.side is Side.FUEL else "air"
        left = width - deep if look.gas_ahead else 0
        drawn += box(left, top, deep, inside, f'fill="url(#{prefix}-{name})"')
        if look.side is Side.FUEL:
            edge = width - 0.8 if look.gas_ahead else 0.8
            pen = f'class="d-fuel-edge" stroke="{FUEL_EDGE}" stroke-width="{2 * THIN_WIDTH}"'
            drawn += line(edge, top, edge, top + inside, pen)
    if look.back is Back.CHANNELLED:
        back_ahead = look.gas_ahead == (look.kind is Kind.CURRENT_COLLECTOR)
        left = width - deep if back_ahead else 0
        drawn += box(left, top, deep, inside, f'fill="url(#{prefix}-water)"')
    return drawn
