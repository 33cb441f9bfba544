"""A whole run counted: meter, limits, windows as snapshots, and what is odd in words."""

from datetime import UTC, datetime

import numpy as np
import pytest

from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import (
    CellColumn,
    Counting,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_times import LogClock, run_times
from service.runs.arithmetic.run_counting import RunCounter, RunFound

COLUMNS = Mapping(
    TimeColumn(TimeKind.ELAPSED, ("t",)),
    (CellColumn("U1", 1), CellColumn("U2", 2)),
    (
        SignalColumn(Signal.CURRENT_DENSITY, "J", "A/cm²"),
        SignalColumn(Signal.METER, "meter", "h"),
        SignalColumn(Signal.STACK_VOLTAGE, "U", "V"),
    ),
    counting=Counting(cell_below_v=0.3, settling_min=0.0),
)
HOUR = np.arange(0.0, 3601.0, 10.0)


def counted(
    columns: Mapping = COLUMNS,
    *,
    times: np.ndarray = HOUR,
    density: float = 0.7,
    meter: np.ndarray | None = None,
    volts: tuple[float, ...] = (0.65, 0.64),
    stack: float = 1.29,
) -> RunFound:
    counter = RunCounter(columns, area_cm2=100.0)
    rows = len(times)
    signals = {
        Signal.CURRENT_DENSITY: np.full(rows, density),
        Signal.METER: times / 3600 + 812.0 if meter is None else meter,
        Signal.STACK_VOLTAGE: np.full(rows, stack),
    }
    half = rows // 2
    for begin, end in ((0, half), (half, rows)):
        counter.feed(
            LogBatch(
                begin + 1,
                times[begin:end],
                {at: np.full(end - begin, value) for at, value in enumerate(volts, 1)},
                {signal: values[begin:end] for signal, values in signals.items()},
            )
        )
    return counter.result()


def test_a_density_and_the_area_give_current_hours_and_voltages() -> None:
    found = counted()

    assert found.load is not None
    assert (found.load.load_h, found.load.charge_ah) == pytest.approx((1.0, 70.0))
    assert (found.meter_from_hours, found.meter_to_hours) == (812.0, 813.0)
    assert [one.beyond_h for one in found.limits] == [0.0]
    window = found.windows[0]
    assert (window.current_a, window.density_a_cm2) == pytest.approx((70.0, 0.7))
    assert window.means_v == pytest.approx((0.65, 0.64))
    assert window.meter_hours == pytest.approx(812.5, abs=0.01)
    assert not window.is_open_circuit
    assert found.doubts == ()


def test_a_meter_that_runs_backwards_is_stopped_at_its_row() -> None:
    shown = HOUR / 3600 + 812.0
    shown[200:] -= 5.0

    with pytest.raises(Inconsistent, match=r"in row 201: it shows 807\.56 h after 812\.55 h"):
        counted(meter=shown)


def test_a_meter_that_flickers_by_its_last_digit_is_let_pass() -> None:
    shown = np.round(HOUR / 3600 + 812.0, 2)
    shown[100] -= 0.01

    assert counted(meter=shown).meter_to_hours == 813.0


def test_elapsed_time_can_be_the_meter() -> None:
    columns = Mapping(
        TimeColumn(TimeKind.ELAPSED, ("t",), "h", is_meter=True), COLUMNS.cells, COLUMNS.signals[:1]
    )
    counter = RunCounter(columns, area_cm2=100.0)
    counter.feed(
        LogBatch(
            1,
            HOUR + 1046.9 * 3600,
            {1: np.full(len(HOUR), 0.65), 2: np.full(len(HOUR), 0.64)},
            {Signal.CURRENT_DENSITY: np.full(len(HOUR), 0.7)},
        )
    )

    found = counter.result()

    assert (found.meter_from_hours, found.meter_to_hours) == pytest.approx((1046.9, 1047.9))


def test_idle_under_gas_is_open_circuit_and_idle_without_is_nothing() -> None:
    under_gas, without = (
        counted(density=0.0, volts=(0.95, 0.94)),
        counted(density=0.0, volts=(0.0, 0.0)),
    )

    assert [one.is_open_circuit for one in under_gas.windows] == [True]
    assert under_gas.load is not None
    assert (under_gas.load.load_h, under_gas.load.gas_h) == pytest.approx((0.0, 1.0))
    assert without.windows == ()
    assert without.limits[0].beyond_h == pytest.approx(1.0)


def test_one_dead_channel_does_not_hide_the_gas() -> None:
    found = counted(density=0.0, volts=(0.95, float("nan")))

    assert found.load is not None
    assert found.load.gas_h == pytest.approx(1.0)
    assert np.isnan(found.windows[0].means_v[1])


def test_what_is_odd_is_said() -> None:
    far = counted(stack=1.25)
    gap = counted(times=np.concatenate((HOUR, HOUR[1:] + 9000.0)))
    slow = counted(meter=np.full(len(HOUR), 812.0))

    assert "The cells add up to as much as 40 mV more" in far.doubts[0]
    assert "1 gap without rows" in gap.doubts[0]
    assert "at load before and after 1 of the gaps" in gap.doubts[1]
    assert "1.00 h at load, its hour meter counted 0.00 h" in slow.doubts[0]


def test_a_log_without_current_counts_no_load_and_says_so() -> None:
    columns = Mapping(TimeColumn(TimeKind.ELAPSED, ("t",)), COLUMNS.cells)
    counter = RunCounter(columns, area_cm2=100.0)
    counter.feed(LogBatch(1, HOUR, {1: HOUR * 0 + 0.65, 2: HOUR * 0 + 0.64}, {}))

    found = counter.result()

    assert found.load is None
    assert "No current was logged" in found.doubts[0]


def test_a_log_without_time_is_no_run() -> None:
    with pytest.raises(Inconsistent, match="no time"):
        RunCounter(COLUMNS, 100.0).feed(LogBatch(1, None, {1: HOUR}, {}))


def test_a_clock_that_was_never_set_is_refused() -> None:
    clock = LogClock()
    clock.feed(np.array([-60.0, 0.0]))

    with pytest.raises(Inconsistent, match="never set"):
        run_times(clock.result(), TimeKind.CLOCK, None)
    with pytest.raises(Inconsistent, match="say when"):
        run_times(clock.result(), TimeKind.ELAPSED, None)
    began_at = datetime(2026, 3, 7, tzinfo=UTC)
    assert run_times(clock.result(), TimeKind.ELAPSED, began_at).at(-60.0) == began_at
