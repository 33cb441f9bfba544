"""Where each layer lies along the axis of the drawing, and which cells are left out."""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Kind

MOST_CELLS = 24
"""More cells than this: the middle of the pile is broken where it repeats."""
END_CELLS = 5
"""Cells drawn at each end of a broken pile."""
BREAK_WIDTH = 52.0
MOST_PER_MM = 14.0
_LEAST = {Kind.GASKET: 4.0, Kind.MEA: 4.5, Kind.HALF_PLATE: 9.0}
_LEAST_OTHER = 8.0
_NO_LAYERS = 160.0


@dataclass(frozen=True, slots=True)
class Gap:
    """Cells that are not drawn, and where the drawing is broken for them."""

    x: float
    first_cell: int
    last_cell: int
    layers: int


@dataclass(frozen=True, slots=True)
class Axis:
    """Each drawn layer by its index in the pile with x and width; the breaks; the scale."""

    places: dict[int, tuple[float, float]]
    gaps: tuple[Gap, ...]
    start: float
    end: float
    units_per_mm: float | None
    """None where all layers are drawn equally wide"""


def left_out(layers: Sequence[Layer], positions: Collection[int]) -> list[tuple[int, int]]:
    """Return layers not drawn in a broken pile, as (first index, index after the last).

    Whole cells from the middle with what lies between them, never one of the positions in
    ``positions`` nor the cells beside, nor a cell built differently from the cell before it.
    """
    cells: dict[int, list[int]] = {}
    for index, layer in enumerate(layers):
        if layer.cell:
            cells.setdefault(layer.cell, []).append(index)
    if len(cells) <= MOST_CELLS:
        return []
    last = max(cells)
    cells_drawn = set(range(1, END_CELLS + 1)) | set(range(last - END_CELLS + 1, last + 1))
    cells_asked = {layer.cell for layer in layers if layer.cell and layer.position in positions}
    cells_drawn |= {cell + beside for cell in cells_asked for beside in (-1, 0, 1)}
    built = {cell: [_build(layers[index]) for index in places] for cell, places in cells.items()}
    cells_drawn |= {cell for cell in cells if cell > 1 and built[cell] != built.get(cell - 1)} - {
        cell for cell in cells if built.get(cell - 1) != built.get(cell - 2)
    }
    for layer, after in pairwise(layers):
        if layer.position in positions and not layer.cell and after.cell:
            cells_drawn.add(after.cell)
    gaps = []
    cell = 1
    while cell <= last:
        until = cell
        while until in cells and until not in cells_drawn:
            until += 1
        if until - cell >= 3:
            gaps.append((cells[cell][0], cells[until][0]))
        cell = max(until, cell + 1)
    return gaps


def _build(layer: Layer) -> tuple[Kind, str]:
    return layer.kind, layer.part_type


def place(
    layers: Sequence[Layer],
    gaps: Sequence[tuple[int, int]],
    start: float,
    width: float,
    *,
    equal_layers: bool,
) -> Axis:
    """Lay the layers along the axis between ``start`` and ``start + width``, at one scale.

    Thin layers get the least width that can be seen; a pile that does not fit is drawn wider.
    """
    out = {index for first, after in gaps for index in range(first, after)}
    drawn = [index for index in range(len(layers)) if index not in out]
    room = width - BREAK_WIDTH * len(gaps)
    per_mm: float | None = None
    if equal_layers:
        widths = [min(26.0, max(7.0, room / max(1, len(drawn))))] * len(drawn)
    else:
        per_mm = _scale([layers[index] for index in drawn], room)
        widths = [_width(layers[index], per_mm) for index in drawn]
    places, breaks = {}, []
    total = sum(widths) + BREAK_WIDTH * len(gaps) if drawn else _NO_LAYERS
    x = start = start + max(0.0, (width - total) / 2)
    begins = {first: (first, after) for first, after in gaps}
    upcoming = sorted(begins)
    for index, wide in zip(drawn, widths, strict=True):
        while upcoming and upcoming[0] < index:
            first, after = begins[upcoming.pop(0)]
            inside = [layer.cell for layer in layers[first:after] if layer.cell]
            breaks.append(Gap(x, min(inside), max(inside), after - first))
            x += BREAK_WIDTH
        places[index] = (x, wide)
        x += wide
    return Axis(places, tuple(breaks), start, start + total, per_mm)


def _width(layer: Layer, per_mm: float) -> float:
    return max(_LEAST.get(layer.kind, _LEAST_OTHER), layer.thickness_mm * per_mm)


def _scale(layers: Sequence[Layer], room: float) -> float:
    """Drawing units for a millimetre, so that the pile fills the room."""
    alike = Counter((layer.kind, layer.thickness_mm) for layer in layers)
    least = [(_LEAST.get(kind, _LEAST_OTHER), mm, times) for (kind, mm), times in alike.items()]
    low, high = 0.5, MOST_PER_MM
    for _ in range(24):
        middle = (low + high) / 2
        if sum(max(units, mm * middle) * times for units, mm, times in least) > room:
            high = middle
        else:
            low = middle
    # A pile which does not fit at all is drawn at the scale its half plates can be seen at.
    least_plate = max(
        (9.0 / mm for kind, mm in alike if kind is Kind.HALF_PLATE and mm), default=low
    )
    return max(low, min(least_plate, MOST_PER_MM)) if low < 0.6 else low
