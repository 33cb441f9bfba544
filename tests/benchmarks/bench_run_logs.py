"""A log of a million rows and forty cells: pytest tests/benchmarks/bench_run_logs.py -q -s.

Reading it with times, hours, limits and steady windows may take three times as long as the
data-frame library needs to read the file and nothing else; memory stays bounded.
"""

import gc
import tracemalloc
from pathlib import Path
from time import perf_counter

import numpy as np
import polars as pl
import pytest

from service.faces.files.run_logs import RunLog, guess_log, look_at
from service.trade.limit_hours import LimitCounter, LogLimit, Side
from service.trade.load_hours import LoadCounter, LoadRule
from service.trade.log_columns import Signal
from service.trade.log_times import LogClock
from service.trade.steady_windows import WindowFinder

ROWS, CELLS = 1_000_000, 40
LIMITS = (LogLimit("temperature", Side.ABOVE, 75.0, "°C"),)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(5)
    at = np.arange(ROWS)
    loaded = (at // 3600) % 5 != 4
    columns = {
        "Time (s)": at * 1.0,
        "I (A)": np.round(np.where(loaded, 70 + rng.normal(0, 0.05, ROWS), 0.0), 3),
        "T stack (°C)": np.round(60 + rng.normal(0, 0.1, ROWS), 2),
        "DinH2 (l/mn)": np.round(4.8 + rng.normal(0, 0.01, ROWS), 3),
    }
    for cell in range(1, CELLS + 1):
        columns[f"U{cell} (V)"] = np.round(0.65 + rng.normal(0, 0.002, ROWS), 4)
    made = tmp_path_factory.mktemp("logs")
    frame = pl.DataFrame(columns)
    frame.write_csv(made / "log.csv")
    frame.write_parquet(made / "log.parquet")
    return made


def _bare(path: Path) -> float:
    start = perf_counter()
    frame = pl.read_csv(path) if path.suffix == ".csv" else pl.read_parquet(path)
    took = perf_counter() - start
    assert frame.height == ROWS
    return took


def _taken_in(path: Path) -> tuple[float, int]:
    start = perf_counter()
    log = RunLog(path, guess_log(look_at(path)).mapping)
    names = tuple(f"cell {cell.channel}" for cell in log.mapping.cells)
    clock, counter = LogClock(), LoadCounter(LoadRule(load_above_a=1.0))
    limits, finder = LimitCounter(LIMITS), WindowFinder((*names, "current"), temperature="T")
    windows = 0
    for batch in log.batches():
        assert batch.time_s is not None
        current = batch.signals[Signal.CURRENT]
        temperature = batch.signals[Signal.TEMPERATURE]
        steps = clock.feed(batch.time_s)
        counter.feed(steps, current, hydrogen_l_min=batch.signals[Signal.HYDROGEN_FLOW])
        limits.feed(steps, {"temperature": temperature})
        values = {f"cell {at}": volts for at, volts in batch.cell_v.items()}
        windows += len(finder.feed(steps.time_s, {**values, "current": current, "T": temperature}))
    windows += len(finder.finish())
    took = perf_counter() - start
    assert clock.result().rows == ROWS
    assert counter.result().load_h > 0
    return took, windows


@pytest.mark.parametrize("name", ["log.csv", "log.parquet"])
def test_a_million_rows_take_no_more_than_three_bare_reads(folder: Path, name: str) -> None:
    path = folder / name
    bare = min(_bare(path) for _ in range(5))
    gc.collect()
    took, windows = min(_taken_in(path) for _ in range(5))
    print(f"\n{name}: bare {bare:.2f} s, read and counted {took:.2f} s, {windows} windows")
    assert windows > 200
    assert took <= 3 * bare


def test_memory_of_python_stays_bounded(folder: Path) -> None:
    tracemalloc.start()
    _taken_in(folder / "log.csv")
    most = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    print(f"\nmost memory of Python and NumPy while reading 300 MB: {most:.0f} MB")
    assert most < 150
