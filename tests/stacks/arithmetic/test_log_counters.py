"""Hours, starts, limits and steady windows of a log: however it is cut into chunks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.runs.arithmetic.load_hours import (
    LimitCounter,
    LoadCounter,
    LoadHours,
    LoadRule,
    LogLimit,
    Side,
)
from service.runs.arithmetic.log_times import GAPS_KEPT, LogClock, LogTimes
from service.runs.arithmetic.steady_windows import SteadyRule, SteadyWindow, WindowFinder

SPACINGS = st.sampled_from([0.1, 1.0, 1.2, 10.0, 30.0, 299.0, 301.0, 5000.0])
CURRENTS = st.sampled_from([0.0, 0.0, 20.0, 70.0, 70.2, 69.9, float("nan")])
LOGS = st.lists(st.tuples(SPACINGS, CURRENTS), min_size=1, max_size=200)
CUTS = st.lists(st.integers(0, 200), max_size=6)


def arrays(rows: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    return np.cumsum([row[0] for row in rows]), np.array([row[1] for row in rows])


def pieces(cuts: list[int], rows: int) -> list[slice]:
    ends = sorted({*(cut for cut in cuts if cut < rows), rows})
    return [slice(begin, end) for begin, end in zip([0, *ends[:-1]], ends, strict=True)]


def counted(
    times: np.ndarray, current: np.ndarray, cuts: list[int], rule: LoadRule
) -> tuple[LogTimes, LoadHours]:
    clock, counter = LogClock(), LoadCounter(rule)
    for piece in pieces(cuts, len(times)):
        counter.feed(clock.feed(times[piece]), current[piece])
    return clock.result(), counter.result()


def windows(
    times: np.ndarray, current: np.ndarray, cuts: list[int], rule: SteadyRule
) -> list[SteadyWindow]:
    finder = WindowFinder(("current", "cell"), rule=rule)
    cell = 0.9 - current / 300
    found = []
    for piece in pieces(cuts, len(times)):
        found += finder.feed(times[piece], {"current": current[piece], "cell": cell[piece]})
    return found + finder.finish()


@given(LOGS, CUTS)
def test_it_does_not_matter_how_a_log_is_cut_into_chunks(
    rows: list[tuple[float, float]], cuts: list[int]
) -> None:
    times, current = arrays(rows)
    rule = LoadRule(load_above_a=1.0, over_a=(50.0,))
    steady = SteadyRule(least_s=60.0, settling_s=30.0, least_rows=2, longest_s=900.0)

    whole, chunked = counted(times, current, [], rule), counted(times, current, cuts, rule)

    assert chunked[0].spacings == whole[0].spacings
    for name in ("load_h", "gas_h", "unloaded_h", "unknown_h", "charge_ah"):
        assert getattr(chunked[1], name) == pytest.approx(getattr(whole[1], name), abs=1e-9)
    assert (chunked[1].starts, chunked[1].stops) == (whole[1].starts, whole[1].stops)
    assert chunked[1].gaps_at_load == whole[1].gaps_at_load
    first, second = (windows(times, current, some, steady) for some in ([], cuts))
    assert [one.begins_s for one in first] == [one.begins_s for one in second]
    for one, other in zip(first, second, strict=True):
        assert other.mean == pytest.approx(one.mean)
        assert other.sd == pytest.approx(one.sd, abs=1e-6, nan_ok=True)
        assert other.rows.tolist() == one.rows.tolist()


@given(LOGS)
def test_hours_at_load_off_load_and_unknown_add_up_to_the_running_hours(
    rows: list[tuple[float, float]],
) -> None:
    times, current = arrays(rows)

    log, found = counted(times, current, [], LoadRule(load_above_a=1.0))

    together = found.load_h + found.unloaded_h + found.unknown_h
    assert together == pytest.approx(log.running_h, abs=1e-9)
    whole_h = (log.last_s - log.first_s) / 3600
    assert log.running_h + log.gap_h == pytest.approx(whole_h, abs=1e-9)
    assert found.load_h <= found.gas_h + 1e-12
    assert abs(found.starts - found.stops) <= 1


@given(LOGS)
def test_counting_row_by_row_gives_the_same_hours(rows: list[tuple[float, float]]) -> None:
    times, current = arrays(rows)
    load_s = charge_as = 0.0
    for at in range(1, len(times)):
        step = times[at] - times[at - 1]
        if step <= 300 and not np.isnan(current[at - 1]):
            load_s += step * (current[at - 1] > 1)
            charge_as += step * current[at - 1]

    _, found = counted(times, current, [], LoadRule(load_above_a=1.0))

    assert found.load_h == pytest.approx(load_s / 3600, abs=1e-9)
    assert found.charge_ah == pytest.approx(charge_as / 3600, abs=1e-9)


def test_a_gap_is_no_running_time_and_is_told() -> None:
    clock = LogClock(longest_gap_s=60.0)

    steps = clock.feed(np.array([0.0, 30.0, 130.0, 160.0]))

    assert steps.seconds.tolist() == [0.0, 30.0, 0.0, 30.0]
    found = clock.result()
    assert (found.gap_count, found.gap_h * 3600, found.running_h * 3600) == (1, 100.0, 60.0)
    assert (found.gaps[0].begins_s, found.gaps[0].ends_s) == (30.0, 130.0)


def test_many_gaps_are_counted_and_the_first_ones_kept() -> None:
    clock = LogClock(longest_gap_s=60.0)

    for chunk in np.split(np.arange(0.0, 100_000.0, 100.0), 10):
        clock.feed(chunk)

    assert (clock.result().gap_count, len(clock.result().gaps)) == (999, GAPS_KEPT)


def test_a_clock_set_back_a_little_stands_still_and_is_counted() -> None:
    clock = LogClock()

    steps = clock.feed(np.array([0.0, 10.0, 8.0, 9.0, 12.0]))

    assert steps.time_s.tolist() == [0.0, 10.0, 10.0, 10.0, 12.0]
    assert clock.result().steps_back == 2


def test_a_clock_set_back_an_hour_is_refused_with_the_row() -> None:
    clock = LogClock()
    clock.feed(np.array([0.0, 3600.0]))

    with pytest.raises(Inconsistent, match="Row 4 of the log is 3400 s earlier"):
        clock.feed(np.array([3601.0, 201.0]))


def test_a_row_without_a_time_is_refused() -> None:
    with pytest.raises(Inconsistent, match="Row 2"):
        LogClock().feed(np.array([0.0, np.nan]))
    with pytest.raises(Inconsistent, match="no row"):
        LogClock().result()
    with pytest.raises(OutOfRange):
        LogClock(longest_gap_s=0.0)


def test_starts_and_stops_are_seen_and_a_flicker_is_neither() -> None:
    times = np.arange(0.0, 2000.0, 10.0)
    current = np.where((times >= 100) & (times < 1500), 70.0, 0.0)
    current[50] = 0.0  # one row of 10 s

    _, found = counted(times, current, [], LoadRule(load_above_a=1.0))

    assert (found.starts, found.stops) == (1, 1)
    assert (found.begins_at_load, found.ends_at_load, found.most_a) == (False, False, 70.0)


def test_load_on_both_sides_of_a_gap_is_said_not_guessed() -> None:
    times = np.array([0.0, 10.0, 20.0, 9000.0, 9010.0])

    _, found = counted(times, np.full(5, 70.0), [], LoadRule(load_above_a=1.0))

    assert (found.starts, found.stops, found.gaps_at_load) == (0, 0, 1)
    assert found.load_h * 3600 == pytest.approx(30.0)


def test_gas_is_seen_by_flow_or_by_the_cells_voltage() -> None:
    times = np.arange(0.0, 3601.0, 60.0)
    current = np.where(times < 1200, 70.0, 0.0)
    gas = np.where(times < 2400, 1.0, 0.0)
    by_flow, by_cells = (LoadCounter(LoadRule(load_above_a=1.0)) for _ in range(2))

    by_flow.feed(LogClock().feed(times), current, hydrogen_l_min=gas * 4.8)
    by_cells.feed(LogClock().feed(times), current, mean_cell_v=gas * 0.95)

    for counter, word in ((by_flow, "hydrogen flow"), (by_cells, "cell voltage")):
        found = counter.result()
        assert (found.load_h * 60, found.gas_h * 60) == pytest.approx((20, 40))
        assert found.gas_seen_by == word


def test_hours_above_a_limit_and_how_often() -> None:
    times = np.arange(0.0, 3600.0, 10.0)
    degrees = np.full(len(times), 65.0)
    degrees[100:130] = 82.0
    degrees[110] = np.nan  # a missing value does not end it
    degrees[200:210] = 85.5
    limits = (
        LogLimit("temperature", Side.ABOVE, 80.0, "°C"),
        LogLimit("lowest cell", Side.BELOW, 0.3, "V"),
    )
    counter = LimitCounter(limits)

    counter.feed(LogClock().feed(times), {"temperature": degrees})

    hot, low = counter.result()
    assert (round(hot.beyond_h * 3600), hot.times) == (390, 2)
    assert (hot.farthest, hot.farthest_s) == (85.5, 2000.0)
    assert (low.known_h, low.beyond_h, low.farthest) == (0.0, 0.0, None)


def test_a_window_has_the_mean_and_spread_numpy_finds() -> None:
    rng = np.random.default_rng(7)
    times = np.arange(0.0, 1200.0, 1.0)
    current = 70 + rng.normal(0, 0.05, len(times))
    cell = 0.65 + rng.normal(0, 0.002, len(times))
    cell[5] = np.nan
    finder = WindowFinder(("cell",), rule=SteadyRule(settling_s=0.0))

    found = finder.feed(times, {"current": current, "cell": cell}) + finder.finish()

    assert len(found) == 1
    assert found[0].rows[0] == 1199
    assert found[0].mean[0] == pytest.approx(np.nanmean(cell), abs=1e-12)
    assert found[0].sd[0] == pytest.approx(np.nanstd(cell, ddof=1), rel=1e-9)


def test_a_ramp_gives_no_window_and_the_stack_settles_after_it() -> None:
    times = np.arange(0.0, 7200.0, 10.0)
    current = np.interp(times, [0, 1800, 3600, 7200], [20.0, 20.0, 70.0, 70.0])
    finder = WindowFinder(("current",), rule=SteadyRule(settling_s=600.0))

    found = finder.feed(times, {"current": current}) + finder.finish()

    assert [round(window.mean[0]) for window in found] == [20, 70]
    assert found[1].begins_s >= 3600 + 500
    assert all(window.ends_s - window.begins_s >= 600 for window in found)


def test_a_long_steady_run_is_cut_and_a_warming_stack_is_not_steady() -> None:
    times = np.arange(0.0, 6 * 3600.0, 30.0)
    channels = {"current": np.full(len(times), 70.0), "temperature": 40 + times / 360}
    steady, warming = (
        WindowFinder(("current",), temperature=name, rule=SteadyRule(longest_s=3600.0))
        for name in (None, "temperature")
    )

    hourly = steady.feed(times, channels) + steady.finish()
    settled = warming.feed(times, channels) + warming.finish()

    assert len(hourly) == 6
    assert all(window.ends_s - window.begins_s <= 3600 for window in hourly)
    assert all(window.ends_s - window.begins_s <= 4 * 360 for window in settled)


def test_a_channel_that_is_missing_is_named() -> None:
    with pytest.raises(Inconsistent, match="cell 3"):
        WindowFinder(("cell 3",)).feed(np.array([0.0]), {"current": np.array([1.0])})
