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
from service.stacks.tables import Stack

NOBODY = len(KINDS)
"""The rank of a stack that needs nobody: after all others."""


@dataclass(frozen=True, slots=True)
class Floor:
    """One page of the floor; ``after`` continues it, empty at the end."""

    rows: tuple[FloorStack, ...]
    stacks: int
    needing: int
    mine: int
    """stacks with something the asker's roles may see to"""
    after: str
    read_at: datetime


def floor(
    session: Session,
    person: Person,
    now: datetime,
    *,
    mine: bool = False,
    after: str = "",
    limit: int = 50,
) -> Floor:
    """Return how the laboratory stands and who is needed where; those who need somebody first.

    Within a rank the serials are in order; ``after`` is where the page before ended. ``mine``:
    only stacks where the asker's roles may do something. A constant number of statements.
    """
    sources = Sources.of(session)
    given = {
        "since_day": (now - LOOKED_BACK).date(),
        "silent_since": now - SILENT_AFTER,
        "now": now,
    }
    kinds: dict[tuple[str, int], set[NeedKind]] = defaultdict(set)
    for row in session.execute(sources.ranking(), given):
        kinds[row.serial_key, row.stack_id].add(KINDS[row.kind])
    acts = {kind for kind in KINDS if may(person, ASKS_FOR[kind])}
    ranked = sorted(
        (min(KINDS.index(kind) for kind in stacks_of_kind), *stack)
        for stack, stacks_of_kind in kinds.items()
        if not mine or stacks_of_kind & acts
    )
    rank, serial = _place(after)
    shown = [row for row in ranked if row[:2] > (rank, serial)][: limit + 1]
    others = _others(session, serial if rank == NOBODY else "", limit + 1 + len(kinds))
    if not mine:
        needing = {stack_id for _key, stack_id in kinds}
        shown += [(NOBODY, *row) for row in others if row[1] not in needing]
    further = len(shown) > limit
    shown = shown[:limit]
    return Floor(
        floor_rows(session, person, sources, given, [row[2] for row in shown]),
        session.scalar(select(func.count()).select_from(Stack)) or 0,
        len(kinds),
        sum(bool(stacks_of_kind & acts) for stacks_of_kind in kinds.values()),
        f"{shown[-1][0]}-{shown[-1][1]}" if further else "",
        now,
    )


def _place(after: str) -> tuple[int, str]:
    rank, _dash, serial = after.partition("-")
    return (int(rank), serial) if rank.isascii() and rank.isdecimal() else (-1, "")


def _others(session: Session, serial: str, most: int) -> list[tuple[str, int]]:
    rows = session.execute(
        select(Stack.serial_key, Stack.id)
        .where(Stack.serial_key > serial)
        .order_by(Stack.serial_key)
        .limit(most)
    )
    return [(row.serial_key, row.id) for row in rows]
