"""Pressure over the active area: balance, symmetry, no tension, uncertainty, levelling."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.levelling import beds_of, level
from service.physics.arithmetic.elastic_bed import (
    ActiveArea,
    Beds,
    active_area_moments,
    balanced_plane,
    pressure_plane,
    tilt_stiffness,
)
from service.physics.arithmetic.pressure_map import (
    PressureMap,
    RodLoad,
    pressure_map,
    resultant_of,
    rod_loads,
)
from service.physics.arithmetic.springs import close_stack
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from tests.closing.arithmetic.clamps import AREA_M2, a_cell, a_stack

AREA = ActiveArea(0.12, 0.08)
PLACES = ((0.07, 0.05), (-0.07, 0.05), (-0.07, -0.05), (0.07, -0.05), (0.0, 0.055), (0.0, -0.055))
SIX = st.lists(st.floats(1500.0, 8000.0), min_size=6, max_size=6)
WITH_GASKET = Beds(2e10, 1.2e6, 4e7, 3e3, 0.008, 10)


def a_clamp(loads: list[float], u: float = 0.0) -> list[RodLoad]:
    return [
        RodLoad(number, x, y, load, u)
        for number, ((x, y), load) in enumerate(zip(PLACES, loads, strict=False), 1)
    ]


def drawn_sum(found: PressureMap) -> float:
    field = AREA.area_m2 / (len(found.xs_m) * len(found.ys_m))
    return float(np.sum(found.pressures) * field)


@given(SIX)
def test_pressure_and_gasket_balance_the_rods(loads: list[float]) -> None:
    rods = a_clamp(loads)
    wanted = resultant_of(rods)

    found = pressure_map(rods, AREA, fine=120)

    plane = balanced_plane(wanted, AREA, Beds(1.0))
    borne = active_area_moments(plane, AREA, Beds(1.0)) @ pressure_plane(plane, Beds(1.0))
    assert borne == pytest.approx(wanted, rel=1e-8, abs=1e-6)
    assert found.on_active_area_n == pytest.approx(sum(loads), rel=1e-9)
    assert drawn_sum(found) == pytest.approx(sum(loads), rel=2e-3)
    assert found.mean_pa == pytest.approx(sum(loads) / AREA.area_m2)


@given(SIX)
def test_nothing_pulls_and_what_is_lost_is_counted(loads: list[float]) -> None:
    found = pressure_map(a_clamp(loads), AREA, fine=120)

    fields = np.array(found.pressures)
    assert (fields >= 0).all()
    assert found.lost_share == pytest.approx((fields == 0).mean(), abs=0.02)
    assert (found.least_pa == 0) == (found.lost_share > 0)
    assert found.greatest_pa >= fields.max() * (1 - 1e-12)
    assert found.deviation_pa == pytest.approx(fields.std(), rel=0.03, abs=1.0)
    assert found.ratio == found.least_pa / found.greatest_pa


@given(SIX)
def test_a_mirrored_clamp_gives_a_mirrored_map(loads: list[float]) -> None:
    rods = a_clamp(loads)
    mirrored = [replace(rod, x_m=-rod.x_m) for rod in rods]

    found, other = (pressure_map(one, AREA, WITH_GASKET) for one in (rods, mirrored))

    assert np.array(other.pressures) == pytest.approx(
        np.array(found.pressures)[:, ::-1], rel=1e-6, abs=1e-3 * found.mean_pa
    )
    assert other.resultant_m == pytest.approx((-found.resultant_m[0], found.resultant_m[1]))


@given(st.floats(500.0, 8000.0))
def test_equal_rods_press_evenly(load: float) -> None:
    found = pressure_map(a_clamp([load] * 6), AREA)

    assert found.ratio == pytest.approx(1.0)
    assert found.deviation_pa == pytest.approx(0.0, abs=1e-4 * found.mean_pa)
    assert found.lost_share == 0.0
    assert found.resultant_m == pytest.approx((0.0, 0.0), abs=1e-12)


@given(SIX, st.floats(1.1, 3.0))
def test_twice_the_load_twice_the_pressure(loads: list[float], factor: float) -> None:
    found = pressure_map(a_clamp(loads), AREA)
    more = pressure_map(a_clamp([load * factor for load in loads]), AREA)

    assert more.corners_pa == pytest.approx([p * factor for p in found.corners_pa], rel=1e-6, abs=1)
    assert more.lost_share == pytest.approx(found.lost_share, abs=1e-7)


def test_the_gasket_takes_its_share_and_steadies_the_plate() -> None:
    loads = [6000.0, 5000.0, 4000.0, 5000.0]

    bare, sealed = (pressure_map(a_clamp(loads), AREA, beds) for beds in (Beds(1.0), WITH_GASKET))

    assert sealed.on_active_area_n < bare.on_active_area_n
    assert sealed.ratio > bare.ratio


def test_uncertainty_of_the_corners_agrees_with_monte_carlo() -> None:
    dice = np.random.default_rng(6)
    loads = [5200.0, 5000.0, 4800.0, 5000.0]
    drawn = np.array(
        [
            pressure_map(a_clamp(list(dice.normal(loads, 250.0))), AREA, fine=1).corners_pa
            for _ in range(800)
        ]
    )

    found = pressure_map(a_clamp(loads, 250.0), AREA)

    assert found.u_corners_pa == pytest.approx(drawn.std(axis=0), rel=0.08)


def test_an_opened_edge_against_the_textbook() -> None:
    """Force at e = L/3: the wedge reaches over 3 (L/2 − e) = L/2, p_max = 2 F / (b L/2).

    Source: contact with no tension beyond the middle third (foundations; strength of materials).
    """
    length, width, force = 0.12, 0.08, 12e3
    share = 1 / 3
    rods = [
        RodLoad(1, length / 2, width / 2, force * (0.5 + share) / 2),
        RodLoad(2, length / 2, -width / 2, force * (0.5 + share) / 2),
        RodLoad(3, -length / 2, width / 2, force * (0.5 - share) / 2),
        RodLoad(4, -length / 2, -width / 2, force * (0.5 - share) / 2),
    ]

    found = pressure_map(rods, ActiveArea(length, width))

    assert found.lost_share == pytest.approx(0.5, abs=1e-6)
    assert found.greatest_pa == pytest.approx(2 * force / (width * length / 2), rel=1e-6)


@given(SIX)
def test_turning_every_nut_as_told_levels_the_plate(loads: list[float]) -> None:
    rods = a_clamp(loads)

    found = level(rods, AREA, WITH_GASKET, rod_give_m_n=5e-8, pitch_m=1.25e-3)

    wanted = {turn.number: turn.wanted_n for turn in found.turns}
    then = pressure_map(
        [replace(rod, load_n=wanted[rod.number]) for rod in rods], AREA, WITH_GASKET
    )
    assert then.resultant_m == pytest.approx((0.0, 0.0), abs=1e-9)
    assert then.ratio == pytest.approx(1.0, abs=1e-6)
    assert then.force_n == pytest.approx(sum(loads))
    turns = [abs(turn.turn_deg) for turn in found.turns]
    assert turns == sorted(turns, reverse=True)
    assert found.first.off_after_m <= found.first.off_before_m


def test_a_turn_moves_load_as_the_springs_of_rod_and_pile_say() -> None:
    """Doing all turns at once in a linear model of rods on a bed gives the wanted loads."""
    rods = a_clamp([5500.0, 5000.0, 4600.0, 5200.0])
    give, pitch = 5e-8, 1.25e-3
    beds = replace(WITH_GASKET, cells=7)
    found = level(rods, AREA, beds, rod_give_m_n=give, pitch_m=pitch)
    by_number = {turn.number: turn for turn in found.turns}
    turned = np.array([by_number[rod.number].turn_deg / 360 * pitch for rod in rods])
    now = balanced_plane(resultant_of(rods), AREA, beds)
    loads = np.array([rod.load_n for rod in rods])
    places = np.array([[1.0, rod.x_m, rod.y_m] for rod in rods])

    pile = tilt_stiffness(now, AREA, beds) / beds.cells
    moved = np.linalg.solve(pile + places.T @ places / give, places.T @ turned / give)
    then = loads + (turned - places @ moved) / give

    assert then == pytest.approx([by_number[rod.number].wanted_n for rod in rods], rel=1e-6)


def test_the_lightest_or_heaviest_nut_comes_first() -> None:
    found = level(
        a_clamp([5000.0, 5000.0, 4000.0, 5000.0]),
        AREA,
        WITH_GASKET,
        rod_give_m_n=5e-8,
        pitch_m=1.25e-3,
        torques_nm={3: 6.4},
    )

    assert found.first.number in {1, 3}
    by_number = {turn.number: turn for turn in found.turns}
    assert by_number[3].turn_deg > 0 > by_number[1].turn_deg
    assert by_number[3].torque_nm == pytest.approx(6.4 * by_number[3].wanted_n / 4000.0)
    assert by_number[1].torque_nm is None


def test_the_bed_of_a_closed_stack() -> None:
    assembly = a_stack(6)
    closed = close_stack(assembly, Estimate(12e3))

    beds = beds_of(assembly, closed, ActiveArea(0.1, AREA_M2 / 0.1), 0.01)

    assert closed.gdl_pressure_pa is not None
    assert closed.line_load_n_m is not None
    assert beds.pressure_pa == pytest.approx(closed.gdl_pressure_pa.value)
    assert beds.line_load_n_m == pytest.approx(closed.line_load_n_m.value)
    assert beds.cells == 6
    with pytest.raises(Inconsistent, match="100 cm² in the cells, but 120 cm² on the map"):
        beds_of(assembly, closed, ActiveArea(0.12, 0.1))
    stopped = a_stack([a_cell(stop_m=400e-6)])
    with pytest.raises(Inconsistent, match="on its hard stop"):
        beds_of(stopped, close_stack(stopped, Estimate(20e3)), ActiveArea(0.1, 0.1))


def test_readings_and_places_must_match() -> None:
    places, loads = {1: (0.0, 0.1), 2: (0.1, 0.0)}, {1: Estimate(5e3, 100.0)}

    with pytest.raises(Inconsistent, match="No reading for rod 2"):
        rod_loads(places, loads)
    with pytest.raises(Inconsistent, match="No place is known for rod 1"):
        rod_loads({}, loads)
    assert rod_loads({1: (0.0, 0.1)}, loads) == (RodLoad(1, 0.0, 0.1, 5e3, 100.0),)


@pytest.mark.parametrize(
    ("rods", "error", "words"),
    [
        (a_clamp([5000.0, 5000.0]), Inconsistent, "2 rods do not hold a plate level"),
        ([RodLoad(1, 0.0, 0.0, 5.0)] * 3, Inconsistent, "Rod 1 is given twice"),
        (a_clamp([5000.0, -1.0, 5000.0]), OutOfRange, "the load of rod 2 is -1 N"),
        (a_clamp([0.0, 0.0, 0.0]), OutOfRange, "the sum of the rods' loads is 0 N"),
        (a_clamp([5000.0, 0.0, 0.0, 5000.0]), OutOfRange, "beyond, the plate tips"),
    ],
)
def test_bad_input_is_told(rods: list[RodLoad], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        pressure_map(rods, AREA)


def test_an_area_of_nothing_and_rods_in_one_line_are_told() -> None:
    with pytest.raises(OutOfRange, match="the width of the active area is 0 m"):
        ActiveArea(0.0, 0.1)
    line = [RodLoad(at, 0.02 * at - 0.04, 0.0, 5e3) for at in (1, 2, 3)]
    with pytest.raises(Inconsistent, match="stand in one line"):
        level(line, AREA, WITH_GASKET, rod_give_m_n=5e-8, pitch_m=1.25e-3)
