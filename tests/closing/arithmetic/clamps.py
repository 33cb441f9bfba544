"""Invented stacks to clamp: plausible figures, no real hardware."""

from collections.abc import Sequence
from dataclasses import replace

from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, Rods
from service.physics.arithmetic.disc_springs import DiscSpring, PlainSpring, SpringColumn
from service.physics.arithmetic.gap_balance import BedOf, Gap, GasketOf
from service.physics.arithmetic.threads import strength, thread
from service.platform.arithmetic.material_curves import Densifying, Power, RubberCord, Soft

GDL = Soft(Densifying(3e6, 0.55), 0.25, 2.0, 0.08)
RUBBER = Soft(RubberCord(1.2e-3, 4e6), 0.1, 1.5, 0.1)
ELASTIC_GDL, ELASTIC_RUBBER = Soft(Densifying(3e6, 0.55)), Soft(RubberCord(1.2e-3, 4e6))
LINEAR = Soft(Power(8e6))
AREA_M2 = 100e-4
M8 = thread("M8")


def a_cell(
    mea_m: float = 450e-6, gdl: Soft = GDL, rubber: Soft = RUBBER, stop_m: float = 200e-6
) -> Gap:
    return Gap(
        GasketOf(rubber, 1.2e-3, 0.65e-3, 0.5, u_height_m=15e-6, expansion_1_k=2e-4),
        BedOf(gdl, mea_m, AREA_M2, u_thickness_m=4e-6, expansion_1_k=2e-5),
        stop_m,
    )


def a_coolant_layer(rubber: Soft = RUBBER) -> Gap:
    return Gap(GasketOf(rubber, 1.2e-3, 0.9e-3, 0.5), None, 0.0)


def rods(springs: SpringColumn | PlainSpring | None = None, count: int = 8) -> Rods:
    return Rods(
        count,
        M8,
        strength("8.8", M8),
        206e9,
        expansion_1_k=11.7e-6,
        length_m=0.4,
        before_m=0.01,
        nut_height_m=0.0065,
        springs=springs,
    )


def discs(series: int = 8) -> SpringColumn:
    return SpringColumn(DiscSpring(0.020, 0.0102, 0.0011, 0.00045), 3, series)


def a_stack(
    cells: int | Sequence[Gap] = 10, springs: SpringColumn | PlainSpring | None = None
) -> Assembly:
    gaps = tuple(cells) if not isinstance(cells, int) else (a_cell(),) * cells
    count = len(gaps)
    return Assembly(
        gaps,
        rods(springs),
        (RigidLayer("half plates", 2e-3, 2 * count, 10e9, 150e-4, 5e-6, 4e-6),),
        (a_coolant_layer(),) * (count + 1),
        (RigidLayer("compression plates", 0.025, 2, expansion_1_k=23e-6, u_thickness_m=1e-5),),
    )


def elastic(assembly: Assembly) -> Assembly:
    """The same stack with materials that come back the way they went."""
    return replace(
        assembly,
        cells=tuple(a_cell(gdl=ELASTIC_GDL, rubber=ELASTIC_RUBBER) for _gap in assembly.cells),
        coolant=tuple(a_coolant_layer(ELASTIC_RUBBER) for _gap in assembly.coolant),
    )
