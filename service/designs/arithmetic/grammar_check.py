"""What is wrong with a pile, measured by its design's pattern: each mistake once, at its place."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby, pairwise

from service.designs.arithmetic import grammar_text as text
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.grammar_findings import SIDE_WORDS, Finding, Wrong, found
from service.designs.arithmetic.grammar_match import (
    EditKind,
    Explanation,
    Matcher,
    Move,
    States,
    look,
    misfits,
)
from service.designs.arithmetic.pile import Layer, OpenPile
from service.platform.arithmetic.likelihoods import OF_THE_TRADE, Likelihoods, Misfit
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind


class Extent(StrEnum):
    """How much of a stack a pile is: which of its ends have been put on."""

    WHOLE = "whole pile"
    FROM_FIXED_END = "begun at the fixed end"
    FROM_FREE_END = "begun at the free end"
    REMAINDER = "open at both ends"

    @property
    def begins(self) -> bool:
        """Say whether the fixed end is there."""
        return self in {Extent.WHOLE, Extent.FROM_FIXED_END}

    @property
    def ends(self) -> bool:
        """Say whether the free end is there."""
        return self in {Extent.WHOLE, Extent.FROM_FREE_END}


def extent_of(pile: OpenPile) -> Extent:
    """Say how much of a stack is a pile being opened and closed; an untouched one is whole.

    An end at which layers were lifted off or put on counts as not put on yet.
    """
    if not pile.is_first_core:
        return Extent.REMAINDER
    nothing_kept = pile.start == pile.end
    at_fixed = pile.at_fixed is not None or (pile.start > 0 and not nothing_kept)
    at_free = pile.at_free is not None or (pile.end < len(pile.core) and not nothing_kept)
    return {
        (False, False): Extent.FROM_FIXED_END if nothing_kept else Extent.WHOLE,
        (False, True): Extent.FROM_FIXED_END,
        (True, False): Extent.FROM_FREE_END,
        (True, True): Extent.REMAINDER,
    }[at_fixed, at_free]


@dataclass(frozen=True, slots=True)
class Checked:
    """A pile measured by its pattern.

    ``cost`` is the number of mistakes of the cheapest explanation, ``cells`` the cells it has by
    that explanation (a forgotten MEA's cell counts); ``findings`` in the order of the pile.
    """

    cost: int
    cells: int
    findings: tuple[Finding, ...]
    explanation: Explanation


def check(
    pattern: Pattern,
    pile: Sequence[Layer],
    *,
    extent: Extent = Extent.WHOLE,
    likelihoods: Likelihoods = OF_THE_TRADE,
) -> Checked:
    """Find what is wrong with a pile, where, and what would mend it.

    The number of cells is not given; it follows. Time grows linearly with the layers.

    Parameters: ``pile`` in order from the fixed end; ``extent`` says which ends are there.

    Source: see grammar_match; the likelihoods are common practice, no source.
    """
    matcher = Matcher(pattern, from_anywhere=not extent.begins, likelihoods=likelihoods)
    explanation = matcher.explain(pile, to_anywhere=not extent.ends)
    states = matcher.states
    findings = [*_of_moves(states, explanation.moves, pile)]
    findings += _of_fitting(states, explanation.moves, pile)
    findings += _of_lots(states, explanation.moves, pile)
    findings.sort(key=lambda finding: finding.positions[:1])
    findings += _of_number(pattern, explanation.cells, complete=extent is Extent.WHOLE)
    return Checked(explanation.mistakes, explanation.cells, tuple(findings), explanation)


def _of_moves(states: States, moves: Sequence[Move], pile: Sequence[Layer]) -> Iterator[Finding]:
    wrong = [move for move in moves if move.did is EditKind.WRONG]
    crossed = dict(_crossed(states, wrong, pile))
    crossed_with = {partner.at for partner in crossed.values()}
    for did, run in groupby(moves, key=lambda move: move.did):
        if did is EditKind.FITS:
            continue
        some = list(run)
        if did is EditKind.MISSING:
            yield _missing(states, some, pile)
        elif did is EditKind.EXTRA:
            yield _extra(states, some, pile)
        elif did is EditKind.SWAPPED:
            for first, second in zip(some[::2], some[1::2], strict=True):
                yield _swapped(states, second, first, pile)
        else:
            for move in some:
                if move.at in crossed:
                    yield _swapped(states, move, crossed[move.at], pile)
                elif move.at not in crossed_with:
                    yield _wrong(states, move, pile)


def _crossed(
    states: States, wrong: Sequence[Move], pile: Sequence[Layer]
) -> Iterator[tuple[int, Move]]:
    """Two wrong parts of one cell, each of which fits where the other lies, but for facing."""

    def fits(layer: Layer, move: Move) -> bool:
        return set(misfits(states.item(move.state), look(layer))) <= {Misfit.TURNED}

    for first, second in pairwise(wrong):
        same_cell = states.cell(first.state, first.begun) == states.cell(second.state, second.begun)
        if (
            same_cell
            and fits(pile[first.at], second)
            and fits(pile[second.at], first)
            and not fits(pile[first.at], first)
        ):
            yield first.at, second


def _place(states: States, move: Move) -> tuple[int | None, str]:
    if not move.state:
        return None, ""
    return states.cell(move.state, move.begun), SIDE_WORDS[states.nearer[move.state]]


def _missing(states: States, moves: Sequence[Move], pile: Sequence[Layer]) -> Finding:
    position = moves[0].at
    positions = tuple(layer.position for layer in pile[max(position - 1, 0) : position + 1])
    places = {_place(states, move) for move in moves}
    cells = {cell for cell, _ in places}
    cell, side = (
        places.pop() if len(places) == 1 else (cells.pop() if len(cells) == 1 else None, "")
    )
    names = text.listed([states.item(move.state).words for move in moves])
    return found(
        Wrong.MISSING,
        f"{names} missing {text.between(positions, position, len(pile))}",
        f"Open the pile there and put the {names} in.",
        positions=positions,
        cell=cell,
        side=side,
    )


def _extra(states: States, moves: Sequence[Move], pile: Sequence[Layer]) -> Finding:
    layers = [pile[move.at] for move in moves]
    positions = tuple(layer.position for layer in layers)
    names = text.listed([text.name(layer) for layer in layers])
    cell, _ = _place(states, moves[0])
    return found(
        Wrong.EXTRA,
        f"{names} at {text.span(positions)} {'is one' if len(layers) == 1 else 'are'} too many",
        f"Take out the {names} at {text.span(positions)}.",
        positions=positions,
        cell=cell,
    )


def _swapped(states: States, first: Move, second: Move, pile: Sequence[Layer]) -> Finding:
    layers, partner = pile[first.at], pile[second.at]
    cell, _ = _place(states, first)
    return found(
        Wrong.SWAPPED,
        f"{text.name(layers)} at {layers.position} and {text.name(partner)} at {partner.position} "
        "have changed places",
        f"Change the parts at {layers.position} and {partner.position} with each other.",
        positions=(layers.position, partner.position),
        cell=cell,
    )


def _wrong(states: States, move: Move, pile: Sequence[Layer]) -> Finding:
    layer, item = pile[move.at], states.item(move.state)
    ways = misfits(item, look(layer))
    chief = max(ways, key=list(Misfit).index)
    cell, side = _place(states, move)
    subject = f"{text.name(layer)} at {layer.position}"
    if Misfit.TURNED in ways and chief is not Misfit.TURNED:
        subject += ", turned round,"
    wrong, sentence, positions = _worded(chief, subject, item, move.at, pile)
    mend = (
        f"Turn the {text.name(layer)} at {layer.position}: its marked face to the {item.facing}."
        if chief is Misfit.TURNED
        else f"Put {text.asked(item)} in the place of {layer.label} at {layer.position}."
    )
    return found(wrong, sentence, mend, positions=positions, cell=cell, side=side)


def _worded(
    chief: Misfit, subject: str, item: Item, position: int, pile: Sequence[Layer]
) -> tuple[Wrong, str, tuple[int, ...]]:
    layer = pile[position]
    if chief is Misfit.BACK:
        return _worded_back(subject, item, position, pile)
    belongs = f"one for the {item.side} side belongs there"
    wrong, sentence = {
        Misfit.TURNED: (Wrong.TURNED, "turned round"),
        Misfit.TYPE: (Wrong.TYPE, f"is of type {layer.part_type}; {item.part_type} belongs there"),
        Misfit.JOINT: (Wrong.JOINT, f"where a {item.words} belongs"),
        Misfit.SIDE: (Wrong.SIDE, f"is for the {layer.side} side; {belongs}"),
        Misfit.NO_BLANK: (Wrong.NO_BLANK, "where the design allows none"),
        Misfit.KIND: (Wrong.FOREIGN, f"where {text.a(item.words)} belongs"),
    }[chief]
    return wrong, f"{subject} {sentence}", (layer.position,)


def _worded_back(
    subject: str, item: Item, position: int, pile: Sequence[Layer]
) -> tuple[Wrong, str, tuple[int, ...]]:
    """A back that does not belong there: told as what it does to the coolant layer."""
    layer = pile[position]
    for step in (-1, 1):
        gasket, partner = position + step, position + 2 * step
        if not 0 <= partner < len(pile) or pile[gasket].joint is not Joint.COOLANT:
            continue
        low, high = sorted((layer, pile[partner]), key=lambda back: back.position)
        if (wrong := _channels(layer.back, pile[partner].back)) is not None:
            return wrong, text.backs_meet(wrong, low, high), (low.position, high.position)
    has, needs = text.BACKS[layer.back], text.BACKS[item.back or Back.NONE]
    return Wrong.BACK, f"{subject} has {has}; one with {needs} belongs there", (layer.position,)


def _channels(back: Back, partner: Back) -> Wrong | None:
    channelled = (back, partner).count(Back.CHANNELLED)
    return {0: Wrong.NO_CHANNEL, 1: None, 2: Wrong.TWO_CHANNELS}[channelled]


def _of_fitting(states: States, moves: Sequence[Move], pile: Sequence[Layer]) -> Iterator[Finding]:
    """Parts that lie where they belong and are wrong all the same."""
    fits = {move.at: move for move in moves if move.did is EditKind.FITS}
    for index, move in fits.items():
        layer, item = pile[index], states.item(move.state)
        if item.directional and layer.facing is Facing.EITHER and layer.kind is item.kind:
            cell, side = _place(states, move)
            yield found(
                Wrong.FACING_UNKNOWN,
                f"{text.name(layer)} at {layer.position}: which way it faces was not noted",
                f"Look and note it: its marked face belongs to the {item.facing}.",
                positions=(layer.position,),
                cell=cell,
                side=side,
            )
        if layer.joint is Joint.COOLANT:
            yield from _of_coolant(states, fits.get(index - 1), move, fits.get(index + 1), pile)


def _of_coolant(
    states: States, low: Move | None, gasket: Move, high: Move | None, pile: Sequence[Layer]
) -> Iterator[Finding]:
    """A coolant gasket between parts that fit, but whose backs the design leaves open."""
    if low is None or high is None:
        return
    follow = states.before
    together = low.state in follow[gasket.state] and gasket.state in follow[high.state]
    says_backs = all(states.item(beside.state).back for beside in (low, high))
    layers = pile[low.at], pile[high.at]
    if not together or says_backs or not any(layer.kind is Kind.HALF_PLATE for layer in layers):
        return
    if (wrong := _channels(layers[0].back, layers[1].back)) is not None:
        yield found(
            wrong,
            text.backs_meet(wrong, *layers),
            "Put a half plate with the other back on one side of the coolant gasket.",
            positions=(layers[0].position, layers[1].position),
        )


def _of_lots(states: States, moves: Sequence[Move], pile: Sequence[Layer]) -> Iterator[Finding]:
    by_item: dict[Item, list[Layer]] = defaultdict(list)
    for move in moves:
        if move.did is EditKind.FITS and states.item(move.state).one_lot:
            by_item[states.item(move.state)].append(pile[move.at])
    for item, layers in by_item.items():
        of_lot = Counter(layer.lot for layer in layers if layer.kind is item.kind)
        if len(of_lot) < 2:
            continue
        (most, _), *_ = of_lot.most_common()
        lots_text = ", ".join(
            f"{number} from {lot or 'no known lot'}" for lot, number in of_lot.items()
        )
        yield found(
            Wrong.MIXED_LOTS,
            f"{item.words} from {len(of_lot)} lots: {lots_text}; the design asks for one lot",
            f"Fit {item.words} of one lot throughout.",
            positions=tuple(layer.position for layer in layers if layer.lot != most),
        )


def _of_number(pattern: Pattern, cells: int, *, complete: bool) -> Iterator[Finding]:
    allowed = f"the design allows {pattern.least_cells} to {pattern.most_cells}"
    if cells > pattern.most_cells:
        yield found(
            Wrong.TOO_MANY_CELLS,
            f"{cells} cells; {allowed}",
            f"Take out {text.cells(cells - pattern.most_cells)}.",
        )
    elif complete and cells < pattern.least_cells:
        yield found(
            Wrong.TOO_FEW_CELLS,
            f"{text.cells(cells)}; {allowed}",
            f"Add {text.cells(pattern.least_cells - cells)}.",
        )
