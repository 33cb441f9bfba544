"""One cell at a larger scale, its parts named by leader lines."""

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Joint, Kind
from service.platform.drawings.svg import (
    BODY,
    FINE,
    INK,
    LARGE,
    OUTLINE,
    PAPER,
    SMALL,
    THIN,
    box,
    line,
    n,
    word,
)
from service.stacks.drawings.labels import Page
from service.stacks.drawings.section import shape

COARSE = "x"
"""What the prefix of the coarser patterns of a detail ends with."""
RATIOS = (50.0, 20.0, 10.0, 5.0, 2.0)
LIST_WIDTH = 356.0
_WIDEST = 270.0
_HIGH = 140.0
_ROW = 19.0
_HEAD = 38.0


def detail(page: Page, cell: int, corner: tuple[float, float]) -> tuple[str, float, float]:
    """The detail of a cell with its upper left ``corner``; its width and height.

    The coolant layers next to the cell are drawn with it. Where the pile is drawn to scale, the
    detail says how much larger it is.
    """
    (x, y), layers, prefix = corner, page.layers, page.prefix + COARSE
    units_per_mm = page.axis.units_per_mm or 2.0
    inside = [at for at, layer in enumerate(layers) if layer.cell == cell]
    first, last = inside[0], inside[-1]
    first -= first > 0 and layers[first - 1].joint is Joint.COOLANT
    last += last + 1 < len(layers) and layers[last + 1].joint is Joint.COOLANT
    shown = range(first, last + 1)
    thick = sum(layers[at].thickness_mm for at in shown)
    ratio = next((r for r in RATIOS if thick * units_per_mm * r <= _WIDEST), RATIOS[-1])
    widths = [max(6.0, layers[at].thickness_mm * units_per_mm * ratio) for at in shown]
    wide, top = sum(widths), y + _HEAD + _ROW * len(shown)
    bottom = top + _HIGH
    left = x
    shapes, leaders, rows = [], [], []
    for row, (at, width) in enumerate(zip(shown, widths, strict=True)):
        body = shape(page.looks[at], width, 2 * _HIGH, prefix, rim=36)
        shapes.append(f'<g transform="translate({n(left)} {n(top)})">{body}</g>')
        leaders.append(_leader(left + width / 2, top + 16, y + _HEAD + _ROW * row, x + wide + 20))
        rows.append(_row(layers[at], x + wide + 26, y + _HEAD + _ROW * row + 4.5))
        left += width
    title = f"Detail C\u2009{cell}"
    if page.axis.units_per_mm:
        title += f", {ratio:g}\u2009:\u20091"
    drawn = (
        word(x, y + 14, title, size=LARGE, pen="word strong")
        + f'<clipPath id="{prefix}-cut">{box(x, top, wide, _HIGH, "")}</clipPath>'
        + f'<g clip-path="url(#{prefix}-cut)">{"".join(shapes)}</g>'
        + "".join(line(at, top, at, bottom, OUTLINE) for at in (x, left))
        + line(x, top, left, top, OUTLINE)
        + _hand_drawn(x - 8, left + 8, bottom)
        + "".join(leaders)
        + "".join(rows)
    )
    return drawn, wide + 26 + LIST_WIDTH, bottom + 10 - y


def _leader(x: float, y: float, row_y: float, end_x: float) -> str:
    """A leader line that ends in a dot within the part (ISO 128, leader lines)."""
    return (
        f'<path {THIN} fill="none" d="M{n(x)} {n(y)}V{n(row_y)}H{n(end_x)}"/>'
        f'<circle class="d-dot" stroke="{PAPER}" cx="{n(x)}" cy="{n(y)}" r="2.6" fill="{INK}"/>'
    )


def _row(layer: Layer, x: float, y: float) -> str:
    kind = str(layer.kind)
    if layer.kind is Kind.HALF_PLATE and layer.side:
        kind = f"half plate, {layer.side} side"
    elif layer.kind is Kind.GASKET and layer.joint:
        kind = f"{layer.joint} gasket"
    if layer.lot and layer.lot not in layer.label:
        kind += f", lot {layer.lot}"
    return (
        word(x + 20, y, str(layer.position), size=SMALL, anchor="end", pen="soft")
        + word(x + 28, y, layer.label, size=BODY, pen="serial")
        + word(x + 166, y, kind, size=SMALL, pen="soft")
    )


def _hand_drawn(x1: float, x2: float, y: float) -> str:
    """A break line across, as drawn by hand."""
    quarter = (x2 - x1) / 4
    waves = f"q{n(quarter / 2)} 6 {n(quarter)} 0" + f"t{n(quarter)} 0" * 3
    return f'<path fill="none" {FINE} d="M{n(x1)} {n(y)}{waves}"/>'
