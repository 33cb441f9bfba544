"""The pile between the two compression plates: its layers, cells and neighbours; opened, closed.

Two piles against each other are in comparison, of the stacks.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Optional, Self

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.vocabulary import Back, End, Facing, Joint, Kind, Material, Side

CELL_KINDS = frozenset({Kind.MEA, Kind.BLANK_CELL})


@dataclass(frozen=True, slots=True)
class Layer:
    """One position of a pile, position 1 at the fixed end.

    ``part`` is the lasting key of the part; ``label`` is what a person reads (a serial, or a lot
    with the item's number). Thickness in mm. ``cell`` counts from the fixed end; None outside
    the cells.
    """

    position: int
    part: int
    kind: Kind
    label: str
    part_type: str
    facing: Facing = Facing.EITHER
    material: Material = Material.METAL
    thickness_mm: float = 1.0
    side: Side | None = None
    back: Back = Back.NONE
    joint: Joint | None = None
    lot: str | None = None
    cell: int | None = None

    def at(self, position: int, cell: int | None) -> "Layer":
        """Return the same part in another place; itself where nothing differs."""
        if self.position == position and self.cell == cell:
            return self
        return Layer(
            position,
            self.part,
            self.kind,
            self.label,
            self.part_type,
            self.facing,
            self.material,
            self.thickness_mm,
            self.side,
            self.back,
            self.joint,
            self.lot,
            cell,
        )


@dataclass(frozen=True, slots=True)
class Counts:
    """What a pile holds. ``cells`` are those with an MEA; a blank cell keeps a cell number."""

    layers: int
    cells: int
    blank_cells: int
    half_plates: int
    gas_gaskets: int
    coolant_layers: int
    by_kind: Mapping[Kind, int]


@dataclass(frozen=True, slots=True)
class Beside:
    """What lies next on one side of a layer, and the nearest of each kind further on."""

    next: Layer | None
    half_plate: Layer | None
    gasket: Layer | None
    cell: Layer | None
    """the nearest MEA or blank cell"""


@dataclass(frozen=True, slots=True)
class Neighbours:
    """What lies on both sides of a layer."""

    toward_fixed_end: Beside
    toward_free_end: Beside


def number_cells(layers: Sequence[Layer]) -> tuple[Layer, ...]:
    """Number the cells: the cell each layer belongs to.

    Each MEA or blank cell makes a cell, counted from the fixed end. A half plate or gas gasket
    belongs to the cell its gas side meets: of two half plates back to back one goes to each
    side. Coolant gaskets, collectors and insulator plates belong to no cell, nor does a plate
    with no MEA on its gas side yet. Any pile is answered, however odd: incomplete ones too.

    Source: common practice, no source.
    """
    cells: list[int | None] = [None] * len(layers)
    centres = [index for index, layer in enumerate(layers) if layer.kind in CELL_KINDS]
    for number, index in enumerate(centres, 1):
        cells[index] = number
    starts = [-1, *centres]
    ends = [*centres, len(layers)]
    for number, (start, end) in enumerate(zip(starts, ends, strict=True)):
        before, after = _share(layers, start, end, number)
        for index in before:
            cells[index] = number
        for index in after:
            cells[index] = number + 1
    return tuple(layer.at(layer.position, cell) for layer, cell in zip(layers, cells, strict=True))


def _share(layers: Sequence[Layer], start: int, end: int, number: int) -> tuple[range, range]:
    """Indices between two cell centres: those of the cell before, those of the cell after."""
    has_before, has_after = number > 0, end < len(layers)
    parting = [index for index in range(start + 1, end) if not _of_a_cell(layers[index])]
    plates = [index for index in range(start + 1, end) if layers[index].kind is Kind.HALF_PLATE]
    if parting:
        first, last = parting[0], parting[-1]
        before_end = min([index + 1 for index in plates if index < first], default=first)
        after_start = max([index for index in plates if index > last], default=last + 1)
    elif len(plates) > 1 or not (has_before and has_after):
        before_end = plates[0] + 1 if plates else end
        after_start = plates[-1] if plates else start + 1
    elif plates:
        lone = plates[0]
        of_after = _side_of_first_plate(layers, start) is layers[lone].side is not None
        before_end = lone if of_after else lone + 1
        after_start = before_end
    else:
        before_end = after_start = start + 1 + (end - start) // 2
    return (
        range(start + 1, before_end) if has_before else range(0),
        range(after_start, end) if has_after else range(0),
    )


def _of_a_cell(layer: Layer) -> bool:
    return layer.kind is Kind.HALF_PLATE or (
        layer.kind is Kind.GASKET and layer.joint is not Joint.COOLANT
    )


def _side_of_first_plate(layers: Sequence[Layer], centre: int) -> Side | None:
    """Which gas the plate on the fixed-end side of a cell centre meets."""
    for index in range(centre - 1, -1, -1):
        if layers[index].kind is Kind.HALF_PLATE:
            return layers[index].side
        if not _of_a_cell(layers[index]):
            return None
    return None


def counts(layers: Sequence[Layer]) -> Counts:
    """Count parts of each kind, cells and coolant layers of a pile."""
    by_kind = Counter(layer.kind for layer in layers)
    coolant = sum(layer.joint is Joint.COOLANT for layer in layers if layer.kind is Kind.GASKET)
    return Counts(
        layers=len(layers),
        cells=by_kind[Kind.MEA],
        blank_cells=by_kind[Kind.BLANK_CELL],
        half_plates=by_kind[Kind.HALF_PLATE],
        gas_gaskets=by_kind[Kind.GASKET] - coolant,
        coolant_layers=coolant,
        by_kind=dict(by_kind),
    )


def height_mm(layers: Sequence[Layer]) -> float:
    """Compute the height of the pile in mm, rigid as drawn, plates not counted in."""
    return sum(layer.thickness_mm for layer in layers)


def neighbours(layers: Sequence[Layer], position: int) -> Neighbours:
    """Return what lies nearest to the layer at a position (counted from 1) on both its sides.

    Raises OutOfRange where the pile has no such position.
    """
    if not 1 <= position <= len(layers):
        allowed = f"1 to {len(layers)}" if layers else "none, the pile is empty"
        raise OutOfRange("position", position, "", allowed)
    return Neighbours(
        toward_fixed_end=_beside(layers[index] for index in range(position - 2, -1, -1)),
        toward_free_end=_beside(layers[index] for index in range(position, len(layers))),
    )


def _beside(outward: Iterator[Layer]) -> Beside:
    onward: list[Layer] = []
    for layer in outward:
        onward.append(layer)
        if layer.kind in CELL_KINDS and {Kind.HALF_PLATE, Kind.GASKET} <= {s.kind for s in onward}:
            break

    def nearest(of: Callable[[Layer], bool]) -> Layer | None:
        return next((layer for layer in onward if of(layer)), None)

    return Beside(
        next=onward[0] if onward else None,
        half_plate=nearest(lambda layer: layer.kind is Kind.HALF_PLATE),
        gasket=nearest(lambda layer: layer.kind is Kind.GASKET),
        cell=nearest(lambda layer: layer.kind in CELL_KINDS),
    )


# An opened pile: layers are lifted off and put on at its two ends, and nowhere else.


class Chain(NamedTuple):
    """The outermost layer put on at an end, and the chain beneath it."""

    layer: Layer
    beneath: Optional["Chain"]


class OpenPile(NamedTuple):
    """A pile as it stands during an event.

    Each step gives a new pile and leaves the old one as it was, so that undo is going back to
    the pile before. A step costs the same however high the pile is.

    The core stands as a block from ``start`` to ``end``; what was put on since hangs in a chain
    at each end. Once the core is used up, the block is made anew from the chain at the far end.
    """

    core: tuple[Layer, ...]
    start: int
    end: int
    is_first_core: bool
    at_fixed: Chain | None
    at_free: Chain | None

    @classmethod
    def begun(cls, layers: Sequence[Layer]) -> Self:
        """Return the pile as the event found it."""
        return cls(tuple(layers), 0, len(layers), True, None, None)

    def put_on(self, end: End, layer: Layer) -> Self:
        """Return the pile with one layer more at an end."""
        if end is End.FIXED:
            return self._replace(at_fixed=Chain(layer, self.at_fixed))
        return self._replace(at_free=Chain(layer, self.at_free))

    def lift_off(self, end: End) -> tuple[Layer, Self]:
        """Return the outermost layer at an end, and the pile without it.

        Raises Inconsistent where nothing is left.
        """
        if end is End.FIXED:
            if self.at_fixed:
                return self.at_fixed.layer, self._replace(at_fixed=self.at_fixed.beneath)
            if self.start < self.end:
                return self.core[self.start], self._replace(start=self.start + 1)
        else:
            if self.at_free:
                return self.at_free.layer, self._replace(at_free=self.at_free.beneath)
            if self.start < self.end:
                return self.core[self.end - 1], self._replace(end=self.end - 1)
        if not (self.at_fixed or self.at_free):
            raise Inconsistent(f"Nothing is left to lift off at the {end}: the pile is empty.")
        core = tuple(self._standing())
        return type(self)(core, 0, len(core), False, None, None).lift_off(end)

    def outermost(self, end: End) -> Layer | None:
        """Return the layer that would be lifted off next at an end; None from an empty pile."""
        try:
            return self.lift_off(end)[0]
        except Inconsistent:
            return None

    @property
    def layers(self) -> tuple[Layer, ...]:
        """All layers as they stand, positions counted anew from 1, cells numbered anew."""
        return number_cells(
            [layer.at(position, layer.cell) for position, layer in enumerate(self._standing(), 1)]
        )

    @property
    def kept(self) -> tuple[Layer, ...]:
        """The layers which have not been lifted since it was opened, as they were numbered then."""
        return self.core[self.start : self.end] if self.is_first_core else ()

    def _standing(self) -> Iterator[Layer]:
        yield from _outermost_first(self.at_fixed)
        yield from self.core[self.start : self.end]
        yield from reversed(list(_outermost_first(self.at_free)))


def _outermost_first(chain: Chain | None) -> Iterator[Layer]:
    while chain:
        yield chain.layer
        chain = chain.beneath
