"""What a sweep's rows give: a curve a leg, open circuit from the longest rest, doubts in words."""

import numpy as np
import pytest

from service.condition.arithmetic.found_sweeps import (
    SweepRows,
    channel_names,
    found_rest,
    found_sweep,
    gathered,
)
from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import (
    CellColumn,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)

UP = np.linspace(0.02, 1.0, 100)


def rows(density: np.ndarray, volts: np.ndarray | None = None, **more: object) -> SweepRows:
    channels = 1 if volts is None else volts.shape[1]
    given = {
        "times_s": None,
        "voltages_v": (0.9 - 0.3 * density)[:, None] if volts is None else volts,
        "channels": tuple(f"U{n}" for n in range(1, channels + 1)),
        "temperature_c": None,
        "stack_voltages_v": None,
        **more,
    }
    return SweepRows(densities_a_cm2=density, **given)  # type: ignore[arg-type]


def a_mapping(*names: str, current: bool = True) -> Mapping:
    cells = tuple(CellColumn(name, n) for n, name in enumerate(names, start=1))
    signals = (SignalColumn(Signal.CURRENT, "I", "A"),) if current else ()
    return Mapping(TimeColumn(TimeKind.NONE), cells, signals)


def test_the_later_half_of_the_longest_rest_is_open_circuit() -> None:
    density = np.concatenate([np.zeros(4), UP, np.zeros(40)])
    volts = np.where(np.arange(144) < 124, 0.90, 0.96)[:, None]

    found = found_rest(rows(density, volts))

    assert found is not None
    assert (found.rows, found.means_v) == (20, (pytest.approx(0.96),))


def test_a_rest_too_short_to_move_says_so() -> None:
    density = np.concatenate([UP[::-1], np.zeros(40)])
    volts = np.concatenate([np.full(120, 0.9), 0.9 + 0.001 * np.arange(20)])[:, None]

    found = found_sweep(rows(density, volts), 100.0)

    assert any("still rose by 15 mV over the 20 rows" in said for said in found.doubts)


def test_a_current_that_never_rests_has_no_open_circuit() -> None:
    assert found_rest(rows(UP)) is None
    assert found_rest(rows(np.concatenate([UP, [0.0, 0.0]]))) is None


def test_channels_without_a_value_have_none_and_are_named() -> None:
    density = np.concatenate([UP, np.zeros(20)])
    volts = np.column_stack([0.9 - 0.3 * density, np.full(120, np.nan)])

    found = found_sweep(rows(density, volts), 100.0)

    assert found.rest is not None
    assert found.rest.means_v[1] is None
    assert "No voltage at all: U2." in found.doubts
    assert found.curves[0].points[-1].means_v[1] is None


def test_cells_and_stack_that_disagree_are_said_and_left_so() -> None:
    density = np.concatenate([UP, np.zeros(20)])
    volts = np.column_stack([0.9 - 0.3 * density] * 5)

    found = found_sweep(rows(density, volts, stack_voltages_v=volts.sum(axis=1) - 0.056), 100.0)

    assert any("56 mV more than the recorded" in said for said in found.doubts)
    assert found.rest is not None
    assert found.rest.stack_voltage_v == pytest.approx(5 * 0.9 - 0.056)


def test_rows_are_gathered_over_batches() -> None:
    mapping = a_mapping("left", "right")
    batches = [
        LogBatch(
            1 + 50 * n,
            None,
            {1: 0.9 - UP[n * 50 : n * 50 + 50], 2: 0.8 - UP[n * 50 : n * 50 + 50]},
            {Signal.CURRENT: UP[n * 50 : n * 50 + 50] * 25.0},
        )
        for n in range(2)
    ]

    found = gathered(batches, mapping, 25.0)

    assert found.densities_a_cm2 == pytest.approx(UP)
    assert found.voltages_v.shape == (100, 2)
    assert found.times_s is None
    assert found.channels == ("left", "right")


def test_what_is_no_sweep_is_refused() -> None:
    with pytest.raises(Inconsistent, match="no row"):
        gathered([], a_mapping("U1"), 100.0)
    with pytest.raises(Inconsistent, match="voltage of a cell"):
        gathered([], a_mapping(current=True), 100.0)
    batch = LogBatch(1, None, {1: UP}, {})
    with pytest.raises(Inconsistent, match="current density"):
        gathered([batch], a_mapping("U1", current=False), 100.0)
    with pytest.raises(Inconsistent, match="moves by"):
        found_sweep(rows(np.full(50, 0.7)), 100.0)


def test_channels_keep_their_names_where_these_give_the_numbers() -> None:
    crossed = Mapping(TimeColumn(TimeKind.NONE), (CellColumn("U1 (V)", 2), CellColumn("U2 (V)", 1)))

    assert channel_names(a_mapping("U1 (V)", "U2 (V)")) == ("U1 (V)", "U2 (V)")
    assert channel_names(crossed) == ("channel 2", "channel 1")
