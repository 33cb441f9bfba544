"""The floor: every stack at a glance, for a desk and for a screen on the laboratory's wall."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.condition.drawings.cell_strip import SHOWN, draw_sample, draw_strip
from service.overview.queries.decisions import Waiting, decisions_for
from service.overview.queries.overview import Floor, floor
from service.overview.queries.rows import FloorStack, Need
from service.overview.queries.setup import steps_open
from service.people.pages.signing_in import Database, Me
from service.platform.database import now_utc, reading
from service.platform.pages.forms import Asked
from service.platform.pages.lists import turn_asked
from service.platform.pages.render import page, part, wants_part
from service.platform.permissions import Act, need
from service.platform.queries.lists import AFTER, CURSOR, Turn, cursor_at

router = APIRouter()
WALL_ROOM, LEAST_ROOM, MOST_ROOM = 28, 8, 120
"""Room for stacks on a wide screen on the wall: letters read from four metres are large. A higher
screen asks for more."""
OF_A_STACK, OF_A_NEED, WALL_NEEDS = 2.0, 1.5, 2
"""Room a stack takes, and each of its needs; the wall tells no more of them than so many."""


@dataclass(frozen=True, slots=True)
class ShownStack:
    """One stack with its strip drawn, and the needs told; ``more`` are not told here."""

    stack: FloorStack
    strip: Markup | None
    needs: tuple[Need, ...]
    more: int


@dataclass(frozen=True, slots=True)
class FloorPage:
    """One page of the floor. ``address`` reads it again."""

    rows: tuple[ShownStack, ...]
    stacks: int
    needing: int
    mine: int
    only_mine: bool
    wall: bool
    read_at: datetime
    key: tuple[tuple[str, Markup], ...]
    address: str
    back: str
    further: str
    first: str
    to_set_up: tuple[int, int]
    """steps of setting up the lab: open, of all; none is told on the wall"""
    decisions: tuple[Waiting, ...]
    """what this person may decide, and belongs to no stack; none is told on the wall"""


@router.get("/floor")
def show(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the stacks, those that need somebody first; htmx reads the part again by itself."""
    need(me, Act.READ)
    turn = turn_asked(request, query)
    wall, only_mine = query.raw("wall") == "1", query.raw("mine") == "1"
    room = _room(query.raw("room")) if wall else None
    with reading(database) as session:
        floor_read = floor(
            session,
            me,
            now_utc(),
            Turn((room or WALL_ROOM) if wall else turn.limit, turn.cursor),
            mine=only_mine,
        )
        to_set_up = (0, 0) if wall else steps_open(session)
        decisions = () if wall else decisions_for(session, me, floor_read.read_at)
    context = _page(
        floor_read, turn.cursor, to_set_up, decisions, wall=wall, only_mine=only_mine, room=room
    )
    if wants_part(request):
        return part(request, "overview/_floor.html", context)
    return page(request, "overview/show.html", context, query.status)


def _room(text: str) -> int | None:
    """What the screen says it has room for, if that can be."""
    room = int(text) if text.isascii() and text.isdecimal() and len(text) <= 3 else 0
    return room if LEAST_ROOM <= room <= MOST_ROOM else None


def _page(
    floor_read: Floor,
    cursor: str,
    to_set_up: tuple[int, int],
    decisions: tuple[Waiting, ...],
    *,
    wall: bool,
    only_mine: bool,
    room: int | None,
) -> FloorPage:
    rows, further = floor_read.rows, floor_read.further
    if wall and len(on_the_wall(rows, room or WALL_ROOM)) < len(rows):
        rows = on_the_wall(rows, room or WALL_ROOM)
        further = cursor_at(AFTER, rows[-1].place)
    address = partial(_address, wall=wall, only_mine=only_mine, room=room)
    first = address()
    following = address(cursor=further) if further else ""
    again = address(cursor=cursor)
    states = {mark.seen.value for row in rows for mark in row.strip.marks}
    return FloorPage(
        tuple(_shown_stack(row, wall=wall) for row in rows),
        floor_read.total or 0,
        floor_read.needing,
        floor_read.mine,
        only_mine,
        wall,
        floor_read.read_at,
        tuple((state, Markup(draw_sample(state, prefix=f"key-{index}")))  # noqa: S704  # our own drawing
              for index, state in enumerate(SHOWN) if state in states),
        (following or first) if wall else again,
        address(cursor=floor_read.back) if floor_read.back and not wall else "",
        following,
        first,
        to_set_up,
        decisions,
    )  # fmt: skip


def on_the_wall(rows: Sequence[FloorStack], room: int) -> tuple[FloorStack, ...]:
    """Return as many stacks as a screen has room for, one at least."""
    space = float(room)
    fitting: list[FloorStack] = []
    for row in rows:
        space -= OF_A_STACK + OF_A_NEED * min(len(row.needs), WALL_NEEDS)
        if fitting and space < 0:
            break
        fitting.append(row)
    return tuple(fitting)


def _shown_stack(row: FloorStack, *, wall: bool) -> ShownStack:
    line = row.line
    strip = None
    if row.strip.cells:
        states = {mark.cell: mark.seen.value for mark in row.strip.marks}
        strip = Markup(  # noqa: S704  # our own drawing
            draw_strip(
                row.strip.cells,
                states,
                title=f"Cells of {line.serial}",
                prefix=f"cells-{line.id}",
                numbers=not wall,
            )
        )
    needs_shown = row.needs[:WALL_NEEDS] if wall else row.needs
    return ShownStack(row, strip, needs_shown, len(row.needs) - len(needs_shown))


def _address(*, wall: bool, only_mine: bool, room: int | None, cursor: str = "") -> str:
    parameters = [*(["wall=1"] if wall else []), *(["mine=1"] if only_mine else [])]
    if room:
        parameters.append(f"room={room}")
    if cursor:
        parameters.append(f"{CURSOR}={quote(cursor, safe='')}")
    return "/floor" + (f"?{'&'.join(parameters)}" if parameters else "")
