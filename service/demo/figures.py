"""Figures and limits of the three designs: invented for the demo, not for any real stack."""

from dataclasses import replace

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.closing_modes import ClosingMode
from service.limits.arithmetic.figures import DesignFigures, InsulationRule, ShortFigures
from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures, PathLimit
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.limits.arithmetic.leak_recipes import Recipe, Wetness
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.operation_figures import FeedFigures, OperationFigures
from service.limits.arithmetic.permeation import Permeating, Permeation
from service.limits.arithmetic.retests import USUAL, RetestRule

SOURCE = "invented for the demo, not for any real stack"
TEST_KPA = 30.0


def _clamp(thread: str, width_mm: float, depth_mm: float, outside_mm: float) -> ClampFigures:
    return ClampFigures(
        thread,
        "8.8",
        nut_factor=0.2,
        u_common_percent=5.0,
        u_each_percent=3.0,
        rod_before_mm=12.0,
        nut_height_mm=6.5,
        area_width_mm=width_mm,
        area_depth_mm=depth_mm,
        gasket_outside_mm=outside_mm,
        running_temperature_c=65.0,
    )


def _leak(volume_l: float, per_cell_l: float, most: float) -> LeakFigures:
    """Every path may leak ``most`` mbar·L/s of nitrogen."""
    return LeakFigures(
        "nitrogen",
        tuple(CircuitFigures(circuit, volume_l, per_cell_l, TEST_KPA, 50.0) for circuit in Circuit),
        tuple(PathLimit(path, most, SOURCE) for path in Path),
        path_length_mm=5.0,
    )


def _operation(current_a: float, rise_k: float) -> OperationFigures:
    return OperationFigures(
        current_a,
        FeedFigures(1.5, 50.0),
        FeedFigures(2.0, 50.0),
        least_cell_v=0.5,
        rated_cell_v=0.65,
        greatest_cell_v=1.0,
        coolant_temperature_c=65.0,
        coolant_rise_k=rise_k,
    )


INSULATION = (
    InsulationRule(Between.RODS_PLATES, Condition.DRY, 0.0, 1.0, SOURCE),
    InsulationRule(Between.PLATES_GROUND, Condition.DRY, 100.0, 0.1, SOURCE),
)
LIMITS = (
    Limit(Quantity.GDL_PRESSURE, 0.8, 1.6, SOURCE),
    Limit(Quantity.LINE_LOAD, 8.0, 40.0, SOURCE),
    Limit(Quantity.SHARE_OF_PROOF, None, 70.0, SOURCE),
    Limit(Quantity.PRESSURE_RATIO, 0.5, None, SOURCE),
    Limit(Quantity.PROTRUSION, 3.0, None, SOURCE),
)


def _figures(
    clamp: ClampFigures,
    leak: LeakFigures,
    operation: OperationFigures,
    retests: tuple[RetestRule, ...] = (),
    limits: tuple[Limit, ...] = LIMITS,
) -> DesignFigures:
    return DesignFigures(clamp, leak, INSULATION, ShortFigures(1000.0), operation, limits, retests)


PERMEATION = (
    Permeation(Permeating.HELIUM, Wetness.WET, 0.04, 0.11, SOURCE),
    Permeation(Permeating.HYDROGEN, Wetness.WET, 0.5, 1.6, SOURCE),
)
"""Of one cell of a Stork."""
ANODE_RECIPE = Recipe(4, Wetness.DRY, 10.0, 3.0, 15.0, guard_kpa=35.0, relief_kpa=40.0)
"""How the anode of a Stork is tested: its traces are kept."""
STORK_PRESSED = replace(
    _clamp("M8", 200.0, 110.0, 15.0),
    springs_parallel=3,
    springs_series=1,
    mode=ClosingMode.FORCE,
    press_force_kn=42.0,
    press_tolerance_percent=5.0,
)
FIGURES = {
    "Wren": _figures(
        _clamp("M6", 50.0, 50.0, 10.0), _leak(0.1, 0.003, 0.02), _operation(20.0, 4.0)
    ),
    "Heron": _figures(
        _clamp("M8", 125.0, 80.0, 12.0), _leak(0.05, 0.01, 0.04), _operation(80.0, 6.0)
    ),
    "Stork": _figures(
        STORK_PRESSED,
        replace(
            _leak(0.08, 0.02, 0.1),
            most_across_kpa=40.0,
            recipes=(ANODE_RECIPE,),
            permeation=PERMEATION,
        ),
        _operation(180.0, 8.0),
        USUAL,
        tuple(limit for limit in LIMITS if limit.quantity is not Quantity.PRESSURE_RATIO),
    ),
}
"""The first version of each design."""
WREN_TIGHTER = replace(FIGURES["Wren"], leak=_leak(0.1, 0.003, 0.008))
"""The second version of the Wren's: what may leak is less than half."""
STORK_TO_HEIGHT = replace(
    FIGURES["Stork"],
    clamp=replace(
        STORK_PRESSED,
        mode=ClosingMode.HEIGHT,
        target_height_mm=218.5,
        height_tolerance_mm=0.5,
        press_force_kn=None,
        press_tolerance_percent=None,
    ),
)
"""The second version of the Stork's: closed to the height which its press force gave."""
