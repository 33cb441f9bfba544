"""A real five-cell stack's logs through the ordinary reader, unedited, against printed values.

Data: IEEE PHM 2014 Data Challenge, FCLAB research federation (FR CNRS 3539): a five-cell stack of
100 cm² at a steady 70 A for about 1,150 h; eight polarisation curves (XLSX) and the last 107 h of
the log (CSV in Latin-1). The table of mean cell voltages at 70 ± 0.6 A stands with the data.
"""

from pathlib import Path

import numpy as np
import pytest

from service.runs.arithmetic.load_hours import LoadCounter, LoadRule
from service.runs.arithmetic.log_columns import Signal, TimeKind
from service.runs.arithmetic.log_times import LogClock
from service.runs.arithmetic.steady_windows import WindowFinder
from service.runs.files.logs import RunLog, guess_log, look_at

DATA = Path(__file__).parents[3] / "shared" / "data" / "five-cell-stack"
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason="the open data of the five-cell stack does not lie beside the project"
)
AREA_CM2 = 100.0
MEAN_V_AT_70_A = {
    0: (0.6884, 0.6848, 0.6831, 0.6817, 0.6782),
    48: (0.6848, 0.6808, 0.6782, 0.6796, 0.6776),
    185: (0.6760, 0.6725, 0.6694, 0.6718, 0.6697),
    348: (0.6724, 0.6699, 0.6649, 0.6682, 0.6661),
    515: (0.6686, 0.6657, 0.6604, 0.6646, 0.6622),
    658: (0.6639, 0.6623, 0.6561, 0.6610, 0.6567),
    823: (0.6571, 0.6565, 0.6485, 0.6542, 0.6486),
    991: (0.6618, 0.6565, 0.6485, 0.6563, 0.6491),
}


@pytest.mark.parametrize("hours", MEAN_V_AT_70_A)
def test_a_sweep_gives_the_printed_mean_cell_voltages(hours: int) -> None:
    path = DATA / f"FC1_Pola_T{hours:03d}.xlsx"
    log = RunLog(path, guess_log(look_at(path)).mapping)

    batches = list(log.batches())

    assert log.mapping.time.kind is TimeKind.NONE
    current = np.concatenate([batch.signals[Signal.CURRENT] for batch in batches])
    is_near = np.abs(current - 70.0) <= 0.6
    for channel, printed in enumerate(MEAN_V_AT_70_A[hours], 1):
        voltage = np.concatenate([batch.cell_v[channel] for batch in batches])
        assert float(voltage[is_near].mean()) == pytest.approx(printed, abs=0.00005)


def test_the_log_in_latin_1_is_read_whole() -> None:
    path = DATA / "FC1_Ageing_part3.csv"
    guess = guess_log(look_at(path))
    log = RunLog(path, guess.mapping)
    clock, counter = LogClock(), LoadCounter(LoadRule(load_above_a=1.0))
    cells = {f"cell {at}" for at in range(1, 6)}
    finder = WindowFinder((*sorted(cells), "current"))
    windows = []

    for batch in log.batches():
        current = batch.current_a(AREA_CM2)
        assert current is not None
        assert batch.time_s is not None
        density = batch.signals[Signal.CURRENT_DENSITY]
        assert current == pytest.approx(density * AREA_CM2, abs=0.0011)
        steps = clock.feed(batch.time_s)
        counter.feed(steps, current, hydrogen_l_min=batch.signals[Signal.HYDROGEN_FLOW])
        named = {f"cell {at}": volts for at, volts in batch.cell_v.items()}
        windows += finder.feed(steps.time_s, {"current": current, **named})
    windows += finder.finish()

    times, hours = clock.result(), counter.result()
    assert (times.rows, log.notes.in_words) == (12_792, ())
    assert (times.last_s - times.first_s) / 3600 == pytest.approx(107.31, abs=0.01)
    assert times.spacings[0][0] == 30.0
    assert hours.load_h == pytest.approx(times.running_h)
    assert (hours.starts, hours.stops, hours.begins_at_load) == (0, 0, True)
    assert 100 <= len(windows) <= 115
    for window in windows:
        assert window.mean[-1] == pytest.approx(70.0, abs=0.7)
        assert window.sd[:5].max() < 0.003
