"""The leads of a tap map: channels of the voltage monitor above, cells of the pile below."""

from collections.abc import Collection, Sequence
from typing import NamedTuple

from service.platform.drawings import svg

LEFT, RIGHT = 92.0, 24.0
CHANNELS_Y, CELLS_Y, HIGH = 40.0, 170.0, 26.0
NUMBERS_EVERY = 5
"""Where three digits find no room at each place."""


class Lead(NamedTuple):
    """One channel and the cell its lead is on; None: on none."""

    channel: int
    cell: int | None


class _Row(NamedTuple):
    """Places of numbered things along the drawing."""

    numbers: tuple[int, ...]
    pitch: float

    def x(self, number: int) -> float:
        return LEFT + (self.numbers.index(number) + 0.5) * self.pitch


def draw_leads(
    leads: Sequence[Lead], cells: Sequence[int], *, title: str, prefix: str = "taps"
) -> str:
    """Draw every channel with its lead to the cell it reads.

    A lead to a cell of another number than its channel's is drawn heavy and in the colour of
    what must be looked at; one on no cell ends in a cross; a cell no channel reads is struck
    through. ``cells`` are the numbers of the pile's cells from the fixed end.
    """
    channels = tuple(lead.channel for lead in leads)
    most = max(len(channels), len(cells), 1)
    pitch = 36.0 if most <= 24 else 22.0
    above, below = _Row(channels, pitch), _Row(tuple(cells), pitch)
    read = {lead.cell for lead in leads}
    marked = {end for lead in leads if _is_crossed(lead) for end in lead}
    # heavy leads last: they lie above the others
    drawn = "".join(_lead(lead, above, below) for lead in sorted(leads, key=_is_crossed))
    body = (
        svg.word(8, CHANNELS_Y + HIGH / 2 + 5, "channel", size=svg.BODY, pen="soft")
        + svg.word(8, CELLS_Y + HIGH / 2 + 5, "cell", size=svg.BODY, pen="soft")
        + drawn
        + "".join(_place(above, number, CHANNELS_Y, marked) for number in channels)
        + "".join(_place(below, cell, CELLS_Y, marked, struck=cell not in read) for cell in cells)
    )
    return svg.sheet(
        LEFT + most * pitch + RIGHT,
        CELLS_Y + HIGH + 16,
        body,
        prefix=prefix,
        title=title,
        description=_description(leads, cells),
        kind="leads small" if most <= 24 else "leads wide",
        role="img",
    )


def _place(
    row: _Row, number: int, y: float, marked: Collection[int | None], *, struck: bool = False
) -> str:
    x, wide = row.x(number), row.pitch - 4
    drawn = svg.box(x - wide / 2, y, wide, HIGH, f'{svg.ON_PAPER} stroke-width="{svg.THIN_WIDTH}"')
    fits = row.pitch >= 30 or number < 100
    at_every = fits or struck or number in marked or number % NUMBERS_EVERY == 0
    if struck:
        drawn += svg.line(x - wide / 2, y + HIGH, x + wide / 2, y, svg.ATTENTION)
    if at_every:
        drawn += svg.word(
            x, y + HIGH / 2 + 4.5, str(number), size=svg.SMALL, anchor="middle", pen="serial"
        )
    return drawn


def _lead(lead: Lead, above: _Row, below: _Row) -> str:
    x, top = above.x(lead.channel), CHANNELS_Y + HIGH
    if lead.cell is None or lead.cell not in below.numbers:
        y = top + 26
        drawn = svg.line(x, top, x, y, svg.THIN)
        drawn += svg.line(x - 5, y - 5, x + 5, y + 5, svg.FINE) + svg.line(
            x - 5, y + 5, x + 5, y - 5, svg.FINE
        )
        sentence = f"Channel {lead.channel} reads no cell"
    else:
        pen = svg.ATTENTION if _is_crossed(lead) else svg.FINE
        drawn = svg.line(x, top, below.x(lead.cell), CELLS_Y, pen)
        sentence = f"Channel {lead.channel} reads cell {lead.cell}"
    return f"<g><title>{svg.said(sentence)}</title>{drawn}</g>"


def _is_crossed(lead: Lead) -> bool:
    return lead.cell not in (None, lead.channel)


def _description(leads: Sequence[Lead], cells: Sequence[int]) -> str:
    crossed = sum(map(_is_crossed, leads))
    idle = sum(lead.cell is None for lead in leads)
    unread = len(set(cells) - {lead.cell for lead in leads})
    return (
        f"{len(leads)} channels and {len(cells)} cells; {crossed} read a cell of another number, "
        f"{idle} read none; cells read by no channel: {unread}."
    )
