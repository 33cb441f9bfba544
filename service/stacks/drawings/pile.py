"""The pile in section: layers between the compression plates, rods, ports, cells, changes.

Classes for the style sheet, beside those of ink.py: ``pile`` the drawing, ``wide`` one that
needs more room than a page has, ``layer`` one layer (with ``data-position``; a link where there is
one), ``says`` the line where static/js/pile.js writes what the pointed-at layer is, ``found`` the
frame it draws around that layer, ``opens`` the broken middle.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.vocabulary import Back, End, Facing, Joint, Kind, Side
from service.platform.drawings import axis, svg
from service.platform.drawings.svg import n
from service.stacks.arithmetic.comparison import Mark
from service.stacks.drawings import clamp, section
from service.stacks.drawings.clamp import Port, Rods
from service.stacks.drawings.materials import HATCHINGS, legend, patterns
from service.stacks.drawings.section import (
    PILE_BOTTOM,
    PILE_HEIGHT,
    PILE_TOP,
    SET_OFF,
    TRIANGLES,
    Page,
    Revision,
    revisions,
    shape,
)

# One cell at a larger scale, its parts named by leader lines.


COARSE = "x"
"""What the prefix of the coarser patterns of a detail ends with."""


RATIOS = (50.0, 20.0, 10.0, 5.0, 2.0)


LIST_WIDTH = 356.0


_WIDEST = 270.0


_HIGH = 140.0


_ROW = 19.0


_HEAD = 38.0


def detail(page: Page, cell: int, corner: tuple[float, float]) -> tuple[str, float, float]:
    """Return the detail of a cell with its upper left ``corner``; its width and height.

    The coolant layers next to the cell are drawn with it. Where the pile is drawn to scale, the
    detail says how much larger it is.
    """
    (x, y), layers, prefix = corner, page.layers, page.prefix + COARSE
    units_per_mm = page.axis.units_per_mm or 2.0
    inside = [index for index, layer in enumerate(layers) if layer.cell == cell]
    first, last = inside[0], inside[-1]
    first -= first > 0 and layers[first - 1].joint is Joint.COOLANT
    last += last + 1 < len(layers) and layers[last + 1].joint is Joint.COOLANT
    rows_shown = range(first, last + 1)
    thick = sum(layers[index].thickness_mm for index in rows_shown)
    ratio = next((r for r in RATIOS if thick * units_per_mm * r <= _WIDEST), RATIOS[-1])
    widths = [max(6.0, layers[index].thickness_mm * units_per_mm * ratio) for index in rows_shown]
    wide, top = sum(widths), y + _HEAD + _ROW * len(rows_shown)
    bottom = top + _HIGH
    left = x
    shapes, leaders, rows = [], [], []
    for row, (index, width) in enumerate(zip(rows_shown, widths, strict=True)):
        body = shape(page.looks[index], width, 2 * _HIGH, prefix, rim=36)
        shapes.append(f'<g transform="translate({n(left)} {n(top)})">{body}</g>')
        leaders.append(_leader(left + width / 2, top + 16, y + _HEAD + _ROW * row, x + wide + 20))
        rows.append(_row(layers[index], x + wide + 26, y + _HEAD + _ROW * row + 4.5))
        left += width
    title = f"Detail C\u2009{cell}"
    if page.axis.units_per_mm:
        title += f", {ratio:g}\u2009:\u20091"
    drawn = (
        svg.word(x, y + 14, title, size=svg.LARGE, pen="word strong")
        + f'<clipPath id="{prefix}-cut">{svg.box(x, top, wide, _HIGH, "")}</clipPath>'
        + f'<g clip-path="url(#{prefix}-cut)">{"".join(shapes)}</g>'
        + "".join(svg.line(index, top, index, bottom, svg.OUTLINE) for index in (x, left))
        + svg.line(x, top, left, top, svg.OUTLINE)
        + _hand_drawn(x - 8, left + 8, bottom)
        + "".join(leaders)
        + "".join(rows)
    )
    return drawn, wide + 26 + LIST_WIDTH, bottom + 10 - y


def _leader(x: float, y: float, row_y: float, end_x: float) -> str:
    """A leader line that ends in a dot within the part (ISO 128, leader lines)."""
    return (
        f'<path {svg.THIN} fill="none" d="M{n(x)} {n(y)}V{n(row_y)}H{n(end_x)}"/>'
        f'<circle class="d-dot" stroke="{svg.PAPER}" cx="{n(x)}" cy="{n(y)}" r="2.6"'
        f' fill="{svg.INK}"/>'
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
        svg.word(x + 20, y, str(layer.position), size=svg.SMALL, anchor="end", pen="soft")
        + svg.word(x + 28, y, layer.label, size=svg.BODY, pen="serial")
        + svg.word(x + 166, y, kind, size=svg.SMALL, pen="soft")
    )


def _hand_drawn(x1: float, x2: float, y: float) -> str:
    """A break line across, as drawn by hand."""
    quarter = (x2 - x1) / 4
    waves = f"q{n(quarter / 2)} 6 {n(quarter)} 0" + f"t{n(quarter)} 0" * 3
    return f'<path fill="none" {svg.FINE} d="M{n(x1)} {n(y)}{waves}"/>'


WIDTH = 920.0
_SIDE = 154.0
"""Room at each end for the compression plate, nuts, ports and their words."""
SLIM = 640.0
_SLIM_SIDE = 84.0
"""The same without rods, for a column beside a form: the words of the ends alone."""


_OTHER = {End.FIXED: End.FREE, End.FREE: End.FIXED}
_DETAIL_BEFORE = 8
"""A cell in detail lies among the first ones, where a reader sees it circled."""


def draw_pile(
    layers: Sequence[Layer],
    *,
    title: str,
    ports: Sequence[Port] = (),
    rods: Rods | None = None,
    changes: Iterable[Mark] = (),
    link: Callable[[Layer], str] | None = None,
    equal_layers: bool = False,
    broken: bool = True,
    open_link: str | None = None,
    open_at: End | None = None,
    marked: int | None = None,
    detail: int | None = None,
    has_detail: bool = True,
    has_legend: bool = True,
    is_slim: bool = False,
    prefix: str = "pile",
) -> str:
    """Return the section through a pile as one SVG element.

    The open end is at the left, as whoever works there sees it; of a closed pile the fixed end.

    layers: numbered from the fixed end, with their cells (trade.pile.number_cells).
    rods: the clamp as drawn; None leaves rods, nuts and compression plates out.
    changes: marks of a comparison; those of parts in this pile are set off and numbered.
    link: where a layer leads; without it layers can be reached by keyboard but lead nowhere.
    equal_layers: every layer equally wide in place of one scale along the axis.
    broken: leave out the repeating middle of more than 24 cells; ``open_link`` shows them all.
    open_at: the end at which the pile is open: no compression plate, no nuts there.
    marked: a position to point at with an arrow.
    detail: the cell drawn larger beside; without it the first changed one, or one in the middle.
    has_legend: explain hatchings and scale beneath; without it there is no detail either.
    is_slim: drawn for a narrow column; only without rods.
    has_legend: what hatchings and colours mean, beneath; without it no detail and no scale either.
    prefix: begins every id, so that several drawings fit on one page.
    """
    revised = revisions(layers, changes)
    parts = {part for revision in revised for part in revision.parts}
    positions = {x.position for x in layers if x.part in parts} | ({marked} if marked else set())
    gaps = axis.left_out(layers, positions) if broken else []
    clamped_open_at = open_at
    is_turned = open_at is End.FREE
    if is_turned:
        layers, count = layers[::-1], len(layers)
        gaps = [(count - after, count - first) for first, after in reversed(gaps)]
        clamped_open_at = End.FIXED
        ports = [replace(port, end=_OTHER[port.end]) for port in ports]
        rods = rods and replace(rods, disc_springs=False)  # they stand at the open end
    wide, side = (SLIM, _SLIM_SIDE) if is_slim and rods is None else (WIDTH, _SIDE)
    along = axis.place(layers, gaps, side, wide - 2 * side, equal_layers=equal_layers)
    width = max(wide, along.end + side)
    page = Page(layers, along, prefix, is_turned)
    used, shapes = _layers(page, link, parts)
    drawn = [
        f"<defs>{patterns(prefix)}{patterns(prefix + COARSE, 2.2)}{''.join(used.values())}</defs>",
        clamp.draw((along.start, along.end), prefix, rods, ports, clamped_open_at) if rods else "",
        f'<g class="layers">{shapes}</g>',
        _outline(page),
        *(_break(gap, open_link) for gap in along.gaps),
        section.cell_numbers(page),
        section.ends(page, rods is not None, open_at),
        section.ruler(page, revised),
        section.height(page),
        section.changes(page, revised),
        section.pointer(page, marked),
    ]
    drawn.append(
        '<rect class="found d-ink" pointer-events="none" width="0" height="0" '
        f'stroke="{svg.INK}" stroke-width="3"/>'
    )
    y = TRIANGLES + (46 if revised else 16)
    drawn.append(
        f'<text class="says word" id="{prefix}-says" x="40" y="{n(y)}" '
        f'font-size="{svg.BODY:g}" fill="{svg.INK}"></text>'
    )
    below, high = "", 0.0
    if has_legend:
        below, high = _below(page, y + 22, detail if has_detail else 0, revised, rods)
    return svg.sheet(
        width,
        y + 22 + high,
        "".join(drawn) + below,
        prefix=prefix,
        title=title,
        description=_description(layers, along, End.FREE if is_turned else End.FIXED),
        kind="pile wide" if width > wide else "pile",
    )


def _layers(
    page: Page, link: Callable[[Layer], str] | None, revised: set[int]
) -> tuple[dict[str, str], str]:
    """Shapes that are drawn once, and every layer as a use of one of them."""
    prefix, layers = page.prefix, page.layers
    names: dict[tuple[object, float], str] = {}
    used: dict[str, str] = {}
    drawn = []
    tag = "a" if link else "g"
    for index, (x, wide) in page.axis.places.items():
        layer, look = layers[index], page.looks[index]
        key = (look, wide)
        name = names.get(key)
        if name is None:
            name = names[key] = f"{prefix}-{len(names)}"
            body = shape(look, wide, PILE_HEIGHT, prefix)
            used[name] = f'<g id="{name}">{body}</g>'
        href = f' href="{svg.said(link(layer))}"' if link else ' tabindex="0" role="img"'
        set_off = svg.box(x, PILE_TOP, wide, PILE_HEIGHT, SET_OFF) if layer.part in revised else ""
        drawn.append(
            f'<{tag} class="layer"{href} data-position="{layer.position}">'
            f"<title>{svg.said(_title(layer))}</title>"
            f'<use href="#{name}" x="{n(x)}" y="{PILE_TOP:g}"/>{set_off}</{tag}>'
        )
    return used, "".join(drawn)


def _title(layer: Layer) -> str:
    kind = str(layer.kind)
    if layer.kind is Kind.HALF_PLATE and layer.side:
        kind = f"half plate, {layer.side} side"
    elif layer.kind is Kind.GASKET and layer.joint:
        kind = f"{layer.joint} gasket"
    words = [f"{layer.position}: {kind} {layer.label}"]
    if layer.lot:
        words.append(f"lot {layer.lot}")
    if layer.facing is not Facing.EITHER:
        words.append(f"faces the {layer.facing}")
    if layer.cell:
        words.append(f"cell {layer.cell}")
    return ", ".join(words)


def _break(gap: axis.Gap, open_link: str | None) -> str:
    """The broken middle: two break lines, and how many cells are not drawn."""
    left, right = gap.x, gap.x + axis.BREAK_WIDTH
    middle, top, bottom = (left + right) / 2, PILE_TOP - 1, PILE_BOTTOM + 1
    back = svg.freehand(right, bottom, top).partition("q")[2]
    torn = f"{svg.freehand(left, top, bottom)}L{n(right)} {n(bottom)}q{back}z"
    cells = gap.last_cell - gap.first_cell + 1
    turned = f' transform="rotate(-90 {n(middle)} {n((top + bottom) / 2)})"'
    words = f"{cells} cells not drawn"
    left_out = f"{gap.first_cell}…{gap.last_cell}"
    title = f"Cells {gap.first_cell} to {gap.last_cell} are built alike and not drawn."
    title += " Show all layers." if open_link else ""
    tag, href = ("a", f' href="{svg.said(open_link)}"') if open_link else ("g", "")
    return (
        f'<{tag} class="opens"{href}><title>{title}</title>'
        f'<path class="d-paper" fill="{svg.PAPER}" d="{torn}"/>'
        f'<path {svg.FINE} d="{svg.freehand(left, top, bottom)}'
        f'{svg.freehand(right, bottom, top)}"/>'
        + svg.word(
            middle, (top + bottom) / 2 + 4, words, size=svg.SMALL, anchor="middle",
            pen="word linked", more=turned,
        )
        + svg.word(middle, PILE_TOP - 40, left_out, size=svg.SMALL, anchor="middle", pen="soft")
        + f"</{tag}>"
    )  # fmt: skip


def _outline(page: Page) -> str:
    """The heavy outline around the layers, and the axis; the pointer goes through to the layers."""
    start, end = page.axis.start, page.axis.end
    middle = (PILE_TOP + PILE_BOTTOM) / 2
    outline = svg.box(start, PILE_TOP, end - start, PILE_HEIGHT, svg.OUTLINE)
    centre = svg.line(start - 74, middle, end + 74, middle, svg.CENTRE_LINE)
    return f'<g pointer-events="none">{outline}{centre}</g>'


def _below(
    page: Page, y: float, cell_asked: int | None, revised: list[Revision], rods: Rods | None
) -> tuple[str, float]:
    """The detail of one cell, the legend, the scale and its note; and how high they are."""
    left, drawn, high = 40.0, [], 0.0
    cell = _cell_in_detail(page, cell_asked, revised)
    if cell:
        body, wide, high = detail(page, cell, (left, y))
        drawn += [body, section.circle(page, cell)]
        left += wide + 30
    names = _used(page.layers, rods) + (["change"] if revised else [])
    columns = 1 if cell else 4
    body, legend_high = legend(left, y, page.prefix, names, columns=columns, width=230)
    drawn.append(body)
    if not page.layers:
        return "".join(drawn), max(high, legend_high)
    note_y = y + legend_high + 18
    if page.axis.units_per_mm:
        drawn.append(svg.scale_bar(left, note_y, page.axis.units_per_mm))
        note_y += 44
        note = "Thin layers not to scale."
    else:
        note = "All layers drawn equally wide."
    drawn.append(svg.word(left, note_y, note, size=svg.SMALL, pen="soft"))
    if rods:
        drawn.append(
            svg.word(left, note_y + 17, "Compression plates shortened.", size=svg.SMALL, pen="soft")
        )
    return "".join(drawn), max(high, note_y + 30 - y)


def _cell_in_detail(page: Page, cell_asked: int | None, revised: list[Revision]) -> int:
    """The cell asked for if it is drawn, else the first changed one, else one in the middle."""
    cells = list(page.cells)
    if cell_asked == 0 or not cells:
        return 0
    if cell_asked and cell_asked in cells:
        return cell_asked
    parts = {part for revision in revised for part in revision.parts}
    changed = {x.cell for x in page.layers if x.part in parts}
    return next(
        (c for c in cells if c in changed), cells[min((len(cells) - 1) // 2, _DETAIL_BEFORE)]
    )


def _used(layers: Sequence[Layer], rods: Rods | None) -> list[str]:
    """What the legend must explain, in its own order."""
    fluids = {HATCHINGS[x.material] for x in layers if x.kind not in {Kind.GASKET, Kind.MEA}}
    fluids |= {"single"} if rods else set()
    fluids |= {"elastomer" for x in layers if x.kind is Kind.GASKET}
    if any(x.kind is Kind.MEA for x in layers):
        fluids |= {"membrane", "gdl"}
    fluids |= {"fuel" for x in layers if x.side is Side.FUEL}
    fluids |= {"air" for x in layers if x.side is Side.AIR}
    fluids |= {
        "water" for x in layers if x.joint is Joint.COOLANT or x.back is Back.CHANNELLED
    }  # fmt: skip
    order = ("paired", "single", "crossed", "elastomer", "membrane", "gdl", "fuel", "air", "water")
    return [name for name in order if name in fluids]


def _description(layers: Sequence[Layer], along: axis.Axis, left: End) -> str:
    cells = sum(layer.kind in CELL_KINDS for layer in layers)
    text = f"Section through a pile of {len(layers)} layers in {cells} cells, {left} at the left."
    for gap in along.gaps:
        text += f" Cells {gap.first_cell} to {gap.last_cell} are not drawn."
    return text + " A table with the same content follows the drawing."
