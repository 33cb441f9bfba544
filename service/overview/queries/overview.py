"""The floor: every stack of the laboratory at a glance, those that need somebody first."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.overview.queries.columns import KINDS, NeedKind
from service.overview.queries.rows import FloorStack, floor_rows
from service.overview.queries.sources import Sources
from service.overview.queries.waiting import LOOKED_BACK, SILENT_AFTER
from service.overview.queries.words import ASKS_FOR
from service.platform.permissions import Person, may
from service.platform.queries.lists import FIRST, Listing, Turn, cut, values_in
from service.stacks.tables import Stack

NOBODY = len(KINDS)
"""The rank of a stack that needs nobody: after all others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor(Listing[FloorStack]):
    """One page of the floor; its total is of all stacks, whoever is asked for."""

    needing: int
    mine: int
    """stacks with something the asker's roles may see to"""
    read_at: datetime


def floor(
    session: Session, person: Person, now: datetime, turn: Turn = FIRST, *, mine: bool = False
) -> Floor:
    """Return how the laboratory stands and who is needed where; those who need somebody first.

    Within a rank the serials are in order. ``mine``: only stacks where the asker's roles may do
    something. A constant number of statements.
    """
    sources = Sources.of(session)
    values = {
        "since_day": (now - LOOKED_BACK).date(),
        "silent_since": now - SILENT_AFTER,
        "now": now,
    }
    kinds: dict[tuple[str, int], set[NeedKind]] = defaultdict(set)
    for row in session.execute(sources.ranking(), values):
        kinds[row.serial_key, row.stack_id].add(KINDS[row.kind])
    acts = {kind for kind in KINDS if may(person, ASKS_FOR[kind])}
    ranked = sorted(
        (min(KINDS.index(kind) for kind in stacks_of_kind), *stack)
        for stack, stacks_of_kind in kinds.items()
        if not mine or stacks_of_kind & acts
    )
    place = values_in(turn.cursor, [int, str]) if turn.cursor else (-1, "")
    needing = {stack_id for _key, stack_id in kinds}
    others = [
        (NOBODY, *stack)
        for stack in _others(session, place, turn, turn.limit + 1 + len(kinds))
        if stack[1] not in needing and not mine
    ]
    if turn.is_back:
        near = others + [stack for stack in reversed(ranked) if stack[:2] < place]
    else:
        near = [stack for stack in ranked if stack[:2] > place] + others
    page = cut(near[: turn.limit + 1], turn, lambda stack: stack[:2])
    return Floor(
        rows=floor_rows(session, person, sources, values, [stack[2] for stack in page.rows]),
        further=page.further,
        back=page.back,
        total=session.scalar(select(func.count()).select_from(Stack)) or 0,
        needing=len(kinds),
        mine=sum(bool(stacks_of_kind & acts) for stacks_of_kind in kinds.values()),
        read_at=now,
    )


def _others(
    session: Session, place: tuple[int, str], turn: Turn, most: int
) -> list[tuple[str, int]]:
    """Return stacks by their serials, where the page lies beyond those who need somebody."""
    rank, serial = place
    if turn.is_back and rank < NOBODY:
        return []
    key = Stack.serial_key
    beyond = key < serial if turn.is_back else key > (serial if rank >= NOBODY else "")
    order = key.desc() if turn.is_back else key.asc()
    rows = session.execute(select(key, Stack.id).where(beyond).order_by(order).limit(most))
    return [(row.serial_key, row.id) for row in rows]
