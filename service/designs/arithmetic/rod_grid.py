"""Where rods stand around a plate, proposed from a grid, and the order they are tightened in.

Common practice, no source.
"""

from dataclasses import dataclass

from service.platform.arithmetic.preconditions import more_than_zero, within

LEAST, MOST = 2, 16


@dataclass(frozen=True, slots=True)
class ProposedRod:
    """A rod's place in mm from the plate's middle, y upward, and its turn in tightening."""

    x_mm: float
    y_mm: float
    turn: int


def rods_in_grid(
    rows: int, columns: int, pitch_x_mm: float, pitch_y_mm: float
) -> tuple[ProposedRod, ...]:
    """Return the rods on the border of a grid, clockwise from the upper left.

    Inside lie the cells. ``pitch_x_mm`` is from column to column, ``pitch_y_mm`` from row to row,
    in mm. They are tightened crosswise. Valid for 2 to 16 rows and columns; raises OutOfRange.

    >>> [(rod.x_mm, rod.y_mm, rod.turn) for rod in rods_in_grid(2, 2, 88.0, 80.0)]
    [(-44.0, 40.0, 1), (44.0, 40.0, 3), (44.0, -40.0, 2), (-44.0, -40.0, 4)]
    """
    within("the number of rows", rows, "", LEAST, MOST, "grid_rows")
    within("the number of columns", columns, "", LEAST, MOST, "grid_columns")
    more_than_zero("the pitch across", pitch_x_mm, "mm", "grid_pitch_x_mm")
    more_than_zero("the pitch upward", pitch_y_mm, "mm", "grid_pitch_y_mm")
    left, top = -pitch_x_mm * (columns - 1) / 2, pitch_y_mm * (rows - 1) / 2
    ring = [
        *((column, 0) for column in range(columns)),
        *((columns - 1, row) for row in range(1, rows)),
        *((column, rows - 1) for column in reversed(range(columns - 1))),
        *((0, row) for row in reversed(range(1, rows - 1))),
    ]
    order = crosswise(len(ring))
    return tuple(
        ProposedRod(left + column * pitch_x_mm, top - row * pitch_y_mm, order.index(at) + 1)
        for at, (column, row) in enumerate(ring)
    )


def crosswise(count: int) -> tuple[int, ...]:
    """Return an even number of rods of a ring, counted from 0, in the order to tighten them.

    Each is followed by the one opposite, each pair by one about a quarter further on.

    >>> crosswise(8)
    (0, 4, 2, 6, 1, 5, 3, 7)
    """
    half = count // 2
    step = (half + 1) // 2
    pairs = [pair for at in range(step) for pair in (at, at + step) if pair < half]
    return tuple(rod for pair in pairs for rod in (pair, pair + half))
