"""How long does the arithmetic of closing take? Spring network to 400 cells, and the pressure map.

Best of several runs: other work on the machine must not decide.
"""

from collections.abc import Callable
from time import perf_counter

from service.closing.arithmetic.clamp_changes import relaxed, torque_for_pressure, warmed
from service.closing.arithmetic.levelling import level
from service.physics.arithmetic.clamping import NutFactor, TorqueValue, preloads
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds
from service.physics.arithmetic.pressure_map import RodLoad, pressure_map
from service.physics.arithmetic.springs import close_stack
from tests.closing.arithmetic.clamps import a_cell, a_stack, discs

LAW = NutFactor(0.18, 0.008, 0.01, 0.01)
ALLOWED_MS = 10.0


def best_ms(work: Callable[[], object], runs: int = 15) -> float:
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times) * 1000


def a_long_stack(cells: int) -> tuple[object, ...]:
    """Every cell with an MEA thickness of its own: none is solved for another."""
    return tuple(a_cell(450e-6 + 40e-6 * (at * 0.618 % 1 - 0.5)) for at in range(cells))


def test_spring_network() -> None:
    """The live state at closing: all cells, with their uncertainty, in 10 ms at 400 cells."""
    for cells in (10, 100, 400):
        assembly = a_stack(a_long_stack(cells), discs(40))  # type: ignore[arg-type]
        force = preloads([TorqueValue(2.0, 0.06, 0.05)] * 8, LAW).total
        closed = close_stack(assembly, force)
        rows = {
            "closed state": lambda: close_stack(assembly, force),  # noqa: B023
            "warmed by 50 K": lambda: warmed(assembly, closed, 50.0),  # noqa: B023
            "relaxed": lambda: relaxed(assembly, closed, 1e-4),  # noqa: B023
            "torque for a pressure": lambda: torque_for_pressure(assembly, 0.8e6, LAW),  # noqa: B023
        }
        for name, work in rows.items():
            print(f"{cells:4} cells  {name:22} {best_ms(work):7.2f} ms")
        assert best_ms(rows["closed state"]) <= ALLOWED_MS


def test_pressure_map() -> None:
    """One map with 24 × 24 fields, edge open or not, and the levelling of its nuts."""
    area, beds = ActiveArea(0.12, 0.08), Beds(2e10, 1.2e6, 4e7, 3e3, 0.008, 10)
    places = ((0.07, 0.05), (-0.07, 0.05), (-0.07, -0.05), (0.07, -0.05))
    for name, loads in (("whole", (5e3, 5e3, 4.6e3, 5e3)), ("opened", (9e3, 5e3, 1.5e3, 5e3))):
        rods = [
            RodLoad(at, x, y, f, 300.0)
            for at, ((x, y), f) in enumerate(zip(places, loads, strict=True))
        ]
        took = best_ms(lambda: pressure_map(rods, area, beds))  # noqa: B023
        print(f"pressure map, {name:7} {took:7.2f} ms")
        assert took <= ALLOWED_MS
    took = best_ms(lambda: level(rods, area, beds, rod_give_m_n=5e-8, pitch_m=1.25e-3))
    print(f"levelling              {took:7.2f} ms")
    assert took <= ALLOWED_MS
