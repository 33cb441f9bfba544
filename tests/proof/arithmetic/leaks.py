"""Invented tests of tightness."""

from dataclasses import replace

from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures, PathLimit
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.platform.arithmetic.pressures import Zero
from service.proof.arithmetic.leak_tests import Arrived, LeakTest, Meter, Method

LEAK_FIGURES = LeakFigures(
    "nitrogen",
    tuple(CircuitFigures(circuit, 0.05, 0.01, 30.0, 50.0) for circuit in Circuit),
    tuple(PathLimit(path, 0.02, "leak note 4") for path in Path),
)
METER = Meter(20.0, of_full_scale_percent=0.5, step_ml_min=0.01)


def a_decay(drop_kpa: float = 0.1, **more: object) -> LeakTest:
    """The anode under pressure for 20 min at one temperature, the others watched and quiet."""
    found = LeakTest(
        4,
        Method.PRESSURE_DECAY,
        "nitrogen",
        10,
        100.0,
        Zero.GAUGE,
        30.0,
        22.0,
        30.0 - drop_kpa,
        22.0,
        duration_min=20.0,
        meter=METER,
        arrived=(Arrived(Circuit.CATHODE, 0.0), Arrived(Circuit.COOLANT, 0.0)),
        gauge_step_kpa=0.01,
    )
    return replace(found, **more)  # type: ignore[arg-type]
