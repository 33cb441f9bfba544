"""Which channel reads which cell, and when."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.trade.errors import Inconsistent, OutOfRange
from service.trade.tap_maps import (
    Tap,
    TapFindings,
    TapMap,
    cell_at,
    channel_number,
    channel_numbers,
    checked_map,
    columns_by_cell,
    map_at,
    map_findings,
    mapped_stretches,
    straight_map,
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
    assert cell_at(maps, 2, START - DAY) == 2
    assert cell_at(maps, 1, START) == 1
    assert cell_at(maps, 1, START + DAY) == 2
    assert cell_at(maps, 3, START + DAY) is None


def test_of_two_maps_from_the_same_time_the_later_given_is_valid() -> None:
    maps = [checked_map(START, {1: 1}), checked_map(START, {1: 4})]

    assert cell_at(maps, 1, START) == 4


def test_a_log_over_a_change_of_leads_is_read_through_both_maps() -> None:
    crossed = checked_map(START + DAY, {1: 2, 2: 1})

    before, after = mapped_stretches([crossed], START, START + 3 * DAY, [1, 2])

    assert (before.begin, before.end, before.tap_map) == (
        START,
        START + DAY,
        straight_map([1, 2]),
    )
    assert (after.begin, after.end, after.tap_map) == (START + DAY, START + 3 * DAY, crossed)
    assert columns_by_cell([1, 2], before.tap_map, 2) == (0, 1)
    assert columns_by_cell([1, 2], after.tap_map, 2) == (1, 0)


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
    with pytest.raises(Inconsistent, match="before the beginning"):
        mapped_stretches([], START, START - DAY, [1])


MAPS = st.lists(
    st.tuples(
        st.integers(0, 20), st.dictionaries(st.integers(1, 6), st.integers(1, 6), min_size=1)
    ),
    max_size=6,
).map(lambda given: [checked_map(START + days * DAY, cells) for days, cells in given])


@given(MAPS, st.integers(-5, 25), st.integers(0, 25))
def test_stretches_cover_the_time_and_agree_with_the_map_of_every_day(
    maps: list[TapMap], first: int, days: int
) -> None:
    begin, end = START + first * DAY, START + (first + days) * DAY
    channels = range(1, 7)

    stretches = mapped_stretches(maps, begin, end, channels)

    assert (stretches[0].begin, stretches[-1].end) == (begin, end)
    assert all(a.end == b.begin for a, b in pairwise(stretches))
    for stretch in stretches:
        at = stretch.begin
        while at < stretch.end:
            for channel in channels:
                assert stretch.tap_map.cell_of(channel) == cell_at(maps, channel, at)
            at += DAY


@given(st.permutations(range(1, 9)))
def test_every_cell_is_read_from_the_column_whose_lead_is_on_it(cells: list[int]) -> None:
    leads = checked_map(None, dict(enumerate(cells, 1)))

    columns = columns_by_cell(range(1, 9), leads, 8)

    assert [cells[column] for column in columns if column is not None] == list(range(1, 9))
    assert [leads.channels_of(cell) for cell in cells] == [(channel,) for channel in range(1, 9)]
