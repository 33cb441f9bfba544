"""The stack as springs: force balance, heights, symmetry, monotony, stops, uncertainty, energy."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, with_cells
from service.physics.arithmetic.gap_balance import BedOf, Gap, GapColumns, GasketOf
from service.physics.arithmetic.springs import (
    FORCE,
    GASKET_CURVE,
    GASKET_HEIGHT,
    GDL_CURVE,
    MEA_THICKNESS,
    close_stack,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.material_curves import Densifying, RubberCord, Soft
from tests.closing.arithmetic.clamps import (
    AREA_M2,
    GDL,
    RUBBER,
    a_cell,
    a_coolant_layer,
    a_stack,
    discs,
    rods,
)

FORCES = st.floats(200.0, 30e3)
THICKNESSES = st.lists(st.floats(400e-6, 500e-6), min_size=1, max_size=12)


@given(THICKNESSES, FORCES)
def test_every_gap_carries_the_whole_force(thicknesses: list[float], force: float) -> None:
    assembly = a_stack([a_cell(mea) for mea in thicknesses])

    closed = close_stack(assembly, Estimate(force))

    for gap in (*closed.cells, *closed.coolant):
        assert gap.share_gdl + gap.share_gasket + gap.share_stop == pytest.approx(1.0, rel=1e-7)
        assert gap.on_stop == (gap.share_stop > 0) or gap.share_stop == 0
    for gap in closed.cells:
        carried = gap.gdl_pressure_pa * AREA_M2 + gap.line_load_n_m * 0.5
        assert carried + gap.share_stop * force == pytest.approx(force, rel=1e-7)


@given(THICKNESSES, FORCES)
def test_heights_add_up(thicknesses: list[float], force: float) -> None:
    assembly = a_stack([a_cell(mea) for mea in thicknesses], discs())

    closed = close_stack(assembly, Estimate(force))

    rigid = assembly.rigid_height_m - force * assembly.rigid_compliance
    gaps = sum(gap.gap_m for gap in (*closed.cells, *closed.coolant))
    assert closed.closed_height_m.value == pytest.approx(rigid + gaps, rel=1e-12)
    column = assembly.rods.springs
    assert column is not None
    assert closed.grip_m == pytest.approx(
        rigid + gaps + column.free_height_m - closed.spring_travel_m, rel=1e-12
    )
    free = GapColumns(assembly.gaps).snug.sum() + assembly.rigid_height_m + column.free_height_m
    assert closed.nut_travel_m == pytest.approx(free - closed.grip_m + closed.rod_stretch_m)
    assert closed.protrusion_m is not None
    assert closed.protrusion_m.value == pytest.approx(
        0.4 - 0.01 - 0.0065 - closed.grip_m + closed.rod_stretch_m
    )


@given(THICKNESSES, FORCES, st.randoms(use_true_random=False))
def test_the_order_of_the_cells_does_not_matter(
    thicknesses: list[float], force: float, dice: object
) -> None:
    """A cell answers by itself, wherever it lies; the stack by all of them."""
    shuffled = list(enumerate(thicknesses))
    dice.shuffle(shuffled)  # type: ignore[attr-defined]

    first = close_stack(a_stack([a_cell(mea) for mea in thicknesses]), Estimate(force))
    second = close_stack(a_stack([a_cell(mea) for _at, mea in shuffled]), Estimate(force))

    for (at, _mea), gap in zip(shuffled, second.cells, strict=True):
        assert gap.gdl_pressure_pa == pytest.approx(first.cells[at].gdl_pressure_pa, rel=1e-6)
    assert second.closed_height_m.value == pytest.approx(first.closed_height_m.value, rel=1e-12)


@given(FORCES, st.floats(1.01, 1.5))
def test_more_force_more_pressure_less_height(force: float, more: float) -> None:
    assembly = a_stack(3, discs())

    less, most = (close_stack(assembly, Estimate(f)) for f in (force, force * more))

    assert less.gdl_pressure_pa is not None
    assert most.gdl_pressure_pa is not None
    assert less.line_load_n_m is not None
    assert most.line_load_n_m is not None
    assert most.gdl_pressure_pa.value > less.gdl_pressure_pa.value
    assert most.line_load_n_m.value > less.line_load_n_m.value
    assert most.closed_height_m.value < less.closed_height_m.value
    assert most.nut_turn_deg > less.nut_turn_deg


@given(st.floats(400e-6, 449e-6), FORCES)
def test_a_thin_mea_shows_as_a_cell_with_less_pressure(thin: float, force: float) -> None:
    closed = close_stack(a_stack([a_cell(450e-6), a_cell(thin)]), Estimate(force))

    usual, thinner = closed.cells

    assert thinner.gdl_pressure_pa < usual.gdl_pressure_pa
    assert thinner.gasket_squeeze >= usual.gasket_squeeze
    assert closed.least_gdl_pressure_pa == thinner.gdl_pressure_pa
    assert closed.greatest_gdl_pressure_pa == usual.gdl_pressure_pa


def test_on_the_hard_stop_the_gap_stays_and_the_stop_takes_the_rest() -> None:
    assembly = a_stack([a_cell(stop_m=380e-6)])

    first, second = (close_stack(assembly, Estimate(f)).cells[0] for f in (15e3, 25e3))

    assert (first.on_stop, first.gap_m) == (True, 380e-6)
    assert second.gdl_pressure_pa == first.gdl_pressure_pa
    assert second.share_stop * 25e3 - first.share_stop * 15e3 == pytest.approx(10e3)


def test_a_coolant_layer_is_sealed_by_its_gasket_then_its_lands_meet() -> None:
    assembly = a_stack(1)

    light, firm = (close_stack(assembly, Estimate(f)).coolant[0] for f in (150.0, 10e3))

    assert not light.on_stop
    assert light.gap_m > 0
    assert (firm.on_stop, firm.gap_m, firm.gdl_pressure_pa) == (True, 0.0, 0.0)
    assert firm.share_stop > 0.9


def test_uncertainty_agrees_with_monte_carlo() -> None:
    """Force, curves and thicknesses drawn at random, common to all cells as documented."""
    dice, many = np.random.default_rng(2), 700
    force = Estimate(12e3, 900.0)
    closed = close_stack(a_stack(2), force)
    pressures, lines, heights = [], [], []
    for f, b, g, mea, rubber in dice.normal(size=(many, 5)):
        gdl = Soft(Densifying(3e6 * (1 + 0.08 * b), 0.55), 0.25, 2.0)
        cord = Soft(RubberCord(1.2e-3, 4e6 * (1 + 0.1 * g)), 0.1, 1.5)
        cell = Gap(
            GasketOf(cord, 1.2e-3 + 15e-6 * rubber, 0.65e-3, 0.5),
            BedOf(gdl, 450e-6 + 4e-6 * mea, AREA_M2),
            200e-6,
        )
        drawn = close_stack(
            replace(a_stack(2), cells=(cell, cell), coolant=(a_coolant_layer(cord),) * 3),
            Estimate(12e3 + 900 * f),
        )
        pressures.append(drawn.cells[0].gdl_pressure_pa)
        lines.append(drawn.cells[0].line_load_n_m)
        heights.append(drawn.closed_height_m.value)

    assert closed.gdl_pressure_pa is not None
    assert closed.line_load_n_m is not None
    assert closed.gdl_pressure_pa.u == pytest.approx(np.std(pressures), rel=0.1)
    assert closed.cells[0].u_gdl_pressure_pa == pytest.approx(np.std(pressures), rel=0.1)
    assert closed.line_load_n_m.u == pytest.approx(np.std(lines), rel=0.1)
    rigid = dict(closed.closed_height_m.parts)["rigid layers"]  # not drawn above
    assert np.hypot(np.std(heights), rigid) == pytest.approx(closed.closed_height_m.u, rel=0.1)
    assert {name for name, _part in closed.line_load_n_m.parts} == {
        FORCE,
        GDL_CURVE,
        GASKET_CURVE,
        MEA_THICKNESS,
        GASKET_HEIGHT,
    }


def test_the_work_of_the_clamp_is_the_energy_in_the_springs() -> None:
    """∫ F dx over the squash equals what the curves store: first loading, all of it."""
    assembly = a_stack(2)
    forces = np.linspace(0.0, 15e3, 700)
    columns = GapColumns(assembly.gaps)
    gaps = np.array([columns.under(f).gap_m for f in forces])
    squash = (gaps[0] - gaps).sum(axis=1)

    work = np.trapezoid(forces, squash)

    stored = 0.0
    for at, gap in enumerate(assembly.gaps):
        if gap.bed is not None:
            strain = np.linspace(0.0, max(columns.strain(gaps[-1])[at], 0.0), 3000)
            stress = GDL.loading.load(strain)
            stored += np.trapezoid(stress, strain) * gap.bed.thickness_m * gap.bed.area_m2
        if gap.gasket is not None:
            squeeze = np.linspace(0.0, columns.squeeze(gaps[-1])[at], 3000)
            line = RUBBER.loading.load(squeeze)
            stored += np.trapezoid(line, squeeze) * gap.gasket.height_m * gap.gasket.length_m
    assert work == pytest.approx(stored, rel=2e-3)


def test_stiffness_is_the_slope_of_the_nut_travel() -> None:
    assembly = a_stack(3, discs())

    here, there = (close_stack(assembly, Estimate(f)) for f in (12e3, 12.01e3))

    slope = 10.0 / (there.nut_travel_m - here.nut_travel_m)
    assert here.stiffness_n_m == pytest.approx(slope, rel=2e-3)


def test_more_cells_on_the_same_rods() -> None:
    assembly = a_stack(6)

    more, fewer = with_cells(assembly, 2, a_cell()), with_cells(assembly, -2, a_cell())

    for changed, cells in ((more, 8), (fewer, 4)):
        assert len(changed.cells) == cells
        assert len(changed.coolant) == cells + 1
        assert changed.half_plates[0].count == 2 * cells
    assert with_cells(more, -2, a_cell()) == assembly
    with pytest.raises(Inconsistent, match="cannot lose 6"):
        with_cells(assembly, -6, a_cell())


def test_a_layer_beyond_its_curve_names_its_cell() -> None:
    soft = Soft(Densifying(0.4e6, 0.55))
    assembly = a_stack([a_cell(), a_cell(gdl=soft, rubber=Soft(RubberCord(1e-3, 1e3)), stop_m=0.0)])

    with pytest.raises(OutOfRange, match=r"the strain of the MEA of cell 2 is .* %"):
        close_stack(assembly, Estimate(60e3))


def test_springs_pressed_flat_are_told() -> None:
    with pytest.raises(OutOfRange, match="where they lie flat"):
        close_stack(a_stack(2, discs()), Estimate(60e3))


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda: a_cell(mea_m=0.0), OutOfRange, "the MEA's free thickness is 0 m"),
        (lambda: BedOf(GDL, 1e-4, 0.0), OutOfRange, "the active area is 0 m²"),
        (lambda: GasketOf(RUBBER, 1e-3, 5e-4, -1.0), OutOfRange, "the gasket's length is -1 m"),
        (
            lambda: GasketOf(RUBBER, 1e-3, 5e-4, 1.0, greatest_squeeze=1.5),
            OutOfRange,
            "the gasket has seen",
        ),
        (Gap, Inconsistent, "needs a gasket or an MEA"),
        (lambda: a_cell(stop_m=2e-3), Inconsistent, "they would carry nothing"),
        (lambda: RigidLayer("plate", -1e-3), OutOfRange, "the thickness of plate"),
        (lambda: rods(count=0), OutOfRange, "the number of rods is 0"),
        (lambda: Assembly((), rods()), Inconsistent, "one cell at least"),
        (lambda: close_stack(a_stack(1), Estimate(0.0)), OutOfRange, "the clamping force is 0 N"),
        (lambda: close_stack(a_stack(1), Estimate(-5.0)), OutOfRange, "the clamping force is -5"),
    ],
)
def test_bad_input_is_told(make: object, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        make()  # type: ignore[operator]
