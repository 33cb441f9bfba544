"""Closed height and thread.

The stack of these tests: rods of 150 mm with 60 mm of thread, 12 mm of it at the fixed end; 40 mm
of compression plates, springs and washers; nuts 6.5 mm high, 2.5 mm of thread must stand out.
For the pile that leaves 150 − 12 − 40 − 6.5 − 2.5 = 89 mm at most, and 150 − 12 − 40 − 60 = 38 mm
at least.
"""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.closing_checks import Closed, RodSet, closed_on
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.vocabulary import Kind

RODS = RodSet(
    length_mm=150, thread_mm=60, fixed_end_mm=12, clamped_mm=40, nut_mm=6.5,
    least_protrusion_mm=2.5,
)  # fmt: skip


def of_cells(cells: int, pitch: float = 7.0, ends: float = 20.0, rods: RodSet = RODS) -> Closed:
    pile = [Layer(1, 1, Kind.HALF_PLATE, "", "", thickness_mm=ends)]
    pile += [Layer(at, at, Kind.HALF_PLATE, "", "", thickness_mm=pitch) for at in range(cells)]
    return closed_on(rods, pile, cells=cells, pitch_mm=pitch)


def test_the_protrusion_is_what_is_left_of_the_rod() -> None:
    closed = of_cells(6)

    assert closed.height_mm == 62.0
    assert closed.protrusion_mm == pytest.approx(150 - 12 - 40 - 62 - 6.5)
    assert closed.fits
    assert (closed.shortest_cells, closed.longest_cells) == (3, 9)


def test_where_the_thread_does_not_suffice_the_longest_stack_is_told() -> None:
    assert of_cells(10).refusal == (
        "The thread does not suffice: 1.5\u2009mm would stand out of the nut, 2.5\u2009mm must; "
        "the longest stack these rods allow has 9 cells."
    )
    assert of_cells(11).refusal == (
        "The rods are 5.5\u2009mm too short for the nut; "
        "the longest stack these rods allow has 9 cells."
    )


def test_a_stack_too_short_runs_the_nut_off_the_thread() -> None:
    assert of_cells(2).refusal == (
        "The nut would run off the inner end of the thread: it needs 4.0\u2009mm more of it; "
        "the shortest stack these rods allow has 3 cells."
    )


def test_a_thread_that_just_suffices_does() -> None:
    assert of_cells(3, pitch=23.0).fits  # 20 + 69 = 89 mm
    assert of_cells(2, pitch=9.0).fits  # 20 + 18 = 38 mm


def test_without_a_pitch_no_number_of_cells_is_told() -> None:
    pile = [Layer(1, 1, Kind.HALF_PLATE, "", "", thickness_mm=100)]

    closed = closed_on(RODS, pile, cells=4, pitch_mm=None)

    assert (closed.longest_cells, closed.shortest_cells) == (None, None)
    assert closed.refusal.startswith("The rods are 8.5\u2009mm too short for the nut.")


def test_rods_too_short_for_any_stack_are_told_so() -> None:
    assert of_cells(1, rods=replace(RODS, length_mm=70)).refusal.endswith(
        "they allow no stack of this design."
    )


@given(cells=st.integers(1, 40), pitch=st.floats(1, 20), ends=st.floats(1, 40))
def test_the_told_longest_and_shortest_stacks_are_the_last_that_fit(
    cells: int, pitch: float, ends: float
) -> None:
    closed = of_cells(cells, pitch, ends)
    longest, shortest = closed.longest_cells, closed.shortest_cells
    assert longest is not None
    assert shortest is not None

    if longest >= 1:
        assert "thread does not suffice" not in of_cells(longest, pitch, ends).refusal
        assert "too short for the nut" not in of_cells(longest, pitch, ends).refusal
        assert not of_cells(longest + 1, pitch, ends).fits
    if shortest > 1:
        assert "run off" not in of_cells(shortest, pitch, ends).refusal
        assert "run off" in of_cells(shortest - 1, pitch, ends).refusal


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("length_mm", 0.0, "length is 0.0 mm; allowed: more than 0"),
        ("thread_mm", float("nan"), "thread is nan mm"),
        ("fixed_end_mm", -1.0, "fixed end is -1.0 mm; allowed: 0 or more"),
        ("least_protrusion_mm", float("inf"), "least protrusion is inf mm"),
    ],
)
def test_lengths_that_cannot_be_are_refused(name: str, value: float, told: str) -> None:
    with pytest.raises(OutOfRange, match=told):
        replace(RODS, **{name: value})
