"""A log of a million rows and forty cells: pytest tests/benchmarks/bench_run_logs.py -q -s.

Reading it with times, hours, limits and steady windows may take three times as long as the
data-frame library needs to read the file and nothing else; memory stays bounded.
"""

import gc
import tracemalloc
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from time import perf_counter

import numpy as np
import polars as pl
import pytest
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.people.tables import Role
from service.platform.database import changing, make_engine
from service.platform.permissions import Person
from service.runs.arithmetic.log_columns import Counting
from service.runs.arithmetic.run_counting import RunCounter
from service.runs.changes.run_readings import LogRead
from service.runs.changes.runs import StoredLog, import_run
from service.runs.files.logs import RunLog, guess_log, look_at
from service.runs.files.run_reading import read_log
from tests import builders

ROWS, CELLS = 1_000_000, 40


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
    mapping = replace(log.mapping, counting=Counting(temperature_above_c=75.0, cell_below_v=0.3))
    counter = RunCounter(mapping, area_cm2=100.0)
    for batch in log.batches():
        counter.feed(batch)
    found = counter.result()
    took = perf_counter() - start
    assert found.times.rows == ROWS
    assert found.load is not None
    assert found.load.load_h > 0
    return took, len(found.windows)


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


@pytest.mark.parametrize("name", ["log.csv", "log.parquet"])
def test_a_whole_import_takes_no_more_than_three_bare_reads(
    folder: Path, name: str, tmp_path: Path
) -> None:
    """Read, counted, and written with its snapshots, makeups and verdicts into SQLite."""
    url = f"sqlite:///{tmp_path / 'bench.sqlite'}"
    migrate(url)
    engine = make_engine(url)
    with Session(engine) as session:
        stack = builders.a_stack(session)
        builders.a_build(session, stack, cells=CELLS)
        someone = builders.a_person(session, Role.BUILDER)
        by = Person(someone.id, someone.login, someone.name, frozenset({Role.BUILDER}))
        stack_id = stack.id
        session.commit()
    path = folder / name
    bare = min(_bare(path) for _ in range(3))
    took = []
    for number in range(3):
        start = perf_counter()
        mapping = guess_log(look_at(path)).mapping
        found, notes = read_log(path, mapping, "UTC", 100.0)
        began_at = builders.FIRST_CLOSING + timedelta(days=1 + 20 * number)
        with changing(engine, by) as work:
            import_run(
                work,
                stack_id,
                StoredLog(f"{number:064}", path.stat().st_size, name),
                LogRead(mapping, found, began_at, notes),
            )
        took.append(perf_counter() - start)
    engine.dispose()
    print(f"\n{name}: bare {bare:.2f} s, imported {min(took):.2f} s")
    assert min(took) <= 3 * bare
