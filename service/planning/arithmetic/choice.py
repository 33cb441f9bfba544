"""Which of the ways to do a wish is the cheapest."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise, product
from math import prod

from service.planning.arithmetic.options import Placed, options
from service.planning.arithmetic.ways import Renewing, Way, Weights, pairs_parted, ways
from service.planning.arithmetic.wishes import Edit, Option, Place, Wish
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import End

MOST_COMBINATIONS = 2000
"""Up to here all combinations of choices are tried; above, see _combinations."""


def renewing_of(stack: Placed, worn: Mapping[int, str]) -> Renewing:
    """Which layers are renewed once reached: those named as worn, and what the design says."""
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
    """The cheapest choice, the pile it leads to, and the ways there, the cheapest first.

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
        edits = [edit for one in combination for edit in one.edits]
        option = Option(
            tuple(sorted(edits, key=lambda edit: edit[:2])),
            tuple(leaving for one in combination for leaving in one.leaving),
        )
        wanted = wanted_pile(stack, option.edits)
        if wanted is None:
            continue
        found = ways(stack, wanted, renewing, may_open=may, weights=weights)
        if not found:
            continue
        rank = (found[0].cost, found[0].ends != (End.FREE,), len(found[0].ends))
        if best is None or rank < best[0]:
            best = (rank, option, wanted, found)
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

    ordered = sorted(choices, key=lambda some: min(one.edits[0].start for one in some))
    settled = [min(some, key=all_lifted) for some in ordered]
    for first, second in pairwise(range(len(ordered))):
        for one, other in product(ordered[first], ordered[second]):
            yield (*settled[:first], one, other, *settled[second + 1 :])


def wanted_pile(stack: Placed, edits: Sequence[Edit]) -> list[Place] | None:
    """The pile after the edits; None where they overlap."""
    places: list[Place] = []
    at = 0
    for edit in edits:
        if edit.start < at:
            return None
        places += [Place(stack.item(index), index) for index in range(at, edit.start)]
        places += edit.places
        at = edit.stop
    places += [Place(stack.item(index), index) for index in range(at, len(stack.pile))]
    return places
