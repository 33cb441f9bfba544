"""Which end to open: the ways from one pile to another, and what each costs."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

from service.designs.arithmetic.grammar_text import cells as cells_in_words
from service.planning.arithmetic.options import Place, Placed
from service.platform.arithmetic.vocabulary import End, Joint, Kind


@dataclass(frozen=True, slots=True)
class Weights:
    """What each unit of work counts, in layers handled.

    Common practice, no source: our own setting, to be changed where a shop sees it differently.
    """

    layer: float = 1.0
    """a layer lifted off or put on"""
    renewal: float = 2.0
    """a part renewed only because it was reached"""
    cell: float = 2.0
    """a cell that stays and was disturbed all the same"""
    pair: float = 1.0
    """two half plates back to back that are parted for good"""
    second_end: float = 8.0
    """opening the other end too: turning the stack over"""


OUR_WEIGHTS = Weights()


class Kept(NamedTuple):
    """The layers that stay as they are, from start to before stop in the old pile.

    In the new one they stand ``shift`` further on.
    """

    start: int
    stop: int
    shift: int


@dataclass(frozen=True, slots=True)
class Way:
    """One way from the old pile to the new, with its cost.

    ``renewals`` are parts that could stay but for being reached; ``cells_disturbed`` cells that
    stay and are opened all the same; ``pairs_parted`` half plates back to back that are parted.
    """

    ends: tuple[End, ...]
    kept: Kept
    lifted: int
    put_on: int
    renewals: int
    cells_disturbed: int
    pairs_parted: int
    cost: float


class Renewing(NamedTuple):
    """Why a layer is renewed once it is reached; empty: it may go back. One entry a layer."""

    reasons: tuple[str, ...]

    def at(self, index: int) -> bool:
        """Say whether the layer is renewed once it is reached."""
        return bool(self.reasons[index])


def ways(
    stack: Placed,
    wanted_places: Sequence[Place],
    renewing: Renewing,
    *,
    may_open: Iterable[End] = tuple(End),
    weights: Weights = OUR_WEIGHTS,
) -> list[Way]:
    """Return all sensible ways to the wanted pile, the cheapest first.

    Of equal ones the free end.

    A layer stays where it is if all between it and one unopened stretch stays, and if it need not
    be renewed because a face of it is parted. Of a stretch that can stay the longest is cheapest.
    """
    old = len(stack.pile)
    stays = [place.old for place in wanted_places]
    may = set(may_open)
    stretch = _told(stack, stays, renewing)
    ways_found = []
    for stretch_kept in _stretches_kept(stays, old):
        trimmed = _trimmed(stretch_kept, old, len(wanted_places), renewing)
        ends = _ends(trimmed, old, len(wanted_places), may)
        if ends and set(ends) <= may:
            ways_found.append(_way(stretch, trimmed, ends, weights))
    return sorted(ways_found, key=lambda way: (way.cost, way.ends != (End.FREE,), len(way.ends)))


class _Told(NamedTuple):
    """What is the same for all ways to a pile."""

    old: int
    new: int
    renewals_before: tuple[int, ...]
    """of the layers that stay, how many before each index are renewed once reached"""
    spans: tuple[tuple[int, int], ...]
    """first and last index of each cell that stays"""
    pairs_parted: int


def _told(stack: Placed, stays: Sequence[int | None], renewing: Renewing) -> _Told:
    staying = {index for index in stays if index is not None}
    before = [0]
    for index in range(len(stack.pile)):
        before.append(before[-1] + (index in staying and renewing.at(index)))
    spans: dict[int, tuple[int, int]] = {}
    for index, layer in enumerate(stack.pile):
        if layer.cell is not None:
            spans[layer.cell] = (spans.get(layer.cell, (index, index))[0], index)
    kept_cells = [stack.pile[centre].cell for centre in stack.centres if centre in staying]
    return _Told(
        len(stack.pile),
        len(stays),
        tuple(before),
        tuple(spans[cell] for cell in kept_cells if cell is not None),
        pairs_parted(stack, stays),
    )


def _stretches_kept(stays: Sequence[int | None], old: int) -> Iterator[Kept]:
    """Stretches that may stay: at the fixed end, at the free end, and those in between."""
    new = len(stays)
    low = 0
    while low < min(old, new) and stays[low] == low:
        low += 1
    yield Kept(0, low, 0)
    high = 0
    while high < min(old, new) and stays[new - 1 - high] == old - 1 - high:
        high += 1
    yield Kept(old - high, old, new - old)
    begin = 0
    while begin < new:
        index = stays[begin]
        until = begin + 1
        if index is not None:
            while until < new and stays[until] == index + until - begin:
                until += 1
            inside = (index > 0 or begin > 0) and (index + until - begin < old or until < new)
            if inside:
                yield Kept(index, index + until - begin, begin - index)
        begin = until


def _trimmed(run: Kept, old: int, new: int, renewing: Renewing) -> Kept:
    """Without the layers at its faces that are renewed once a face of theirs is parted."""
    start, stop, shift = run
    if start > 0 or shift != 0:
        while start < stop and renewing.at(start):
            start += 1
    if stop < old or stop + shift < new:
        while start < stop and renewing.at(stop - 1):
            stop -= 1
    return Kept(start, stop, shift)


def _ends(run: Kept, old: int, new: int, may: set[End]) -> tuple[End, ...]:
    """The ends opened; a pile of which nothing stays is taken down from one, the free if it may."""
    if run.start == run.stop:
        return tuple(end for end in (End.FREE, End.FIXED) if end in may)[:1]
    ends = []
    if run.stop < old or run.stop + run.shift < new:
        ends.append(End.FREE)
    if run.start > 0 or run.shift != 0:
        ends.append(End.FIXED)
    return tuple(ends)


def _way(stretch: _Told, run: Kept, ends: tuple[End, ...], weights: Weights) -> Way:
    number = run.stop - run.start
    lifted, put_on = stretch.old - number, stretch.new - number
    before = stretch.renewals_before
    renewals = before[-1] - (before[run.stop] - before[run.start])
    disturbed = sum(first < run.start or last >= run.stop for first, last in stretch.spans)
    cost = (
        weights.layer * (lifted + put_on)
        + weights.renewal * renewals
        + weights.cell * disturbed
        + weights.pair * stretch.pairs_parted
        + weights.second_end * (len(ends) - 1)
    )
    return Way(ends, run, lifted, put_on, renewals, disturbed, stretch.pairs_parted, cost)


def pairs(stack: Placed) -> list[tuple[int, int]]:
    """Return half plates back to back, with nothing but coolant gaskets between, as indices."""
    pairs_found = []
    plates = [index for index, layer in enumerate(stack.pile) if layer.kind is Kind.HALF_PLATE]
    for low, high in pairwise(plates):
        between = stack.pile[low + 1 : high]
        if all(layer.kind is Kind.GASKET and layer.joint is Joint.COOLANT for layer in between):
            pairs_found.append((low, high))
    return pairs_found


def pairs_parted(stack: Placed, stays: Sequence[int | None]) -> int:
    """Count the pairs of half plates that do not lie together any more in the new pile."""
    place_of = {index: place for place, index in enumerate(stays) if index is not None}
    return sum(
        place_of[high] - place_of[low] != high - low
        if low in place_of and high in place_of
        else low in place_of or high in place_of
        for low, high in pairs(stack)
    )


# The steps of a changeover in their order, each with the topics of the cautions it calls for.


class Caution(StrEnum):
    """Topics of the cautions; their wording stands where they are shown."""

    HYDROGEN = "hydrogen"
    STORED_CHARGE = "stored charge and shorted cells"
    HOT_COOLANT = "residual hot coolant and water"
    CLAMP_ENERGY = "stored clamp energy"
    DUST_AND_MEMBRANES = "graphite dust and membranes"
    TEST_PRESSURE = "test pressure"


@dataclass(frozen=True, slots=True)
class Step:
    """One step, counted from 1."""

    number: int
    text: str
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """What the steps tell of: layers of the old and the new pile."""

    way: Way
    layers_before: int
    layers_after: int
    cells_before: int
    cells_after: int
    renewed: int
    picked: int


def steps(work: Work) -> tuple[Step, ...]:
    """Return what is done, one step after the other.

    Source: common practice, no source.
    """
    return tuple(
        Step(number, text, cautions) for number, (text, cautions) in enumerate(_texts(work), 1)
    )


def _texts(work: Work) -> Iterator[tuple[str, tuple[Caution, ...]]]:
    energy, dust = (Caution.CLAMP_ENERGY,), (Caution.DUST_AND_MEMBRANES,)
    if work.picked:
        yield f"Lay out the {work.picked} new parts of the pick list and scan each.", ()
    yield (
        "Go through the make-safe checklist line by line.",
        (Caution.HYDROGEN, Caution.STORED_CHARGE, Caution.HOT_COOLANT),
    )
    yield "Note the hours, the height at the corners and the torques as found.", ()
    yield "Draw an orientation line down one edge of the pile.", ()
    yield "Loosen the nuts backwards crosswise, in small equal steps, until all are free.", energy
    for number, end in enumerate(work.way.ends):
        if number:
            yield "Cover the open pile, secure it and turn the stack over.", (*dust, *energy)
        yield f"Take the compression plate off at the {end}.", energy
        if text := _lifting(work, end):
            yield text, (*dust, Caution.HOT_COOLANT)
        if work.renewed and not number:
            yield f"Put the {work.renewed} parts to be renewed aside for good.", ()
        if text := _stacking(work, end):
            yield text, dust
    yield "Look that every rod has its sleeve, then put the compression plate and nuts on.", ()
    yield "Tighten the nuts crosswise in passes, then once round; read each torque.", energy
    yield (
        "Measure the closed height over both compression plates and the thread out of each nut.",
        (),
    )
    yield "Check the insulation of the rods and the cells for shorts.", (Caution.STORED_CHARGE,)
    yield "Test the three circuits for tightness.", (Caution.TEST_PRESSURE,)
    if work.cells_before != work.cells_after:
        cells = f"{cells_in_words(work.cells_after)} (before: {work.cells_before})"
        text = f"Set the gas, coolant and voltage set points for {cells}."
        yield text, (Caution.HYDROGEN,)
    yield "Hand in the record.", ()


def _lifting(work: Work, end: End) -> str:
    run, before = work.way.kept, work.layers_before
    if end is End.FREE:
        first, last = before, run.stop + 1
    else:
        first, last = 1, run.start
    if run.start == run.stop:
        first, last = (before, 1) if end is End.FREE else (1, before)
    number = abs(last - first) + 1
    if (end is End.FREE and last > first) or (end is End.FIXED and last < first):
        return ""
    which = f"layers {first} to {last}" if number > 1 else f"layer {first}"
    return f"Lift off {which}, one at a time; note what is seen on each."


def _stacking(work: Work, end: End) -> str:
    run, after = work.way.kept, work.layers_after
    if run.start == run.stop:
        first, last = (1, after) if end is End.FREE else (after, 1)
    elif end is End.FREE:
        first, last = run.stop + run.shift + 1, after
    else:
        first, last = run.start + run.shift, 1
    if (end is End.FREE and first > last) or (end is End.FIXED and first < last):
        return ""
    which = f"layers {first} to {last}" if first != last else f"layer {first}"
    return f"Put on {which} of the new pile in this order."
