"""The guide at the bench: what comes next on the pile, in words and as a picture."""

from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.bench.queries.choices import LotAtHand
from service.bench.queries.coming_layers import fits, lots_that_fit, seen_by, what_comes
from service.designs.arithmetic.grammar_next import WhatNext
from service.designs.arithmetic.grammar_states import look
from service.designs.queries.patterns import pattern_of_design
from service.platform.arithmetic.vocabulary import End, Facing
from service.platform.database import now_utc
from service.records.queries.working_piles import LiftedOff, WorkingPile
from service.stacks.drawings.pile import draw_pile

SHOWN = 5
"""Layers of the pile drawn beside the one that comes next."""


@dataclass(frozen=True, slots=True)
class Guide:
    """What may come next at an end; ``way`` is how it lies, where there is only one answer.

    ``back`` are the layers lifted off here which fit there, the last lifted first.
    """

    words: tuple[str, ...]
    is_complete: bool
    cells: int
    design: str
    drawing: str
    way: Facing | None
    lots: tuple[LotAtHand, ...]
    back: tuple[LiftedOff, ...]


def guide_at(
    session: Session, design_id: int, pile: WorkingPile, end: End, cells: int | None = None
) -> Guide | None:
    """The guide at an end of a pile; None where its design keeps no pattern. Two statements.

    ``cells``: how many a plan wants, None without a plan.
    """
    kept = pattern_of_design(session, design_id)
    what = what_comes(kept, pile, end, cells)
    if what is None:
        return None
    seen = {layer.part: layer for layer in seen_by(kept, pile, [x.layer for x in pile.lifted])}
    ways = {coming.item.facing for coming in what.layers}
    return Guide(
        tuple(dict.fromkeys(one.sentence.removeprefix("next: ") for one in what.layers)),
        what.complete,
        len({layer.cell for layer in pile.layers if layer.cell}),
        kept.design,
        _drawn(what, pile, end),
        ways.pop() if len(ways) == 1 and Facing.EITHER not in ways else None,
        lots_that_fit(session, kept, what, now_utc()),
        tuple(
            one
            for one in reversed(pile.lifted)
            if one.may_go_back and fits(what, look(seen[one.layer.part]))
        ),
    )


def _drawn(what: WhatNext, pile: WorkingPile, end: End) -> str:
    """The outermost layers and the one that comes next, pointed at; each equally wide."""
    if not what.layers:
        return ""
    coming = what.layers[0]
    if end is End.FREE:
        beneath = pile.layers[-SHOWN:]
        at = len(pile.layers) + 1
        shown = (*beneath, coming.item.layer(at, -1).at(at, coming.cell))
    else:
        beneath = pile.layers[:SHOWN]
        at = 1
        shown = (
            coming.item.layer(1, -1),
            *(layer.at(layer.position + 1, layer.cell) for layer in beneath),
        )
    return draw_pile(
        shown,
        title=f"The outermost layers at the {end} and what comes next: {coming.item.words}",
        equal_layers=True,
        broken=False,
        open_at=end,
        marked=at,
        has_legend=False,
        prefix="next",
    )
