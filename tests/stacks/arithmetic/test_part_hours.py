"""Hours of a part at load, gas-exposed and by the calendar."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.stacks.arithmetic.part_hours import Bridge, PartHours, Stay, Stretch, part_hours
from service.stacks.arithmetic.running_hours import Hours

START = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)
NOW = START + 100 * DAY


def day(number: float) -> datetime:
    """So many days after the beginning."""
    return START + number * DAY


def test_a_part_in_a_live_cell_has_what_the_stack_ran() -> None:
    runs = [Stretch(day(0), day(2), 30.0, 33.0), Stretch(day(4), day(5), 20.0, 24.0)]

    found = part_hours(Stay(day(0), day(10), cell=3), runs, [], NOW)

    assert found == PartHours(Hours(50.0), Hours(57.0), 240.0)


def test_a_blank_cell_has_gas_and_no_load() -> None:
    found = part_hours(
        Stay(day(0), day(10), cell=3, blank=True), [Stretch(day(0), day(2), 30.0, 33.0)], [], NOW
    )

    assert found == PartHours(Hours(0.0), Hours(33.0), 240.0, out_of_load=Hours(30.0))


def test_a_bridged_cell_keeps_its_gas_and_loses_its_load_from_then_to_then() -> None:
    runs = [Stretch(day(at), day(at + 1), 20.0, 22.0) for at in range(10)]
    bridged = [Bridge(3, day(4), day(6)), Bridge(4, day(0), None)]

    third = part_hours(Stay(day(0), None, cell=3), runs, bridged, day(10))
    fourth = part_hours(Stay(day(0), None, cell=4), runs, bridged, day(10))
    end_plate = part_hours(Stay(day(0), None), runs, bridged, day(10))

    assert third.at_load.hours == pytest.approx(160)
    assert third.out_of_load.hours == pytest.approx(40)
    assert (fourth.at_load.hours, fourth.out_of_load.hours) == (0, 200)
    assert end_plate.at_load.hours == pytest.approx(200)
    assert {it.gas_exposed.hours for it in (third, fourth, end_plate)} == {220.0}
    assert {it.calendar_h for it in (third, fourth, end_plate)} == {240.0}
    assert not any(it.shared for it in (third, fourth, end_plate))


def test_a_bridge_between_two_readings_is_shared_out_by_time_and_said_so() -> None:
    found = part_hours(
        Stay(day(0), day(10), cell=1),
        [Stretch(day(0), day(10), 100.0, 100.0)],
        [Bridge(1, day(2), day(4)), Bridge(1, day(3), day(5))],
        NOW,
    )

    assert found.at_load.hours == pytest.approx(70)
    assert found.out_of_load.hours == pytest.approx(30)
    assert found.shared


def test_gas_nobody_told_is_at_least_the_hours_at_load() -> None:
    runs = [Stretch(day(0), day(1), 10.0, None), Stretch(day(1), day(2), 5.0, 6.0)]

    found = part_hours(Stay(day(0), day(10)), runs, [], NOW)

    assert found.at_load == Hours(15.0)
    assert found.gas_exposed == Hours(16.0, at_least=True)


def test_unread_hours_make_both_at_least() -> None:
    run = Stretch(day(0), day(1), 10.0, 12.0, at_least=True)

    live = part_hours(Stay(day(0), day(10), 1), [run], [], NOW)
    blank = part_hours(Stay(day(0), day(10), 1, blank=True), [run], [], NOW)

    assert (live.at_load, live.gas_exposed) == (Hours(10.0, True), Hours(12.0, True))
    assert (blank.at_load, blank.gas_exposed) == (Hours(0.0), Hours(12.0, True))


def test_hours_before_and_after_the_stay_are_not_the_parts() -> None:
    runs = [Stretch(day(at), day(at + 1), 20.0, 20.0) for at in range(10)]

    found = part_hours(Stay(day(3), day(5)), runs, [], NOW)

    assert (found.at_load.hours, found.calendar_h) == (40.0, 48.0)


@pytest.mark.parametrize(
    ("stretch", "says"),
    [
        (Stretch(day(2), day(1), 1.0, 1.0), "end of the stretch"),
        (Stretch(day(1), day(2), -1.0, 1.0), "time at load is -1.0 h"),
        (Stretch(day(1), day(2), 3.0, 2.0), "gas-exposed time is 2.0 h"),
    ],
)
def test_a_stretch_that_cannot_be_is_refused(stretch: Stretch, says: str) -> None:
    with pytest.raises((Inconsistent, OutOfRange), match=says):
        part_hours(Stay(day(0), day(10)), [stretch], [], NOW)


def test_a_stay_or_bridge_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(Inconsistent, match="end of the stay"):
        part_hours(Stay(day(1), day(0)), [], [], NOW)
    with pytest.raises(Inconsistent, match="end of the bridge"):
        part_hours(Stay(day(0), day(1), 1), [], [Bridge(1, day(1), day(0))], NOW)


TIMES = st.integers(0, 90 * 24).map(lambda hours: START + timedelta(hours=hours))
STRETCHES = st.lists(
    st.tuples(TIMES, st.integers(0, 200), st.floats(0, 1), st.floats(0, 1)), max_size=8
).map(
    lambda given: [
        Stretch(at, at + timedelta(hours=long), long * load, long * load + long * (1 - load) * gas)
        for at, long, load, gas in given
    ]
)
BRIDGES = st.lists(st.tuples(st.integers(1, 3), TIMES, TIMES, st.booleans()), max_size=5).map(
    lambda given: [
        Bridge(cell, min(a, b), None if is_open else max(a, b)) for cell, a, b, is_open in given
    ]
)
REBUILDS = st.lists(st.tuples(TIMES, st.booleans()), max_size=6, unique_by=lambda it: it[0])


@given(STRETCHES, BRIDGES, REBUILDS)
def test_hours_of_the_parts_of_a_cell_add_up_to_the_hours_of_the_stack(
    stretches: list[Stretch], bridges: list[Bridge], rebuilds: list[tuple[datetime, bool]]
) -> None:
    """Whoever sat there and whenever it was changed, blank or bridged: nothing lost or twice."""
    cuts = [(START - DAY, False), *sorted(rebuilds), (None, False)]
    stays = [
        Stay(at or START, until, cell=2, blank=blank) for (at, blank), (until, _) in pairwise(cuts)
    ]

    found = sum((part_hours(stay, stretches, bridges, NOW) for stay in stays), PartHours())

    at_load = sum(stretch.at_load_h for stretch in stretches)
    gas = sum(stretch.gas_exposed_h or 0.0 for stretch in stretches)
    assert found.at_load.hours + found.out_of_load.hours == pytest.approx(at_load)
    assert found.gas_exposed.hours == pytest.approx(gas)
    assert found.calendar_h == pytest.approx((NOW - START + DAY).total_seconds() / 3600)
    assert found.at_load.hours <= found.gas_exposed.hours + 1e-6


@given(STRETCHES, BRIDGES, st.integers(1, 6))
def test_reading_the_meter_more_often_changes_no_hour_outside_a_bridge(
    stretches: list[Stretch], bridges: list[Bridge], parts: int
) -> None:
    """A stretch cut into equal pieces says the same as the whole."""
    cut = [
        Stretch(
            one.begin + (one.end - one.begin) * at / parts,
            one.begin + (one.end - one.begin) * (at + 1) / parts,
            one.at_load_h / parts,
            max((one.gas_exposed_h or 0.0) / parts, one.at_load_h / parts),
        )
        for one in stretches
        for at in range(parts)
        if one.end > one.begin
    ]
    stay = Stay(START, None, cell=1)

    coarse, fine = (part_hours(stay, told, bridges, NOW) for told in (stretches, cut))

    assert fine.at_load.hours == pytest.approx(coarse.at_load.hours, abs=1e-6)
    assert fine.gas_exposed.hours == pytest.approx(coarse.gas_exposed.hours, abs=1e-6)
