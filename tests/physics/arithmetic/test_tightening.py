"""The order of the nuts."""

from math import cos, pi, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.tightening import (
    RodPosition,
    around,
    crosswise,
    tightening_order,
    tightening_passes,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange


def a_ring(rods: int) -> list[RodPosition]:
    """Numbered clockwise from the top."""
    turns = [2 * pi * at / rods for at in range(rods)]
    return [
        RodPosition(at, 100 * sin(turn), 100 * cos(turn)) for at, turn in enumerate(turns, 1)
    ]  # fmt: skip


@given(st.integers(1, 64))
def test_each_nut_has_its_turn_once(nuts: int) -> None:
    assert sorted(crosswise(nuts)) == list(range(1, nuts + 1))


@given(st.integers(1, 32))
def test_of_an_even_ring_each_second_nut_is_opposite_the_one_before(half: int) -> None:
    order = crosswise(2 * half)

    assert all(
        abs(second - first) == half for first, second in zip(order[::2], order[1::2], strict=True)
    )


@given(st.integers(1, 24))
def test_a_ring_numbered_clockwise_is_taken_by_its_numbers(rods: int) -> None:
    assert around(a_ring(rods)) == tuple(range(1, rods + 1))
    assert tightening_order(a_ring(rods)) == crosswise(rods)


@given(st.permutations(range(1, 9)))
def test_the_order_goes_by_the_places_and_not_by_the_numbers(numbers: list[int]) -> None:
    ring = a_ring(8)
    renumbered = [
        RodPosition(number, rod.x_mm, rod.y_mm) for number, rod in zip(numbers, ring, strict=True)
    ]
    place = {rod.number: at for at, rod in enumerate(renumbered)}

    order = [place[number] for number in tightening_order(renumbered)]

    assert all((b - a) % 8 == 4 for a, b in zip(order[::2], order[1::2], strict=True))
    assert tightening_order(renumbered)[0] == 1


def test_rods_in_two_rows_are_ranked_by_their_angle() -> None:
    """Ten rods, five on each long side, numbered left to right, the upper row first."""
    rods = [RodPosition(1 + at, -80 + 40 * at, 50) for at in range(5)]
    rods += [RodPosition(6 + at, -80 + 40 * at, -50) for at in range(5)]

    assert around(rods) == (1, 2, 3, 4, 5, 10, 9, 8, 7, 6)
    assert tightening_order(rods) == (1, 10, 3, 8, 5, 6, 2, 9, 4, 7)


def test_of_rods_at_one_angle_the_outer_comes_first() -> None:
    rods = [
        RodPosition(1, 0, 10),
        RodPosition(2, 0, 20),
        RodPosition(3, 0, -10),
        RodPosition(4, 0, -20),
    ]

    assert around(rods) == (2, 1, 4, 3)


def test_passes_rise_in_equal_steps_and_end_once_round() -> None:
    passes = tightening_passes(a_ring(4), 12.0)

    assert [(each.number, round(each.torque_nm, 6), each.order) for each in passes] == [
        (1, 4.0, (1, 3, 2, 4)), (2, 8.0, (1, 3, 2, 4)), (3, 12.0, (1, 3, 2, 4)),
        (4, 12.0, (1, 2, 3, 4)),
    ]  # fmt: skip
    assert [each.circular for each in passes] == [False, False, False, True]


def test_passes_follow_the_designs_own_steps() -> None:
    passes = tightening_passes(a_ring(4), 10.0, percents=(30, 60, 100), circular=False)

    assert [each.torque_nm for each in passes] == [3.0, 6.0, 10.0]


def test_no_rods_have_no_order() -> None:
    assert tightening_order([]) == ()


@pytest.mark.parametrize("percents", [(30, 60), (60, 30, 100), (0, 100), (100, 100)])
def test_steps_that_do_not_rise_to_the_target_are_refused(percents: tuple[float, ...]) -> None:
    with pytest.raises(OutOfRange, match="rising, above 0, the last 100"):
        tightening_passes(a_ring(4), 10.0, percents=percents)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(OutOfRange, match="nuts is 0"):
        crosswise(0)
    with pytest.raises(OutOfRange, match="target torque is nan N·m"):
        tightening_passes(a_ring(4), float("nan"))
    with pytest.raises(OutOfRange, match="passes is 0"):
        tightening_passes(a_ring(4), 10.0, passes=0)
    with pytest.raises(Inconsistent, match="same number"):
        around([RodPosition(1, 0, 0), RodPosition(1, 1, 0)])
    with pytest.raises(Inconsistent, match="same place"):
        around([RodPosition(1, 0, 0), RodPosition(2, 0, 0)])
    with pytest.raises(OutOfRange, match="place of rod 2"):
        around([RodPosition(1, 0, 0), RodPosition(2, float("inf"), 0)])
