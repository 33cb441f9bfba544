"""Invented closings: plausible figures of no real hardware, built from part types."""

from collections.abc import Sequence
from dataclasses import replace

from service.closing.arithmetic.closing_inputs import (
    ClosingInputs,
    ClosingPile,
    ClosingType,
    Placed,
    RodPlace,
    RodReading,
    pile_of,
)
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.limits import Limit, Quantity
from service.physics.arithmetic.part_stiffness import Bed, Disc, Seal, Stiff
from service.platform.arithmetic.material_curves import Densifying, RubberCord, Soft
from service.platform.arithmetic.vocabulary import Joint, Kind, ReadingKind

GDL = Soft(Densifying(3e6, 0.55), 0.25, 2.0, 0.08)
RUBBER = Soft(RubberCord(0.7e-3, 4e6), 0.1, 1.5, 0.1)
MEA = ClosingType("M1", Kind.MEA, 0.42, Bed(GDL, 0.45, 0.0, 0.1, 2e-5, 0.004))
GASKET = ClosingType("G1", Kind.GASKET, 0.7, Seal(RUBBER, 0.7, 0.5, 500.0, 2e-4, 0.008), Joint.GAS)
COOLANT = ClosingType("W1", Kind.GASKET, 0.9, Seal(RUBBER, 0.9, 0.6, 500.0), Joint.COOLANT)
PLATE = ClosingType("H1", Kind.HALF_PLATE, 2.0, Stiff(10.0, 150.0, 5e-6, 0.004))
COLLECTOR = ClosingType("C1", Kind.CURRENT_COLLECTOR, 3.0, Stiff(expansion_1_k=17e-6))
INSULATOR = ClosingType("I1", Kind.INSULATOR_PLATE, 5.0, Stiff(expansion_1_k=8e-5))
END = ClosingType(
    "E1", Kind.COMPRESSION_PLATE, 25.0, Stiff(expansion_1_k=23e-6, u_thickness_mm=0.01)
)
DISC = ClosingType("D1", Kind.DISC_SPRING, 1.1, Disc(20.0, 10.2, 1.1, 0.45))
PLACES = ((0, 80), (0, -80), (70, 80), (-70, 80), (70, -80), (-70, -80), (70, 0), (-70, 0))
RODS = tuple(RodPlace(at, x, y) for at, (x, y) in enumerate(PLACES, 1))
CLAMP = ClampFigures(
    "M8",
    "8.8",
    nut_factor=0.18,
    u_common_percent=8.0,
    u_each_percent=5.0,
    rod_before_mm=10.0,
    nut_height_mm=6.5,
    springs_parallel=3,
    springs_series=8,
    area_width_mm=80.0,
    area_depth_mm=125.0,
    gasket_outside_mm=8.0,
    stop_gap_mm=0.15,
    running_temperature_c=70.0,
)
LIMITS = (
    Limit(Quantity.GDL_PRESSURE, 0.5, 2.5, "design note 7"),
    Limit(Quantity.SHARE_OF_PROOF, None, 70.0, "ISO 898-1, 70 %"),
    Limit(Quantity.PROTRUSION, 3.0, None, "two threads"),
)
FIGURES = DesignFigures(clamp=CLAMP, limits=LIMITS)


def a_pile(
    cells: int = 4, mea: ClosingType = MEA, thin: dict[int, float] | None = None
) -> ClosingPile:
    """A pile of cells; ``thin`` gives the measured thickness (mm) of some cells' MEAs."""
    layers = [Placed(INSULATOR), Placed(COLLECTOR)]
    for cell in range(1, cells + 1):
        layers += [
            Placed(COOLANT),
            Placed(PLATE, cell),
            Placed(GASKET, cell),
            Placed(mea, cell, (thin or {}).get(cell)),
            Placed(GASKET, cell),
            Placed(PLATE, cell),
        ]
    layers += [Placed(COOLANT), Placed(COLLECTOR), Placed(INSULATOR)]
    return pile_of(layers, [Placed(END), Placed(END)])


def reading(rod: int, torque_nm: float = 2.7, **more: object) -> RodReading:
    """One reading; kind set, third pass."""
    first = RodReading(rod, torque_nm, ReadingKind.SET, 3, 1.0, 4.0, 0.1, "T-1")
    return replace(first, **more)  # type: ignore[arg-type]


def all_read(torque_nm: float = 2.7) -> tuple[RodReading, ...]:
    """Every nut read once, all alike."""
    return tuple(reading(rod.number, torque_nm) for rod in RODS)


def a_closing(
    pile: ClosingPile | None = None,
    readings: Sequence[RodReading] | None = None,
    figures: DesignFigures = FIGURES,
    **more: object,
) -> ClosingInputs:
    """A closing with every nut read."""
    found = ClosingInputs(
        pile or a_pile(),
        RODS,
        all_read() if readings is None else tuple(readings),
        figures,
        100.0,
        rod_length_mm=150.0,
        disc=DISC,
        passes=3,
        target_torque_nm=2.7,
        limits="version 1",
    )
    return replace(found, **more)  # type: ignore[arg-type]
