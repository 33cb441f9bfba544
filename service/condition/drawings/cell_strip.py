"""The cells of a stack as one strip, a mark a cell from the fixed end: failing ones crossed.

What is seen of a cell has a shape of its own, so that no colour is needed to tell it.
"""

from collections.abc import Mapping, Sequence

from service.platform.drawings import svg
from service.platform.drawings.svg import n

PITCH, WIDE, HIGH = 10.0, 7.0, 22.0
TOP, FOOT, EDGE = 17.0, 16.0, 8.0
BARE = 13.0
"""So much less high is a strip with nothing to see: no numbers stand above it."""
MOST_MARKS = 60
"""More cells than this: one mark stands for several."""
STEPS = (1, 2, 5, 10, 20, 50, 100)
SHOWN = ("failing", "rule met", "on hold", "bridged", "blank")
"""What can be seen of a cell; of several under one mark the first is drawn."""
_CELL = (
    f'class="d-ink d-paper" fill="{svg.PAPER}" stroke="{svg.INK}" stroke-width="{svg.THIN_WIDTH}"'
)
_BLANK = f'{_CELL} stroke-dasharray="2.4 2"'
_ACTING = (
    f'class="d-act d-paper" fill="{svg.PAPER}" stroke="{svg.ACT}"'
    f' stroke-width="{svg.OUTLINE_WIDTH}"'
)
_STRUCK = f'class="d-act" stroke="{svg.ACT}" stroke-width="2.2"'
_ACTS = ("failing", "rule met", "on hold")
_LABEL_ROOM = 17.0
_DIGIT = 7.2


def cells_a_mark(cells: int) -> int:
    """Return how many cells one mark stands for, so that a strip has no more than sixty.

    >>> cells_a_mark(60), cells_a_mark(61), cells_a_mark(400)
    (1, 2, 10)
    """
    return next((step for step in STEPS if cells <= MOST_MARKS * step), -(-cells // MOST_MARKS))


def draw_strip(
    cells: int, states: Mapping[int, str], *, title: str, prefix: str, numbers: bool = True
) -> str:
    """Draw a mark for each cell from the fixed end at left; ``states`` by cell, of ``SHOWN``.

    Above stand the numbers of cells with something to see, beneath the first, each tenth and the
    last, unless ``numbers`` are left out. The description says the same in words.
    """
    step = cells_a_mark(cells)
    groups = [range(first, min(first + step, cells + 1)) for first in range(1, cells + 1, step)]
    drawn = [
        _mark(
            EDGE + index * PITCH, _worst([states[cell] for cell in group if cell in states]), step
        )
        for index, group in enumerate(groups)
    ]
    high, up = HIGH + 8.0, TOP - 4.0
    if numbers:
        drawn += _numbers(groups, states)
        up = 0.0 if states else BARE
        high = TOP + HIGH + FOOT - up
    return svg.sheet(
        2 * EDGE + max(1, len(groups)) * PITCH,
        high,
        f'<g transform="translate(0 {n(-up)})">{"".join(drawn)}</g>',
        prefix=prefix,
        title=title,
        description=in_words(cells, states),
        kind="strip",
        role="img",
    )


def _numbers(groups: Sequence[range], states: Mapping[int, str]) -> list[str]:
    """Numbers of what is marked above, of the first, each tenth and the last mark beneath."""
    middles = [EDGE + index * PITCH + WIDE / 2 for index in range(len(groups))]
    marked_cells = [[cell for cell in group if cell in states] for group in groups]
    marked = [(x, _span(cells)) for x, cells in zip(middles, marked_cells, strict=True) if cells]
    last = len(groups) - 1
    places = sorted({0, last, *range(9, len(groups), 10)} if groups else ())
    counted = [(middles[index], str(groups[index][-1 if index else 0])) for index in places]
    return [
        *_apart(marked, TOP - 5, pen="word strong"),
        *_apart(counted, TOP + HIGH + 13, pen="soft", keep_last=True),
    ]


def draw_sample(state: str, *, prefix: str) -> str:
    """Draw one mark by itself, for the key; an empty word is a cell with nothing to see."""
    mark = f'<g transform="translate(0 {n(4 - TOP)})">{_mark(4.0, state, 1)}</g>'
    return svg.sheet(
        WIDE + 8, HIGH + 8, mark, prefix=prefix, title=state or "cell",
        description="mark of the key", kind="strip sample", role="img",
    )  # fmt: skip


def in_words(cells: int, states: Mapping[int, str]) -> str:
    """Return what the strip shows, in words."""
    phrases = []
    for state_word in SHOWN:
        marked = sorted(cell for cell, state in states.items() if state == state_word)
        if marked:
            noun = "cell" if len(marked) == 1 else "cells"
            phrases.append(f"{state_word}: {noun} {', '.join(map(str, marked))}")
    step = cells_a_mark(cells)
    each = f", one mark stands for {step} cells" if step > 1 else ""
    summary = f": {'; '.join(phrases)}" if phrases else ", nothing to see"
    return f"{cells} cells from the fixed end{each}{summary}."


def _worst(states: Sequence[str]) -> str:
    return min(states, key=SHOWN.index, default="")


def _span(cells: Sequence[int]) -> str:
    return str(cells[0]) if len(cells) == 1 else f"{cells[0]}…"


def _mark(x: float, state: str, step: int) -> str:
    pen = _ACTING if state in _ACTS else _BLANK if state == "blank" else _CELL
    box = f'<rect x="{n(x)}" y="{n(TOP)}" width="{n(WIDE)}" height="{n(HIGH)}" {pen}/>'
    if step > 1:  # several cells: a second line at the foot, as of a stack of sheets
        box += svg.line(x, TOP + HIGH - 3, x + WIDE, TOP + HIGH - 3, svg.FINE)
    return box + _inside(x, state)


def _inside(x: float, state: str) -> str:
    left, right, top, bottom = x - 1, x + WIDE + 1, TOP - 1, TOP + HIGH + 1
    middle = x + WIDE / 2
    if state == "failing":
        return svg.line(left, top, right, bottom, _STRUCK) + svg.line(
            left, bottom, right, top, _STRUCK
        )
    if state == "rule met":
        return svg.line(left, bottom, right, top, _STRUCK)
    if state == "on hold":
        bars = (middle - 1.6, middle + 1.6)
        return "".join(svg.line(bar, TOP + 6, bar, TOP + HIGH - 6, _STRUCK) for bar in bars)
    if state == "bridged":
        return (
            f'<path {svg.FINE} fill="none" d="M{n(x - 1.5)} {n(TOP + 7)}q{n(WIDE / 2 + 1.5)} -9 '
            f'{n(WIDE + 3)} 0"/>'
        )
    return ""


def _apart(
    words: Sequence[tuple[float, str]], y: float, *, pen: str, keep_last: bool = False
) -> list[str]:
    """Numbers centred on their marks; one that would run into its neighbour is left out."""
    placed: list[tuple[float, str]] = []
    for x, text in words:
        if not placed or x - placed[-1][0] >= _room(text) / 2 + _room(placed[-1][1]) / 2:
            placed.append((x, text))
    if keep_last and words and placed[-1] != words[-1]:
        placed[-1 if len(placed) > 1 else len(placed) :] = [words[-1]]
    return [svg.word(x, y, text, size=svg.SMALL, anchor="middle", pen=pen) for x, text in placed]


def _room(text: str) -> float:
    return max(_LABEL_ROOM, _DIGIT * len(text) + 4)
