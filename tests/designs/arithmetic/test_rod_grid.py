"""Rods proposed from a grid: their places and the order they are tightened in."""

from itertools import pairwise

import pytest

from service.designs.arithmetic.rod_grid import LEAST, MOST, crosswise, rods_in_grid
from service.platform.arithmetic.errors import OutOfRange

GRIDS = [(rows, columns) for rows in range(LEAST, 8) for columns in range(LEAST, 8)]


@pytest.mark.parametrize(("rows", "columns"), GRIDS)
def test_rods_stand_on_the_border_alone_each_in_its_place_and_turn(rows: int, columns: int) -> None:
    """Around the plate's middle, with the pitch between neighbours."""
    rods = rods_in_grid(rows, columns, 80.0, 62.0)

    assert len(rods) == 2 * (rows + columns) - 4
    assert len({(rod.x_mm, rod.y_mm) for rod in rods}) == len(rods)
    assert sorted(rod.turn for rod in rods) == list(range(1, len(rods) + 1))
    assert sum(rod.x_mm for rod in rods) == pytest.approx(0)
    assert sum(rod.y_mm for rod in rods) == pytest.approx(0)
    wide, high = 80.0 * (columns - 1) / 2, 62.0 * (rows - 1) / 2
    assert all(abs(rod.x_mm) == wide or abs(rod.y_mm) == high for rod in rods)
    for rod, after in pairwise(rods):
        assert abs(after.x_mm - rod.x_mm) + abs(after.y_mm - rod.y_mm) in (80.0, 62.0)


@pytest.mark.parametrize(("rows", "columns"), GRIDS)
def test_each_second_turn_is_at_the_rod_opposite(rows: int, columns: int) -> None:
    """Through the middle, so that the plate does not tilt."""
    by_turn = sorted(rods_in_grid(rows, columns, 80.0, 62.0), key=lambda rod: rod.turn)

    for rod, opposite in zip(by_turn[::2], by_turn[1::2], strict=True):
        assert (opposite.x_mm, opposite.y_mm) == pytest.approx((-rod.x_mm, -rod.y_mm))


def test_the_order_of_eight_and_twelve_is_the_usual_one() -> None:
    """Crosswise, then a quarter further on; common practice, no source."""
    assert [rod + 1 for rod in crosswise(8)] == [1, 5, 3, 7, 2, 6, 4, 8]
    assert [rod + 1 for rod in crosswise(12)] == [1, 7, 4, 10, 2, 8, 5, 11, 3, 9, 6, 12]


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ((1, 3, 80.0, 62.0), "grid_rows"),
        ((3, MOST + 1, 80.0, 62.0), "grid_columns"),
        ((3, 3, 0.0, 62.0), "grid_pitch_x_mm"),
        ((3, 3, 80.0, -1.0), "grid_pitch_y_mm"),
    ],
)
def test_what_is_no_grid_is_refused_by_its_field(
    given: tuple[int, int, float, float], field: str
) -> None:
    """With what would be right."""
    with pytest.raises(OutOfRange) as refused:
        rods_in_grid(*given)

    assert refused.value.fields == (field,)
