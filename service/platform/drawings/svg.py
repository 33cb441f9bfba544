"""Pens, inks and words of all drawings.

Presentation attributes carry the light sheet, so that a drawing stands by itself (print, PDF);
static/css/drawing.css gives the same classes the sheet's tokens, and the dark sheet with them.
Classes: ``d-ink`` outlines, ``d-thin`` thin lines, ``d-hatch`` hatching, ``d-paper`` filled as the
ground, ``d-ground`` a stroke in that colour, ``d-solid`` filled with ink, ``d-dot`` the end of a
leader line, ``d-water`` ``d-fuel`` ``d-fuel-edge`` ``d-air`` fluids after DIN 2403, ``d-act`` and
``d-act-solid`` what somebody must look at, ``d-wash`` a set-off layer; on text ``word``, ``soft``,
``serial``, ``strong``, ``halo``, ``letters`` (on a fluid's colour).
A style rule for a ``d-`` class names that class alone: shapes are drawn once and used many times,
and a browser matches rules inside such a use without what stands around it.
"""

from html import escape

INK, SOFT, LINE, PAPER, HATCHING = "#1a2129", "#4a545f", "#6a747e", "#fbfaf5", "#7a838c"
WATER, FUEL, FUEL_EDGE, AIR, ACT = "#2f8f4e", "#f2c500", "#c0281c", "#8d9499", "#a3271c"

# Line widths in the proportion 0.7 : 0.35 : 0.18 of ISO 128.
OUTLINE_WIDTH, THIN_WIDTH, HATCH_WIDTH = 1.6, 0.8, 0.41

OUTLINE = f'class="d-ink" stroke="{INK}" stroke-width="{OUTLINE_WIDTH}"'
FINE = f'class="d-ink" stroke="{INK}" stroke-width="{THIN_WIDTH}"'
THIN = f'class="d-thin" stroke="{LINE}" stroke-width="{THIN_WIDTH}"'
CENTRE_LINE = f'{THIN} stroke-dasharray="14 3 3 3"'
ON_PAPER = f'class="d-ink d-paper" fill="{PAPER}" stroke="{INK}"'
ATTENTION = f'class="d-act" stroke="{ACT}" stroke-width="{OUTLINE_WIDTH}"'

TEXT_FAMILY, MONO_FAMILY = "Next, system-ui, sans-serif", "Mono, ui-monospace, monospace"
SMALL, BODY, LARGE = 12.5, 14, 16


def n(value: float) -> str:
    """Return a coordinate, to a tenth of a unit."""
    return f"{round(value, 1):g}"


def said(text: str) -> str:
    """Return the text made safe for element content and attribute values."""
    return escape(text, quote=True)


def word(
    x: float,
    y: float,
    text: str,
    *,
    size: float = BODY,
    anchor: str = "start",
    pen: str = "word",
    more: str = "",
) -> str:
    """Return one line of text; ``pen`` is one of word, soft, serial, d-act-solid."""
    fill = {"soft": SOFT, "d-act-solid": ACT}.get(pen.partition(" ")[0], INK)
    family = MONO_FAMILY if "serial" in pen else TEXT_FAMILY
    return (
        f'<text class="{pen}" x="{n(x)}" y="{n(y)}" font-size="{size:g}" font-family="{family}" '
        f'text-anchor="{anchor}" fill="{fill}"{more}>{said(text)}</text>'
    )


def line(x1: float, y1: float, x2: float, y2: float, pen: str = FINE) -> str:
    """Return a straight line."""
    return f'<line x1="{n(x1)}" y1="{n(y1)}" x2="{n(x2)}" y2="{n(y2)}" {pen}/>'


def box(x: float, y: float, width: float, height: float, pen: str) -> str:
    """Return a rectangle."""
    return f'<rect x="{n(x)}" y="{n(y)}" width="{n(width)}" height="{n(height)}" {pen}/>'


def arrow(x: float, y: float, dx: int, dy: int = 0, size: float = 9) -> str:
    """Draw a filled arrowhead (ISO 129-1, about 1 : 3), its tip at x, y, along dx, dy."""
    base_x, base_y, half = x - dx * size, y - dy * size, size / 6
    return (
        f'<path class="d-solid" fill="{INK}" d="M{n(x)} {n(y)}'
        f"L{n(base_x + dy * half)} {n(base_y + dx * half)}"
        f'L{n(base_x - dy * half)} {n(base_y - dx * half)}z"/>'
    )


def dimension(x1: float, x2: float, y: float, text: str, down_to: float) -> str:
    """Draw a horizontal dimension line with its extension lines and its value above (ISO 129-1)."""
    return (
        line(x1, y - 4, x1, down_to, THIN)
        + line(x2, y - 4, x2, down_to, THIN)
        + line(x1, y, x2, y, THIN)
        + arrow(x1, y, -1)
        + arrow(x2, y, 1)
        + word((x1 + x2) / 2, y - 6, text, anchor="middle")
    )


def freehand(x: float, top: float, bottom: float) -> str:
    """Return the path of a break line drawn by hand, from top to bottom."""
    quarter = (bottom - top) / 4
    return f"M{n(x)} {n(top)}q4 {n(quarter / 2)} 0 {n(quarter)}" + f"t0 {n(quarter)}" * 3


def triangle(x: float, y: float, number: int) -> str:
    """Return a revision triangle with its number, its tip at x, y."""
    return (
        f'<path class="d-act d-paper" fill="{PAPER}" stroke="{ACT}" stroke-width="{OUTLINE_WIDTH}" '
        f'stroke-linejoin="round" d="M{n(x)} {n(y)}l11 19h-22z"/>'
        + word(x, y + 16.5, str(number), size=SMALL, anchor="middle", pen="d-act-solid strong")
    )


def scale_bar(x: float, y: float, units_per_mm: float) -> str:
    """Return a bar of a round length, so that the scale holds at any size of the drawing."""
    length = max(
        (mm for mm in (1, 2, 5, 10, 20, 50, 100, 200) if mm * units_per_mm <= 170), default=1
    )
    wide = length * units_per_mm
    parts = 5 if length != 2 else 4
    cells = "".join(
        box(x + wide * i / parts, y, wide / parts, 5, f'class="d-ink d-{kind}" fill="{fill}" '
            f'stroke="{INK}" stroke-width="{THIN_WIDTH}"')
        for i in range(parts)
        for kind, fill in [("solid", INK) if i % 2 == 0 else ("paper", PAPER)]
    )  # fmt: skip
    return (
        cells
        + word(x, y + 18, "0", size=SMALL, anchor="middle", pen="soft")
        + word(x + wide, y + 18, f"{length}\u2009mm", size=SMALL, anchor="middle", pen="soft")
    )


def sheet(
    width: float,
    height: float,
    body: str,
    *,
    prefix: str,
    title: str,
    description: str,
    kind: str,
    role: str = "group",
) -> str:
    """Return the drawing as one SVG element, named by its title and description."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="drawn {kind}" id="{prefix}" '
        f'viewBox="0 0 {n(width)} {n(height)}" width="{n(width)}" height="{n(height)}" '
        f'role="{role}" aria-labelledby="{prefix}-title {prefix}-desc" fill="none">'
        f'<title id="{prefix}-title">{said(title)}</title>'
        f'<desc id="{prefix}-desc">{said(description)}</desc>{body}</svg>'
    )
