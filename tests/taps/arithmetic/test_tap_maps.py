"""Which channel reads which cell, and when."""

from datetime import UTC, datetime, timedelta

import pytest

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.taps.arithmetic import (
    Tap,
    TapFindings,
    cells_read,
    channel_number,
    channel_numbers,
    checked_map,
    map_at,
    map_findings,
)

START = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("U1 (V)", 1),
        ("U1", 1),
        ("cell 12", 12),
        ("Cell_012", 12),
        ("CELL-12 [mV]", 12),
        ("V_cell 3", 3),
        ("Zelle 7 / V", 7),
        ("Zellspannung 7 in mV", 7),
        ("Cell 4 V", 4),
        ("17", 17),
        ("ch. 005", 5),
        # no cell voltages
        ("Utot (V)", None),
        ("T1 (°C)", None),
        ("Cell 3 (°C)", None),
        ("Cell 3 temperature", None),
        ("J (A/cm²)", None),
        ("I1", None),
        ("cells 3-4", None),
        ("mean cell 3", None),
        ("Time (h)", None),
        ("", None),
    ],
)
def test_the_name_of_a_column_tells_its_channel(name: str, number: int | None) -> None:
    assert channel_number(name) == number


def test_columns_without_distinct_numbers_are_counted_in_their_order() -> None:
    assert channel_numbers(["U1", "U2", "U2"]) == (1, 2, 3)
    assert channel_numbers(["U7", "middle"]) == (1, 2)
    assert channel_numbers(["U0", "U2", "U1"]) == (1, 3, 2)
    assert channel_numbers([]) == ()


def test_a_map_is_valid_from_its_time_until_the_next() -> None:
    first = checked_map(START, {1: 1, 2: 2})
    crossed = checked_map(START + DAY, {1: 2, 2: 1})
    maps = [crossed, first]

    assert map_at(maps, START - DAY) is None
    assert cells_read(maps, START - DAY, ("1", "2")) == (1, 2)
    assert cells_read(maps, START, ("1",)) == (1,)
    assert cells_read(maps, START + DAY, ("1", "3")) == (2, None)


def test_of_two_maps_from_the_same_time_the_later_given_is_valid() -> None:
    maps = [checked_map(START, {1: 1}), checked_map(START, {1: 4})]

    assert cells_read(maps, START, ("1",)) == (4,)


def test_what_a_map_leaves_open_is_said_and_a_cell_too_many_refused() -> None:
    found = map_findings(checked_map(None, {1: 1, 2: 1, 3: 4, 4: None}), cells=4)

    assert found == TapFindings(
        unread_cells=(2, 3),
        twice_read=(1,),
        idle_channels=(4,),
        crossed=(Tap(2, 1), Tap(3, 4)),
    )
    with pytest.raises(Inconsistent, match="Channel 3 reads cell 4, but the stack has 3"):
        map_findings(checked_map(None, {3: 4}), cells=3)


def test_a_map_that_cannot_be_is_refused() -> None:
    with pytest.raises(Inconsistent, match="no channel"):
        checked_map(START, {})
    with pytest.raises(OutOfRange, match="the channel is 0"):
        checked_map(START, {0: 1})
    with pytest.raises(OutOfRange, match="the cell is -2"):
        checked_map(START, {1: -2})
