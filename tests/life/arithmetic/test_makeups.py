"""Packing what comparisons need of a build, and reading many builds at once."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.build_features import (
    GASKETS,
    MOST_STACKS,
    NEVER,
    PLATES,
    Makeup,
    MeaAround,
    pack,
    unpack,
)
from service.life.arithmetic.factors import UNKNOWN
from service.platform.arithmetic.errors import Inconsistent

ID = st.integers(1, 2_000_000_000)
MAYBE = st.none() | ID
HOURS = st.integers(0, 9_000_000).map(lambda hundredths: hundredths / 100)


@st.composite
def meas(draw: st.DrawFn) -> MeaAround:
    """An MEA with whatever around it."""
    lots = draw(st.lists(ID, max_size=PLATES, unique=True))
    gaskets = draw(st.lists(ID, max_size=GASKETS, unique=True))
    return MeaAround(
        part_id=draw(ID),
        lot_id=draw(MAYBE),
        plate_lots=tuple(lots),
        gasket_lots=tuple(gaskets),
        cell=draw(st.none() | st.integers(1, 1000)),
        openings=draw(st.integers(0, 250)),
        came_from=draw(MAYBE),
        hours_before=draw(HOURS),
    )


@st.composite
def makeups(draw: st.DrawFn) -> Makeup:
    """A build, closed or opened again."""
    return Makeup(
        closed=draw(st.integers(0, 60_000_000)),
        opened=draw(st.just(NEVER) | st.integers(0, 60_000_000)),
        cells=draw(st.integers(0, 1000)),
        ran_h=draw(HOURS),
        meter=draw(st.integers(0, 2_000_000_000)),
        not_ran_h=draw(HOURS) - 100.0,
        torque_outside=draw(st.none() | st.booleans()),
        gdl_pressure_mpa=draw(st.none() | st.integers(0, 50_000).map(lambda p: p / 1e4)),
        drivers=tuple(draw(st.lists(ID, max_size=3, unique=True))),
        people=tuple(draw(st.lists(ID, max_size=4, unique=True))),
        meas=tuple(draw(st.lists(meas(), max_size=6))),
    )


def filled(values: tuple[int | None, ...], width: int) -> list[int]:
    """Values with UNKNOWN for what is not known and behind the last."""
    known = [UNKNOWN if value is None else value for value in values]
    return known + [UNKNOWN] * (width - len(known))


@given(st.lists(makeups(), max_size=5))
def test_what_is_packed_is_read_again(given_builds: list[Makeup]) -> None:
    builds, stays = unpack([pack(build) for build in given_builds])

    drivers = builds.drivers.shape[1]
    people = builds.people.shape[1]
    for at, build in enumerate(given_builds):
        assert (builds.closed[at], builds.opened[at]) == (build.closed, build.opened)
        assert (builds.cells[at], builds.meter[at]) == (build.cells, build.meter)
        assert builds.ran_h[at] == pytest.approx(build.ran_h)
        assert builds.not_ran_h[at] == pytest.approx(build.not_ran_h)
        torque = UNKNOWN if build.torque_outside is None else int(build.torque_outside)
        assert builds.torque_outside[at] == torque
        pressure = np.nan if build.gdl_pressure_mpa is None else build.gdl_pressure_mpa
        assert builds.gdl_pressure_mpa[at] == pytest.approx(pressure, nan_ok=True)
        assert builds.drivers[at].tolist() == filled(build.drivers, drivers)
        assert builds.people[at].tolist() == filled(build.people, people)
    every = [(at, mea) for at, build in enumerate(given_builds) for mea in build.meas]
    every.sort(key=lambda one: (given_builds[one[0]].closed, one[0]))
    assert stays.build.tolist() == [at for at, _ in every]
    for row, (_, mea) in enumerate(every):
        assert stays.part[row] == mea.part_id
        assert stays.mea_lot[row] == filled((mea.lot_id,), 1)[0]
        assert stays.plate_lots[row].tolist() == filled(mea.plate_lots, PLATES)
        assert stays.gasket_lots[row].tolist() == filled(mea.gasket_lots, GASKETS)
        assert stays.cell[row] == (mea.cell or 0)
        assert stays.openings[row] == mea.openings
        assert stays.came_from[row] == filled((mea.came_from,), 1)[0]
        assert stays.hours_before[row] == pytest.approx(mea.hours_before)


NOTHING = Makeup(0, NEVER, 1, 0.0, 0, 0.0, None, None, (), (), ())
PLAIN = MeaAround(1, None, (), (), 1, 0, None, 0.0)


def test_a_lot_met_twice_around_an_mea_is_named_once() -> None:
    around = replace(PLAIN, plate_lots=(7, 7), gasket_lots=(None, 8, 8, 9))

    _, stays = unpack([pack(replace(NOTHING, meas=(around,)))])

    assert stays.plate_lots.tolist() == [[7, UNKNOWN]]
    assert stays.gasket_lots.tolist() == [[8, 9, UNKNOWN, UNKNOWN]]


def test_more_stacks_than_can_be_told_apart_are_not_known() -> None:
    many = tuple(replace(PLAIN, came_from=number) for number in range(1, MOST_STACKS + 20))

    _, stays = unpack([pack(replace(NOTHING, meas=many))])

    assert stays.came_from[:MOST_STACKS].tolist() == list(range(1, MOST_STACKS + 1))
    assert set(stays.came_from[MOST_STACKS:].tolist()) == {UNKNOWN}


def test_another_form_is_refused() -> None:
    text = pack(NOTHING)

    with pytest.raises(Inconsistent, match="another form"):
        unpack(["C" + text[1:]])


def test_no_build_at_all_is_no_error() -> None:
    builds, stays = unpack([])

    assert builds.closed.size == 0
    assert stays.part.size == 0
