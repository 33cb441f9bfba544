"""Times without load in a log: found over batches, with level, drift and fall of each channel."""

import numpy as np
import pytest

from service.condition.arithmetic.rests import MOST_ROWS, RestFinder
from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import Signal

AREA = 100.0


def a_log(rows: int = 1200) -> tuple[np.ndarray, np.ndarray, dict[int, np.ndarray]]:
    """Load, 400 s without, load, 10 s without, load; channel 2 falls with 100 s in the first."""
    times = np.arange(float(rows))
    current = np.full(rows, 70.0)
    current[300:700] = 0.1
    current[900:910] = 0.0
    falling = np.where(current > 1, 0.65, 0.95 * np.exp(-np.clip(times - 300, 0, None) / 100.0))
    return times, current, {1: np.where(current > 1, 0.66, 0.96), 2: falling}


def found_in(batch_rows: int) -> RestFinder:
    times, current, cells = a_log()
    finder = RestFinder((1, 2), AREA, 0.01)
    for at in range(0, len(times), batch_rows):
        part = slice(at, at + batch_rows)
        volts = {channel: values[part] for channel, values in cells.items()}
        finder.feed(LogBatch(at + 1, times[part], volts, {Signal.CURRENT: current[part]}))
    return finder


@pytest.mark.parametrize("batch_rows", [1200, 350, 97, 1])
def test_a_rest_is_the_same_however_the_log_comes(batch_rows: int) -> None:
    (rest,) = found_in(batch_rows).rests()

    assert (rest.begins_s, rest.ends_s, len(rest.times_s)) == (300.0, 699.0, 400)
    assert rest.levels is not None
    level = rest.levels[0]
    assert level is not None
    assert level.voltage_v == pytest.approx(0.96)
    steady, falling = rest.falls
    assert steady is not None
    assert (steady.below_after_s, steady.watched_s) == (None, 399.0)
    assert falling is not None
    assert falling.below_after_s == pytest.approx(100 * np.log(0.95 / 0.4), abs=0.2)


def test_a_short_rest_counts_where_it_is_asked_for() -> None:
    rests = found_in(500).rests(least_s=5.0)

    assert [rest.lasted_s for rest in rests] == [399.0, 9.0]
    assert rests[1].levels is None


def test_a_log_without_current_or_time_is_refused() -> None:
    finder = RestFinder((1,), AREA, 0.01)
    with pytest.raises(Inconsistent, match="no current"):
        finder.feed(LogBatch(1, np.arange(3.0), {1: np.zeros(3)}, {}))
    with pytest.raises(Inconsistent, match="no time"):
        finder.feed(LogBatch(1, None, {1: np.zeros(3)}, {Signal.CURRENT: np.zeros(3)}))
    assert finder.rests() == ()


def test_no_more_rows_are_kept_than_memory_is_meant_for() -> None:
    finder = RestFinder((1,), AREA, 0.01)
    rows = MOST_ROWS // 2 + 1
    for at in range(4):
        times = np.arange(float(rows)) + at * rows
        zeros = np.zeros(rows)
        finder.feed(LogBatch(at * rows + 1, times, {1: zeros}, {Signal.CURRENT: zeros}))

    assert finder.is_full
    assert finder.rows == 4 * rows
    (rest,) = finder.rests()
    assert len(rest.times_s) <= MOST_ROWS + rows
