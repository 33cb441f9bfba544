"""The pile a design asks for with so many cells: drawn, and each part counted."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.designs.arithmetic.grammar import Item, Pattern, objections, sequence
from service.designs.arithmetic.pattern_types import KnownType, as_drawn, completed, types_named
from service.designs.arithmetic.pile import counts, height_mm, number_cells
from service.platform.pages.render import quantity
from service.stacks.drawings.pile import draw_pile

MOST_DRAWN = 2_000
USUALLY_SHOWN = 4
"""Cells drawn where nobody has said how many."""


@dataclass(frozen=True, slots=True)
class CountedItem:
    """How many of one part a pile needs."""

    words: str
    part_type: str
    name: str
    count: int


@dataclass(frozen=True, slots=True)
class AsDesignedPile:
    """The pile for so many cells, and what a stack builder would say against the pattern."""

    cells: int
    drawing: Markup
    in_words: str
    counted: tuple[CountedItem, ...]
    objections: tuple[str, ...]


def as_designed(
    pattern: Pattern, cells: int, types: Sequence[KnownType], *, title: str, is_slim: bool = False
) -> AsDesignedPile:
    """Draw and count the pile of a pattern for so many cells, whatever the design allows."""
    cells = max(1, min(cells, MOST_DRAWN))
    whole, misnamed = completed(pattern, types)
    drawn = as_drawn(whole, types)
    items = list(sequence(drawn, cells))
    layers = number_cells([item.layer(at, -at) for at, item in enumerate(items, 1)])
    held = counts(layers)
    said = [f"{one.where} {one.number}: {one.reason} {one.right_would_be}" for one in misnamed]
    return AsDesignedPile(
        cells,
        Markup(  # noqa: S704 - our own drawing
            draw_pile(
                layers,
                title=title,
                has_detail=False,
                has_legend=not is_slim,
                is_slim=is_slim,
                prefix="designed",
            )
        ),
        f"{held.half_plates} half plates, {held.gas_gaskets} cell gaskets, "
        f"{held.coolant_layers} coolant layers; {held.layers} layers, "
        f"{quantity(height_mm(layers), 'mm', 1)} as drawn",
        _counted(items, types),
        (*said, *(objections(whole) if not said else ())),
    )


def _counted(items: Sequence[Item], types: Sequence[KnownType]) -> tuple[CountedItem, ...]:
    """Each different part, in order of appearance."""
    number = Counter((item.words, item.part_type) for item in items)
    return tuple(
        CountedItem(words, part_type, _name(part_type, types), count)
        for (words, part_type), count in number.items()
    )


def _name(part_type: str, types: Sequence[KnownType]) -> str:
    found = types_named(part_type, types) if part_type else ()
    return found[0].name if found else ""
