"""Warmth, relaxation, more cells, and the torque for a pressure."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.clamp_changes import (
    change_of_cells,
    relaxed,
    torque_for_pressure,
    warmed,
)
from service.physics.arithmetic.clamping import NutFactor, TorqueValue, preloads
from service.physics.arithmetic.gap_balance import Gap, GasketOf
from service.physics.arithmetic.springs import close_stack
from service.platform.arithmetic.errors import NoSolution, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from tests.closing.arithmetic.clamps import RUBBER, a_cell, a_stack, discs, elastic

LAW = NutFactor(0.18, 0.008)
FORCE = Estimate(12e3)


@given(st.floats(-30.0, 60.0))
def test_pile_and_rods_meet_again_when_warm(kelvin: float) -> None:
    """Pile and springs are as long as the rods between the nuts, before and after."""
    assembly = a_stack(5, discs())
    closed = close_stack(assembly, FORCE)

    found = warmed(assembly, closed, kelvin)

    springs = assembly.rods.springs
    assert springs is not None
    each = found.force_after_n / assembly.rods.count
    pile = assembly.rigid_height_m - found.force_after_n * assembly.rigid_compliance
    pile += kelvin * sum(layer.height_m * layer.expansion_1_k for layer in assembly.rigid)
    pile += found.states.gap_m.sum() + springs.free_height_m - springs.travel(each)
    rod = (closed.grip_m - closed.rod_stretch_m) * (1 + kelvin * assembly.rods.expansion_1_k)
    rod += each * closed.grip_m / (assembly.rods.area_m2 * assembly.rods.modulus_pa)
    assert pile == pytest.approx(rod, rel=1e-9)


def test_no_change_no_force_lost() -> None:
    assembly = a_stack(5, discs())
    closed = close_stack(assembly, FORCE)

    for found in (warmed(assembly, closed, 0.0), relaxed(assembly, closed, 0.0)):
        assert found.force_change_n == pytest.approx(0.0, abs=0.01)
        assert found.height_change_m == pytest.approx(0.0, abs=1e-12)


def test_rods_that_grow_more_than_the_pile_lose_force() -> None:
    assembly = a_stack(5)
    slow = replace(assembly, rods=replace(assembly.rods, expansion_1_k=0.0))
    fast = replace(assembly, rods=replace(assembly.rods, expansion_1_k=17e-6))
    closed = close_stack(assembly, FORCE)

    more, less = (warmed(one, closed, 50.0).force_after_n for one in (slow, fast))

    assert more > closed.force_n.value
    assert less < more


@pytest.mark.parametrize("lost_m", [20e-6, 80e-6])
def test_springs_keep_more_of_the_force(lost_m: float) -> None:
    bare, sprung = a_stack(5), a_stack(5, discs(20))

    without = relaxed(bare, close_stack(bare, FORCE), lost_m)
    held = relaxed(sprung, close_stack(sprung, FORCE), lost_m)

    assert 0 < held.share_lost < without.share_lost < 1
    assert without.gdl_pressure_after_pa is not None
    assert without.gdl_pressure_before_pa is not None
    assert without.gdl_pressure_after_pa < without.gdl_pressure_before_pa


def test_material_with_a_set_loses_more_force_than_an_elastic_one() -> None:
    real, ideal = a_stack(5, discs()), elastic(a_stack(5, discs()))

    lost = [relaxed(one, close_stack(one, FORCE), 60e-6).share_lost for one in (real, ideal)]

    assert lost[0] > lost[1]


def test_a_clamp_that_comes_loose_is_told() -> None:
    assembly = a_stack(2)
    closed = close_stack(assembly, FORCE)

    with pytest.raises(NoSolution, match="The clamp comes loose"):
        relaxed(assembly, closed, 3e-3)


@given(st.floats(0.2e6, 1.6e6))
def test_the_torque_for_a_pressure_gives_it(pressure: float) -> None:
    assembly = a_stack([a_cell(440e-6), a_cell(450e-6), a_cell(460e-6)], discs(12))

    wanted = torque_for_pressure(assembly, pressure, LAW)
    total = preloads([TorqueValue(wanted.torque_nm.value)] * 8, LAW).total
    closed = close_stack(assembly, total)

    assert closed.gdl_pressure_pa is not None
    assert closed.gdl_pressure_pa.value == pytest.approx(pressure, rel=1e-6)
    assert wanted.closed.gdl_pressure_pa is not None
    assert wanted.closed.gdl_pressure_pa.value == pytest.approx(pressure, rel=1e-6)


def test_a_pressure_the_hard_stop_does_not_allow_is_told() -> None:
    with pytest.raises(OutOfRange, match="there the hard stops carry the rest"):
        torque_for_pressure(a_stack([a_cell(stop_m=400e-6)]), 2e6, LAW)
    with pytest.raises(OutOfRange, match="the wanted GDL pressure is 0 Pa"):
        torque_for_pressure(a_stack(1), 0.0, LAW)
    blank = Gap(GasketOf(RUBBER, 1.2e-3, 0.65e-3, 0.5))
    with pytest.raises(OutOfRange, match="the number of cells with an MEA is 0"):
        torque_for_pressure(a_stack([blank]), 1e6, LAW)


def test_more_cells_make_the_stack_higher_and_softer_but_press_alike() -> None:
    assembly = a_stack(5, discs())

    found = change_of_cells(assembly, FORCE, 2, a_cell())

    assert found.before.gdl_pressure_pa is not None
    assert found.after.gdl_pressure_pa is not None
    assert found.after.gdl_pressure_pa.value == pytest.approx(found.before.gdl_pressure_pa.value)
    cell = found.before.cells[0].gap_m + found.before.coolant[0].gap_m + 2 * 2e-3
    assert found.height_change_m == pytest.approx(2 * cell, rel=1e-3)
    assert found.after.stiffness_n_m < found.before.stiffness_n_m
    assert found.before.protrusion_m is not None
    assert found.after.protrusion_m is not None
    lost = found.before.protrusion_m.value - found.after.protrusion_m.value
    assert lost == pytest.approx(found.height_change_m, rel=1e-2)


def test_a_force_left_above_the_first_is_told() -> None:
    assembly = a_stack(2)
    closed = close_stack(assembly, FORCE)

    with pytest.raises(OutOfRange, match="the change of temperature is 400 K"):
        warmed(assembly, closed, 400.0)
