"""Hatching by material as in sectional drawings (ISO 128), and its legend.

Graphite is hatched in pairs of lines, metal in single ones, insulating plastic crossed and wider;
elastomer is filled, a membrane is a heavy line, a gas diffusion layer (GDL) dotted. Neighbours are
hatched in opposite directions. Which material has which hatching is our own, said in the legend.
"""

from collections.abc import Iterable

from service.platform.arithmetic.vocabulary import Material
from service.platform.drawings import svg
from service.platform.drawings.svg import n

PAIRED, SINGLE, CROSSED, WIDE = "paired", "single", "crossed", "wide"
HATCHINGS = {
    Material.GRAPHITE: PAIRED,
    Material.METAL: SINGLE,
    Material.PLASTIC: CROSSED,
    Material.MEMBRANE: CROSSED,
    Material.ELASTOMER: SINGLE,
}
FLUIDS = {"fuel": svg.FUEL, "air": svg.AIR, "water": svg.WATER}


def hatching(material: Material, *, leaning_left: bool) -> str:
    """Return the name of the pattern for a cut face."""
    kind = HATCHINGS[material]
    return f"{kind}-l" if leaning_left and kind != CROSSED else kind


def patterns(prefix: str, grain: float = 1.0) -> str:
    """Return all patterns under ids that begin with a prefix; ``grain`` makes them coarser."""

    wide = f"{svg.HATCH_WIDTH * 1.4 / grain:.2f}"
    pen = f'class="d-hatch" stroke="{svg.HATCHING}" stroke-width="{wide}"'

    def lines(name: str, pitch: float, places: Iterable[float], lean: int) -> str:
        size = n(pitch)
        drawn = "".join(svg.line(x, 0, x, pitch, pen) for x in places)
        return (
            f'<pattern id="{prefix}-{name}" width="{size}" height="{size}" '
            f'patternUnits="userSpaceOnUse" patternTransform="rotate({lean}) scale({grain:g})">'
            f"{drawn}</pattern>"
        )

    def channels(name: str, fill: str) -> str:
        return (
            f'<pattern id="{prefix}-{name}" width="80" height="8" patternUnits="userSpaceOnUse" '
            f'patternTransform="scale({grain:g})">'
            f'<rect class="d-{name}" y="1.5" width="80" height="5" fill="{fill}"/></pattern>'
        )

    crossed = svg.line(0, 0, 9, 9, pen) + svg.line(9, 0, 0, 9, pen)
    return (
        lines(PAIRED, 7, (1, 3), 45)
        + lines(f"{PAIRED}-l", 7, (1, 3), -45)
        + lines(SINGLE, 4.5, (1,), 45)
        + lines(f"{SINGLE}-l", 4.5, (1,), -45)
        + lines(WIDE, 8, (1,), 45)
        + lines(f"{WIDE}-l", 8, (1,), -45)
        + f'<pattern id="{prefix}-{CROSSED}" width="9" height="9" patternUnits="userSpaceOnUse" '
        f'patternTransform="scale({grain:g})">{crossed}</pattern>'
        f'<pattern id="{prefix}-gdl" width="2.6" height="2.6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(30) scale({grain:g})">'
        f'<circle class="d-solid" fill="{svg.INK}" cx="1" cy="1" r="0.55"/></pattern>'
        + "".join(channels(name, fill) for name, fill in FLUIDS.items())
    )


def legend(
    x: float, y: float, prefix: str, names: Iterable[str], *, columns: int = 1, width: float = 190
) -> tuple[str, float]:
    """Draw the swatches with words for the names used in a drawing, and say how high they are."""
    drawn = []
    names = list(dict.fromkeys(names))
    rows = -(-len(names) // columns)
    for index, name in enumerate(names):
        left, top = x + width * (index // rows), y + 24 * (index % rows)
        drawn.append(_swatch(left, top, prefix, name))
        drawn.append(svg.word(left + 42, top + 12, WORDS[name], size=svg.SMALL))
    return "".join(drawn), 24.0 * rows


WORDS = {
    PAIRED: "graphite",
    SINGLE: "metal",
    CROSSED: "insulating plastic",
    "elastomer": "elastomer (gasket)",
    "membrane": "membrane",
    "gdl": "GDL",
    "fuel": "H₂: fuel side",
    "air": "air: air side",
    "water": "W: coolant water",
    "change": "changed, with its number",
}


def _swatch(x: float, y: float, prefix: str, name: str) -> str:
    frame = svg.box(x, y, 32, 16, f'fill="none" {svg.FINE}')
    ground = svg.box(x, y, 32, 16, f'class="d-paper" fill="{svg.PAPER}"')
    if name == "change":
        return f'<g transform="translate({n(x + 16)} {n(y - 2)})">{svg.triangle(0, 0, 1)}</g>'
    if name == "membrane":
        heavy = f'class="d-ink" stroke="{svg.INK}" stroke-width="2.4"'
        return ground + svg.line(x, y + 8, x + 32, y + 8, heavy)
    if name == "elastomer":
        return svg.box(x, y, 32, 16, f'class="d-solid" fill="{svg.INK}"')
    if name in FLUIDS:
        filled = svg.box(x, y, 32, 16, f'class="d-{name}" fill="{FLUIDS[name]}"')
        edge = f'class="d-fuel-edge" stroke="{svg.FUEL_EDGE}" stroke-width="2.4"'
        red = svg.line(x, y + 15, x + 32, y + 15, edge) if name == "fuel" else ""
        return filled + red + frame
    return ground + svg.box(x, y, 32, 16, f'fill="url(#{prefix}-{name})"') + frame
