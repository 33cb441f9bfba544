"""The lists of a changeover: what is lifted off, renewed, laid and put on again."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.pile import Layer, height_mm, number_cells
from service.planning.arithmetic.options import Placed
from service.planning.arithmetic.picks import Need, Picked
from service.planning.arithmetic.ways import Renewing, Way
from service.planning.arithmetic.wishes import Place
from service.platform.arithmetic.vocabulary import End


@dataclass(frozen=True, slots=True)
class Lift:
    """One layer to lift off, at which end, and what becomes of it."""

    end: End
    layer: Layer
    then: str


@dataclass(frozen=True, slots=True)
class Renewal:
    """A part that must be renewed because it is reached."""

    layer: Layer
    reason: str


@dataclass(frozen=True, slots=True)
class PutOn:
    """One layer to put on, at which end; ``again`` where it was lifted off before.

    ``layer`` stands at its position in the new pile. Where the store gives no part it is what
    the design asks for, and ``wanting`` is set.
    """

    end: End
    layer: Layer
    again: bool
    wanting: bool


def reached_of(stack: Placed, way: Way) -> frozenset[int]:
    """Indices of the layers that do not stay as they stand."""
    return frozenset(range(len(stack.pile))) - frozenset(range(way.kept.start, way.kept.stop))


def is_new(place: Place, renewing: Renewing, reached: frozenset[int]) -> bool:
    """Whether a new part comes there: wished for, or because the old one is renewed."""
    return place.old is None or (place.old in reached and renewing.at(place.old))


def staying_lots(
    stack: Placed, wanted: Sequence[Place], renewing: Renewing, reached: frozenset[int]
) -> dict[Item, frozenset[str | None]]:
    """The lots of the parts that stay or go back, for each item."""
    lots: dict[Item, set[str | None]] = defaultdict(set)
    for place in wanted:
        if place.old is not None and place.item and not is_new(place, renewing, reached):
            layer = stack.pile[place.old]
            if layer.kind is place.item.kind:
                lots[place.item].add(layer.lot)
    return {item: frozenset(some) for item, some in lots.items()}


def laid_of(
    stack: Placed, wanted: Sequence[Place], picked: Picked, needs: Sequence[Need]
) -> tuple[tuple[Layer, ...], float | None]:
    """The new pile, and its height in mm where all thicknesses are known."""
    picks = {one.position: one for one in picked.picks}
    new = {need.place for need in needs}
    known = True
    layers = []
    for at, place in enumerate(wanted):
        position = at + 1
        if place.old is not None and at not in new:
            layers.append(stack.pile[place.old].at(position, None))
        elif position in picks:
            layers.append(
                picks[position].candidate.layer(picks[position].item, position, -position)
            )
        elif place.item is not None:
            known = known and place.item.thickness_mm is not None
            layers.append(place.item.layer(position, -position))
    numbered = number_cells(layers)
    return numbered, height_mm(numbered) if known else None


def lifts_of(
    stack: Placed,
    way: Way,
    wanted: Sequence[Place],
    leaving: Mapping[int, str],
    renewing: Renewing,
) -> Iterator[Lift]:
    """What is lifted off, in this order, and what becomes of it."""
    staying = {place.old for place in wanted}
    for end in way.ends:
        for index in _lifted_at(end, way, len(stack.pile)):
            if renewing.at(index) and (index in staying or index in leaving):
                then = f"to be renewed: {renewing.reasons[index]}"
            elif index in staying:
                then = "goes back"
            else:
                then = f"goes to {leaving[index]}" if index in leaving else "comes out"
            yield Lift(end, stack.pile[index], then)


def _lifted_at(end: End, way: Way, layers: int) -> Iterable[int]:
    kept = way.kept
    if kept.start == kept.stop:
        return range(layers - 1, -1, -1) if end is End.FREE else range(layers)
    return range(layers - 1, kept.stop - 1, -1) if end is End.FREE else range(kept.start)


def renewals_of(
    stack: Placed, wanted: Sequence[Place], renewing: Renewing, reached: frozenset[int]
) -> Iterator[Renewal]:
    """What must be renewed because it is reached, in the order of the new pile."""
    for place in wanted:
        if place.old is not None and is_new(place, renewing, reached):
            yield Renewal(stack.pile[place.old], renewing.reasons[place.old])


def put_on_of(
    way: Way,
    wanted: Sequence[Place],
    layers: Sequence[Layer],
    renewing: Renewing,
    wanting: set[int],
) -> Iterator[PutOn]:
    """What is put on, in this order: from what stayed outward."""
    kept = way.kept
    low, high = kept.start + kept.shift, kept.stop + kept.shift
    for end in way.ends:
        if kept.start == kept.stop:
            free = end is End.FREE
            order: Iterable[int] = range(len(layers)) if free else range(len(layers) - 1, -1, -1)
        else:
            order = range(high, len(layers)) if end is End.FREE else range(low - 1, -1, -1)
        for at in order:
            index = wanted[at].old
            again = index is not None and not renewing.at(index)
            yield PutOn(end, layers[at], again, layers[at].position in wanting)
