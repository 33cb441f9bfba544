"""The changeover plan: from the pile as it is to the pile that is wanted, the cheapest way.

What is wanted and how a pile can be changed so: options; which end to open, and the steps: ways;
parts from store: picks; height and thread: closing_checks of the closing.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from math import prod

from service.closing.arithmetic.closing_checks import Closed, RodSet, closed_on
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_check import check
from service.designs.arithmetic.grammar_findings import Finding
from service.designs.arithmetic.grammar_text import listed, name
from service.designs.arithmetic.pile import CELL_KINDS, Layer, height_mm, number_cells
from service.planning.arithmetic.options import (
    AddCells,
    Edit,
    MoveCells,
    Option,
    Place,
    Placed,
    RemoveCells,
    SplitStack,
    Wish,
    options,
    placed,
)
from service.planning.arithmetic.picks import Candidate, Need, Pick, Picked, Shortage, pick
from service.planning.arithmetic.ways import (
    OUR_WEIGHTS,
    Renewing,
    Step,
    Way,
    Weights,
    Work,
    pairs_parted,
    steps,
    ways,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import End, Kind

# Which of the ways to do a wish is the cheapest.


MOST_COMBINATIONS = 2000
"""Up to here all combinations of choices are tried; above, see _combinations."""


def renewing_of(stack: Placed, worn: Mapping[int, str]) -> Renewing:
    """Say which layers are renewed once reached: those named as worn, and what the design says."""
    reasons = []
    for index, layer in enumerate(stack.pile):
        item = stack.item(index)
        by_design = "renewed at every opening" if item and item.renew_at_opening else ""
        reasons.append((worn.get(layer.part) or by_design) if item else "")
    return Renewing(tuple(reasons))


def cheapest(
    stack: Placed,
    wishes: Sequence[Wish],
    renewing: Renewing,
    may_open: Iterable[End],
    weights: Weights,
) -> tuple[Option, list[Place], list[Way]]:
    """Return the cheapest choice, the pile it leads to, and the ways there, the cheapest first.

    Raises Inconsistent where nothing is wished for, no end may be opened, or wishes take out
    the same layers.
    """
    may = tuple(may_open)
    if not wishes:
        raise Inconsistent("Nothing is wished for; name one change at least.")
    if not may:
        raise Inconsistent("No end may be opened; one must.")
    choices = [some for wish in wishes for some in options(stack, wish)]
    best: tuple[tuple[float, bool, int], Option, list[Place], list[Way]] | None = None
    for combination in _combinations(stack, choices, renewing, weights):
        edits = [edit for option in combination for edit in option.edits]
        option = Option(
            tuple(sorted(edits, key=lambda edit: edit[:2])),
            tuple(leaving for option in combination for leaving in option.leaving),
        )
        pile = wanted_pile(stack, option.edits)
        if pile is None:
            continue
        ways_found = ways(stack, pile, renewing, may_open=may, weights=weights)
        if not ways_found:
            continue
        rank = (ways_found[0].cost, ways_found[0].ends != (End.FREE,), len(ways_found[0].ends))
        if best is None or rank < best[0]:
            best = (rank, option, pile, ways_found)
    if best is None:
        reason = "they want the same layers out twice"
        raise Inconsistent(f"These changes contradict each other: {reason}.")
    return best[1:]


def _combinations(
    stack: Placed, choices: Sequence[Sequence[Option]], renewing: Renewing, weights: Weights
) -> Iterator[tuple[Option, ...]]:
    """Which choices to try together.

    Where all combinations are too many: what stays unopened lies before the first change, behind
    the last or between two that follow on each other. So only two choices at a time decide what
    is lifted; all around the others is lifted anyway, and each of those is taken at its best.
    """
    if len(choices) < 2 or prod(map(len, choices)) <= MOST_COMBINATIONS:
        yield from product(*choices)
        return

    def all_lifted(option: Option) -> float:
        stays = [place.old for place in wanted_pile(stack, option.edits) or []]
        renewed = sum(renewing.at(index) for index in stays if index is not None)
        return weights.pair * pairs_parted(stack, stays) + weights.renewal * renewed

    ordered = sorted(choices, key=lambda some: min(option.edits[0].start for option in some))
    settled = [min(some, key=all_lifted) for some in ordered]
    for first, second in pairwise(range(len(ordered))):
        for chosen, second_way in product(ordered[first], ordered[second]):
            yield (*settled[:first], chosen, second_way, *settled[second + 1 :])


def wanted_pile(stack: Placed, edits: Sequence[Edit]) -> list[Place] | None:
    """Return the pile after the edits; None where they overlap."""
    places: list[Place] = []
    reached = 0
    for edit in edits:
        if edit.start < reached:
            return None
        places += [Place(stack.item(index), index) for index in range(reached, edit.start)]
        places += edit.places
        reached = edit.stop
    places += [Place(stack.item(index), index) for index in range(reached, len(stack.pile))]
    return places


# The lists of a changeover: what is lifted off, renewed, laid and put on again.


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
    """Return indices of the layers that do not stay as they stand."""
    return frozenset(range(len(stack.pile))) - frozenset(range(way.kept.start, way.kept.stop))


def is_new(place: Place, renewing: Renewing, reached: frozenset[int]) -> bool:
    """Say whether a new part comes there: wished for, or because the old one is renewed."""
    return place.old is None or (place.old in reached and renewing.at(place.old))


def staying_lots(
    stack: Placed, wanted_places: Sequence[Place], renewing: Renewing, reached: frozenset[int]
) -> dict[Item, frozenset[str | None]]:
    """Return the lots of the parts that stay or go back, for each item."""
    lots: dict[Item, set[str | None]] = defaultdict(set)
    for place in wanted_places:
        if place.old is not None and place.item and not is_new(place, renewing, reached):
            layer = stack.pile[place.old]
            if layer.kind is place.item.kind:
                lots[place.item].add(layer.lot)
    return {item: frozenset(some) for item, some in lots.items()}


def laid_of(
    stack: Placed, wanted_places: Sequence[Place], picked: Picked, needs: Sequence[Need]
) -> tuple[tuple[Layer, ...], float | None]:
    """Return the new pile, and its height in mm where all thicknesses are known."""
    picks = {pick.position: pick for pick in picked.picks}
    new = {need.place for need in needs}
    is_known = True
    layers = []
    for index, place in enumerate(wanted_places):
        position = index + 1
        if place.old is not None and index not in new:
            layers.append(stack.pile[place.old].at(position, None))
        elif position in picks:
            layers.append(
                picks[position].candidate.layer(picks[position].item, position, -position)
            )
        elif place.item is not None:
            is_known = is_known and place.item.thickness_mm is not None
            layers.append(place.item.layer(position, -position))
    numbered = number_cells(layers)
    return numbered, height_mm(numbered) if is_known else None


def lifts_of(
    stack: Placed,
    way: Way,
    wanted_places: Sequence[Place],
    leaving: Mapping[int, str],
    renewing: Renewing,
) -> Iterator[Lift]:
    """Return what is lifted off, in this order, and what becomes of it."""
    staying = {place.old for place in wanted_places}
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
    stretch = way.kept
    if stretch.start == stretch.stop:
        return range(layers - 1, -1, -1) if end is End.FREE else range(layers)
    return range(layers - 1, stretch.stop - 1, -1) if end is End.FREE else range(stretch.start)


def renewals_of(
    stack: Placed, wanted_places: Sequence[Place], renewing: Renewing, reached: frozenset[int]
) -> Iterator[Renewal]:
    """Return what must be renewed because it is reached, in the order of the new pile."""
    for place in wanted_places:
        if place.old is not None and is_new(place, renewing, reached):
            yield Renewal(stack.pile[place.old], renewing.reasons[place.old])


def put_on_of(
    way: Way,
    wanted_places: Sequence[Place],
    layers: Sequence[Layer],
    renewing: Renewing,
    wanting: set[int],
) -> Iterator[PutOn]:
    """Return what is put on, in this order: from what stayed outward."""
    stretch = way.kept
    low, high = stretch.start + stretch.shift, stretch.stop + stretch.shift
    for end in way.ends:
        if stretch.start == stretch.stop:
            free = end is End.FREE
            order: Iterable[int] = range(len(layers)) if free else range(len(layers) - 1, -1, -1)
        else:
            order = range(high, len(layers)) if end is End.FREE else range(low - 1, -1, -1)
        for position in order:
            index = wanted_places[position].old
            again = index is not None and not renewing.at(index)
            yield PutOn(end, layers[position], again, layers[position].position in wanting)


@dataclass(frozen=True, slots=True)
class SecondPile:
    """The pile of the stack that comes into being by a split, with what it needs from store."""

    to: str
    layers: tuple[Layer, ...]
    picks: tuple[Pick, ...]
    shortages: tuple[Shortage, ...]
    height_mm: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    """How a wish is carried out.

    ``refusals`` say why it cannot be, in sentences; empty: nothing stands against it.
    ``plates`` says which half plates leave. ``height_mm`` is None where a thickness is not
    known, ``closed`` also where no rods were told. ``findings`` are those of the new pile.
    Parts without a key of their own yet are numbered −1, −2 ….
    """

    way: Way
    others: tuple[Way, ...]
    why: str
    pile: tuple[Layer, ...]
    lift_off: tuple[Lift, ...]
    must_renew: tuple[Renewal, ...]
    picks: tuple[Pick, ...]
    shortages: tuple[Shortage, ...]
    put_on: tuple[PutOn, ...]
    plates: str
    height_mm: float | None
    closed: Closed | None
    findings: tuple[Finding, ...]
    refusals: tuple[str, ...]
    remarks: tuple[str, ...]
    steps: tuple[Step, ...]
    second: SecondPile | None


def plan(
    pattern: Pattern,
    pile: Sequence[Layer],
    wishes: Sequence[Wish],
    *,
    stack: str = "",
    store: Iterable[Candidate] = (),
    rods: RodSet | None = None,
    worn: Mapping[int, str] | None = None,
    may_open: Iterable[End] = tuple(End),
    weights: Weights = OUR_WEIGHTS,
) -> Plan:
    """Plan how a stack is changed as wished, with the least work.

    Parameters: ``pile`` complete, its cells numbered; ``wishes`` in the numbering of that pile;
    ``stack`` its name, whose reservations are its own; ``store`` what may be picked; ``worn``
    parts with the reason why they are renewed once reached, besides what the design renews at
    every opening; ``may_open`` the ends that can be opened.

    The plan is the cheapest by ``weights`` of all ways to take out and put in whole rounds of
    the pattern, from either end or both.

    Raises OutOfRange and Inconsistent for wishes that cannot be.

    Source: common practice, no source.
    """
    placed_pile = placed(pattern, pile)
    renewing = renewing_of(placed_pile, worn or {})
    option, wanted_places, found_ways = cheapest(placed_pile, wishes, renewing, may_open, weights)
    way = found_ways[0]
    candidates = tuple(store)
    reached = reached_of(placed_pile, way)
    needs = [
        Need(index, place.item, place.part)
        for index, place in enumerate(wanted_places)
        if place.item is not None and is_new(place, renewing, reached)
    ]
    picked = pick(
        needs, candidates, stack=stack, first=_taken_over(wishes),
        staying=staying_lots(placed_pile, wanted_places, renewing, reached),
    )  # fmt: skip
    layers, height = laid_of(placed_pile, wanted_places, picked, needs)
    closed = _closed(placed_pile, layers, rods) if rods and height is not None else None
    checked = check(pattern, layers)
    lift_off = tuple(lifts_of(placed_pile, way, wanted_places, dict(option.leaving), renewing))
    must_renew = tuple(renewals_of(placed_pile, wanted_places, renewing, reached))
    second = _second(placed_pile, wishes, option, renewing, (candidates, picked, stack))
    wanting = {position for shortage in picked.shortages for position in shortage.positions}
    work = Work(
        way=way, layers_before=len(pile), layers_after=len(layers), cells_before=placed_pile.cells,
        cells_after=sum(layer.kind in CELL_KINDS for layer in layers), renewed=len(must_renew),
        picked=len(picked.picks),
    )  # fmt: skip
    return Plan(
        way=way,
        others=tuple(found_ways[1:]),
        why=_why(way, found_ways[1:]),
        pile=layers,
        lift_off=lift_off,
        must_renew=must_renew,
        picks=picked.picks,
        shortages=picked.shortages,
        put_on=tuple(put_on_of(way, wanted_places, layers, renewing, wanting)),
        plates=_plates(placed_pile, wishes, option),
        height_mm=height,
        closed=closed,
        findings=checked.findings,
        refusals=(closed.refusal,) if closed and closed.refusal else (),
        remarks=(*picked.remarks, *_remarks(placed_pile, way, worn or {}, height)),
        steps=steps(work),
        second=second,
    )


def _taken_over(wishes: Sequence[Wish]) -> list[int]:
    return [part for wish in wishes if isinstance(wish, AddCells) for part in wish.taken_over]


def _closed(stack: Placed, layers: Sequence[Layer], rods: RodSet) -> Closed:
    cells = sum(layer.kind in CELL_KINDS for layer in layers)
    return closed_on(rods, layers, cells=cells, pitch_mm=_pitch_mm(stack))


def _pitch_mm(stack: Placed) -> float | None:
    """What one cell more adds in mm: what lies in the pile now, else what the design says."""
    total = 0.0
    for state in stack.states.loop:
        laid = [
            layer.thickness_mm
            for layer, layer_at in zip(stack.pile, stack.state, strict=True)
            if layer_at == state and layer.kind is stack.states.item(state).kind
        ]
        thickness = sum(laid) / len(laid) if laid else stack.states.item(state).thickness_mm
        if thickness is None:
            return None
        total += thickness
    return total


def _plates(stack: Placed, wishes: Sequence[Wish], option: Option) -> str:
    """Which half plates leave with cells taken out."""
    if not any(isinstance(wish, RemoveCells | MoveCells | SplitStack) for wish in wishes):
        return ""
    out = [
        stack.pile[index]
        for edit in option.edits
        if not edit.places
        for index in range(edit.start, edit.stop)
        if stack.pile[index].kind is Kind.HALF_PLATE
    ]
    plates_out = [f"{layer.label} at {layer.position} (cell {layer.cell})" for layer in out]
    return f"Half plates that leave: {', '.join(plates_out)}." if plates_out else ""


def _remarks(
    stack: Placed, way: Way, worn: Mapping[int, str], height: float | None
) -> Iterator[str]:
    if stack.mistakes:
        yield (
            f"The pile deviates from its design in {stack.mistakes} "
            f"place{'' if stack.mistakes == 1 else 's'} as it stands: see its findings."
        )
    alike: dict[tuple[str, str], list[Layer]] = {}
    for layer in stack.pile[way.kept.start : way.kept.stop]:
        if layer.part in worn:
            alike.setdefault((name(layer), worn[layer.part]), []).append(layer)
    for (words, why), layers in alike.items():
        at = ", ".join(str(layer.position) for layer in layers)
        if len(layers) == 1:
            yield f"{words} {layers[0].label} at {at} stays, not reached by this plan: {why}."
        else:
            yield f"{len(layers)} × {words} at {at} stay, not reached by this plan: {why}."
    if height is None:
        yield "The closed height cannot be computed: the thickness of a new part is not known."


def _why(way: Way, others: Sequence[Way]) -> str:
    sentence = f"Open {_ends_in_words(way)}: {_work_in_words(way)}."
    ends_seen = {way.ends}
    for way_beside in others:
        if way_beside.ends not in ends_seen:
            ends_seen.add(way_beside.ends)
            sentence += (
                f" Opening {_ends_in_words(way_beside)} would mean {_work_in_words(way_beside)}."
            )
    return sentence


def _ends_in_words(way: Way) -> str:
    return "both ends" if len(way.ends) > 1 else f"the {way.ends[0]}"


def _work_in_words(way: Way) -> str:
    counts = [
        f"{number} {singular if number == 1 else many}"
        for number, singular, many in (
            (way.lifted, "layer lifted off", "layers lifted off"),
            (way.put_on, "put on", "put on"),
            (way.renewals, "renewal on the way", "renewals on the way"),
            (way.cells_disturbed, "further cell opened", "further cells opened"),
        )
        if number
    ]
    return listed(counts)


def _second(
    stack: Placed,
    wishes: Sequence[Wish],
    option: Option,
    renewing: Renewing,
    shelf: tuple[tuple[Candidate, ...], Picked, str],
) -> SecondPile | None:
    """The pile of a new stack after a split: head, what left, tail."""
    split = next((wish for wish in wishes if isinstance(wish, SplitStack)), None)
    if split is None:
        return None
    candidates, picked, name_of_stack = shelf
    leaving = [index for index, to in option.leaving if to == split.to]
    second_pile = [Place(item) for item in stack.pattern.head]
    second_pile += [Place(stack.item(index), index) for index in leaving]
    second_pile += [Place(item) for item in stack.pattern.tail]
    reached = frozenset(leaving)
    needs = [
        Need(index, place.item)
        for index, place in enumerate(second_pile)
        if place.item is not None and is_new(place, renewing, reached)
    ]
    second = pick(
        needs, _left_over(candidates, picked), stack=name_of_stack,
        staying=staying_lots(stack, second_pile, renewing, reached),
    )  # fmt: skip
    layers, height = laid_of(stack, second_pile, second, needs)
    return SecondPile(split.to, layers, second.picks, second.shortages, height)


def _left_over(candidates: Iterable[Candidate], picked: Picked) -> Iterator[Candidate]:
    counts = Counter(id(pick.candidate) for pick in picked.picks)
    for candidate in candidates:
        if candidate.items > counts[id(candidate)]:
            yield replace(candidate, items=candidate.items - counts[id(candidate)])
