"""Each MEA's line through the cells it sat in, spreads, and falls without load."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.cell_histories import (
    MeaVoltage,
    StackMoment,
    mea_histories,
    moments_near,
    open_falls,
    spread_history,
)

START = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def a_moment(
    at: float, volts: dict[int, tuple[int | None, float]], *, density: float = 0.7, build: int = 1
) -> StackMoment:
    """Ten minutes around so many hours; cell → MEA and volts."""
    begins = START + at * HOUR
    cells = {cell: MeaVoltage(part, volt) for cell, (part, volt) in volts.items()}
    return StackMoment(f"s{at}", begins, begins + HOUR / 6, at, build, density, cells)


@given(
    st.lists(
        st.permutations([11, 12, 13, 14]).map(lambda parts: dict(enumerate(parts, start=1))),
        min_size=1,
        max_size=8,
    )
)
def test_every_reading_belongs_to_one_mea_whatever_cell_it_sat_in(
    seats: list[dict[int, int]],
) -> None:
    """The voltage of each MEA is made of its own number: its line is flat however it moves."""
    moments = [
        a_moment(hour, {cell: (part, part / 20) for cell, part in seated.items()}, build=hour + 1)
        for hour, seated in enumerate(seats)
    ]

    found = mea_histories(moments)

    assert sum(len(line.readings) for line in found) == 4 * len(seats)
    for line in found:
        assert {it.voltage_v for it in line.readings} == {line.part_id / 20}
        assert line.places == tuple(
            (hour + 1, cell)
            for hour, seated in enumerate(seats)
            for cell, part in seated.items()
            if part == line.part_id
        )


def test_the_weakest_of_the_newest_build_comes_first() -> None:
    old = a_moment(0, {1: (11, 0.50), 2: (12, 0.66)})
    new = a_moment(9, {1: (12, 0.65), 2: (13, 0.64)}, build=2)

    found = mea_histories([old, new])

    assert [line.part_id for line in found] == [13, 12, 11]
    assert found[1].change_v == pytest.approx(-0.01)
    assert found[0].change_v is None
    assert found[0].newest.from_median_v == pytest.approx(-0.005)


def test_a_cell_without_a_known_mea_is_in_the_spread_and_in_no_line() -> None:
    moment = a_moment(0, {1: (11, 0.66), 2: (None, 0.60)})

    assert [line.part_id for line in mea_histories([moment])] == [11]
    (apart,) = spread_history([moment])
    assert apart.spread.range_v == pytest.approx(0.06)
    assert (apart.spread.least_cell, apart.weakest_part_id) == (2, None)


def test_one_cell_has_no_spread_and_no_cell_no_line() -> None:
    assert spread_history([a_moment(0, {1: (11, 0.66)})]) == ()
    assert mea_histories([a_moment(0, {})]) == ()


def test_moments_near_a_density_are_in_the_order_of_time() -> None:
    moments = [
        a_moment(5, {}, density=0.705),
        a_moment(1, {}, density=0.69),
        a_moment(2, {}, density=0.3),
    ]

    assert [moment.hours_h for moment in moments_near(moments, 0.7)] == [1, 5]


def test_falls_join_what_follows_without_load() -> None:
    """Three windows in a row, then load, then two more: one fall of three moments."""

    def idle(at: float, volt: float, build: int = 1) -> StackMoment:
        return a_moment(at, {1: (11, volt), 2: (12, 0.98)}, density=0.0, build=build)

    moments = [idle(0, 0.97), idle(0.2, 0.96), idle(0.4, 0.95), a_moment(1, {}), idle(2, 0.9)]
    moments.append(idle(2.2, 0.9))

    (fall,) = open_falls(moments)

    assert fall.moments == 3
    part, first, rate = fall.falls[1]
    assert (part, first) == (11, 0.97)
    assert rate == pytest.approx(-0.05)
    assert fall.falls[2][2] == pytest.approx(0, abs=1e-9)
    assert open_falls([idle(0, 0.97), idle(0.2, 0.96), idle(3, 0.95)]) == ()
    assert open_falls([idle(0, 0.97), idle(0.2, 0.96), idle(0.4, 0.95, build=2)]) == ()
