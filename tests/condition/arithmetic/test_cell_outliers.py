"""Cells apart from the others: the rule, its edges, and what few cells can say."""

from statistics import median

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.condition.arithmetic.cell_outliers import Apart, cell_outliers, scores, spread
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

VOLTAGES = st.lists(st.integers(300, 1000), min_size=3, max_size=60)


def cells(millivolts: list[int | None]) -> dict[int, float | None]:
    return {n: None if mv is None else mv / 1e3 for n, mv in enumerate(millivolts, start=1)}


@given(VOLTAGES)
def test_a_cell_is_marked_exactly_beyond_the_rule_that_is_drawn(millivolts: list[int]) -> None:
    found = cell_outliers(cells(list(millivolts)))

    middle = median(millivolts)
    mad = median(abs(mv - middle) for mv in millivolts)
    assert found.median_v * 1e3 == pytest.approx(middle)
    if not mad:
        assert found.low_v is None
        assert {it.apart for it in found.cells} == {Apart.UNDEFINED}
        return
    assert found.low_v is not None
    assert found.high_v is not None
    for it in found.cells:
        assume(min(abs(it.voltage_v - found.low_v), abs(it.voltage_v - found.high_v)) > 1e-9)
        assert (it.voltage_v < found.low_v) == (it.apart is Apart.LOW)
        assert (it.voltage_v > found.high_v) == (it.apart is Apart.HIGH)


@given(VOLTAGES, st.integers(-100, 100))
def test_the_same_shift_of_all_cells_marks_the_same_cells(
    millivolts: list[int], shift: int
) -> None:
    moved = [mv + shift for mv in millivolts]

    before, after = cell_outliers(cells(list(millivolts))), cell_outliers(cells(list(moved)))

    assert [it.score for it in after.cells] == [
        None if it.score is None else pytest.approx(it.score, abs=1e-6) for it in before.cells
    ]


@given(st.lists(VOLTAGES, min_size=1, max_size=5))
def test_many_snapshots_at_once_score_as_each_alone(snapshots: list[list[int]]) -> None:
    width = max(len(row) for row in snapshots)
    table = np.full((len(snapshots), width), np.nan)
    for n, row in enumerate(snapshots):
        table[n, : len(row)] = np.array(row) / 1e3

    found = scores(table)

    for n, row in enumerate(snapshots):
        alone = [it.score for it in cell_outliers(cells(list(row))).cells]
        together = found[n, : len(row)].tolist()
        assert np.isnan(found[n, len(row) :]).all()
        for one, other in zip(alone, together, strict=True):
            if one is None:
                assert np.isnan(other)
            else:
                assert other == pytest.approx(one, abs=1e-6)


def test_where_most_cells_read_alike_nothing_is_scored_and_it_is_said() -> None:
    found = cell_outliers(cells([650, 650, 650, 650, 610]))

    assert found.low == ()
    assert [it.score for it in found.cells] == [None] * 5
    assert found.remarks[0].startswith("4 of 5 cells read the same 650 mV")


def test_few_cells_and_cells_not_read_are_said() -> None:
    found = cell_outliers(cells([654, 648, 649, None, 635]))

    assert [it.cell for it in found.cells] == [1, 2, 3, 5]
    assert any("Only 4 cells" in said for said in found.remarks)
    assert found.remarks[-1] == "1 of 5 cells were not read."


def test_two_cells_are_no_comparison() -> None:
    with pytest.raises(Inconsistent, match="from 3 on; 2 were read"):
        cell_outliers(cells([650, None, 640]))
    with pytest.raises(Inconsistent, match="two cells"):
        spread(cells([650]))


def test_a_voltage_that_is_no_number_is_refused() -> None:
    with pytest.raises(OutOfRange, match="cell 2"):
        cell_outliers({1: 0.65, 2: float("nan"), 3: 0.64})


def test_the_spread_names_the_weakest_cell() -> None:
    found = spread(cells([643, 637, 638, 635, 626]))

    assert (found.least_cell, found.least_v) == (5, 0.626)
    assert found.range_v == pytest.approx(0.017)
    assert found.deviation_v == pytest.approx(np.std([643, 637, 638, 635, 626], ddof=1) / 1e3)
