"""While stacking: what may come next, and why a part at hand may not."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.designs.arithmetic import grammar_text as text
from service.designs.arithmetic.grammar import Item, Pattern, Where
from service.designs.arithmetic.grammar_findings import SIDE_WORDS
from service.designs.arithmetic.grammar_match import Matcher, States, look, misfits
from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.likelihoods import Misfit
from service.platform.arithmetic.vocabulary import End


@dataclass(frozen=True, slots=True)
class Next:
    """One layer that may come next.

    ``cell`` counts from the fixed end within the pile as it stands; None outside the cells and
    where the fixed end is not there yet. ``side`` is "anode side", "cathode side" or empty,
    ``sentence`` the next move in words: "next: cell gasket, in the groove of …".
    """

    item: Item
    where: Where
    cell: int | None
    side: str
    sentence: str


@dataclass(frozen=True, slots=True)
class WhatNext:
    """What may come next at one end. ``complete``: the pile may end there as it is."""

    layers: tuple[Next, ...]
    complete: bool


def next_layers(
    pattern: Pattern,
    pile: Sequence[Layer],
    from_end: End,
    *,
    other_end_open: bool = False,
    cells: int | None = None,
) -> WhatNext:
    """Return what may be put on next at an end of a pile that is being stacked.

    Parameters: ``pile`` in order from the fixed end, as it stands; ``from_end`` the end at which
    it grows; ``other_end_open``: it is a kept remainder whose other end has been opened too;
    ``cells``: how many it is to have, None: any number the design allows.

    A pile with mistakes is answered for its cheapest explanation. The cells counted are the MEAs
    and blank cells that lie in the pile.

    Source: common practice, no source.
    """
    growing = pattern if from_end is End.FREE else pattern.reversed
    stacked = pile if from_end is End.FREE else pile[::-1]
    matcher = Matcher(growing, from_anywhere=other_end_open)
    states = matcher.states
    begun = sum(layer.kind in CELL_KINDS for layer in pile)
    least, most = (pattern.least_cells, pattern.most_cells) if cells is None else (cells, cells)
    if other_end_open:
        least = 0  # the cells that are wanting may come on at the other end
    reached = _sensible(states, matcher.cheapest_states(stacked), begun, least, most)
    if other_end_open and not stacked:
        reached = (0,)
    nexts: dict[tuple[Item, str], Next] = {}
    for state in sorted(reached):
        for following in states.after[state]:
            if _leaves(states, state, following) and begun < least:
                continue
            if _goes_on(states, state, following) and begun >= most:
                continue
            counted = from_end is End.FREE and not other_end_open
            coming = _next(states, following, begun, stacked, counted=counted)
            nexts.setdefault((coming.item, coming.sentence), coming)
    complete = states.last in reached and least <= begun <= most and bool(stacked)
    return WhatNext(tuple(nexts.values()), complete)


def why_not(expected: WhatNext, layer: Layer) -> str | None:
    """Say why this part may not come next; None where it may.

    The sentence says what is wrong with the part at hand, measured by the expected place it
    comes nearest to, and what was expected.
    """
    if not expected.layers:
        sentence = f"{layer.label} is {text.a(text.name(layer))}"
        return f"{sentence}; the pile is complete, nothing comes next."
    part_look = look(layer)
    rank = list(Misfit).index
    nearest = min(
        expected.layers,
        key=lambda following: max(map(rank, misfits(following.item, part_look)), default=-1),
    )
    ways = misfits(nearest.item, part_look)
    if not ways:
        return None
    item, name = nearest.item, text.name(layer)
    chief = max(ways, key=rank)
    reason = {
        Misfit.TURNED: f"would lie turned round: its marked face belongs to the {item.facing}",
        Misfit.TYPE: f"is of type {layer.part_type}",
        Misfit.JOINT: f"is a {name}",
        Misfit.BACK: f"has {text.BACKS[layer.back]}",
        Misfit.SIDE: f"is for the {layer.side} side",
        Misfit.NO_BLANK: "is a blank cell, which may not stand here",
        Misfit.KIND: f"is {text.a(name)}",
    }[chief]
    if chief is Misfit.TURNED:
        return f"{layer.label} {reason}. Turn it round."
    expected_names = " or ".join(
        dict.fromkeys(text.asked(following.item) for following in expected.layers)
    )
    return f"{layer.label} {reason}. Expected: {expected_names}."


def _sensible(
    states: States, reached: tuple[int, ...], begun: int, least: int, most: int
) -> tuple[int, ...]:
    """Without the states that a pile of so many cells cannot be meant to stand in."""
    sensible = tuple(
        state
        for state in reached
        if not (state > states.loop[-1] and begun < least)
        and not (states.last_of_cell < state <= states.loop[-1] and begun >= most)
    )
    return sensible or reached


def _leaves(states: States, state: int, following: int) -> bool:
    """Whether this step ends the last cell."""
    return state in states.loop and following not in states.loop


def _goes_on(states: States, state: int, following: int) -> bool:
    """Whether this step leads on to one more cell."""
    if following not in states.loop:
        return False
    return state == 0 or state >= states.last_of_cell or state < states.first_of_cell


def _next(
    states: States, following: int, begun: int, stacked: Sequence[Layer], *, counted: bool
) -> Next:
    item, side = states.item(following), states.nearer[following]
    cell = None
    if counted and states.of_cell[following] is not None:
        before_centre = states.sections[following - 1] is Where.CELL and following <= states.centre
        cell = states.cell(following, begun + before_centre)
    beneath = stacked[-1] if stacked else None
    how = text.lies(item, beneath, side)
    sentence = f"next: {item.words}" + (f", {how}" if how else "")
    place = ", ".join(word for word in (f"cell {cell}" if cell else "", SIDE_WORDS[side]) if word)
    return Next(
        item,
        states.sections[following - 1],
        cell,
        SIDE_WORDS[side],
        sentence + (f" ({place})" if place else ""),
    )
