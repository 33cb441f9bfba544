"""What a test of tightness departs from: its set-up, and what the membrane bears.

Pressures are gauge. Common practice, no source.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures
from service.limits.arithmetic.leak_paths import Path, SetUp
from service.limits.arithmetic.leak_recipes import Recipe
from service.proof.arithmetic.leak_tests import LeakTest


@dataclass(frozen=True, slots=True)
class Departures:
    """Sentences, and the figures they speak of, by name; empty for a test as it is set up."""

    sentences: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """All of it, in one line."""
        return " ".join(self.sentences)


def departures(
    test: LeakTest, figures: LeakFigures | None, *, as_tested: bool = False
) -> Departures:
    """Compare a test with the figures of its design; nothing departs where there are none.

    ``as_tested``: limits were given for the gas of the test.
    """
    if figures is None:
        return Departures()
    sentences: list[str] = []
    facts: dict[str, str] = {}
    kpa = abs(test.gauge_pressure_kpa)
    by_pressure = test.helium is None
    pressure = pressure_of(figures, test.connected) if by_pressure else None
    if pressure is not None and not pressure.may_be(kpa):
        band = f"{pressure.test_pressure_kpa:g} kPa ± {pressure.test_band_percent:g} %"
        facts |= {"pressure": f"{kpa:.4g} kPa", "pressure of the set-up": band}
        sentences.append(f"{kpa:.4g} kPa gauge at the start; the set-up asks for {band}.")
    gas = figures.gas_of(test.set_up)
    if test.gas != gas and by_pressure and not as_tested:
        facts |= {"gas": test.gas, "gas of the set-up": gas}
        sentences.append(f"Tested with {test.gas}; the set-up asks for {gas}.")
    held = test.duration_min
    if held is not None and held < figures.hold_minutes * (1 - 1e-9):
        facts |= {"held": f"{held:.4g} min", "least hold": f"{figures.hold_minutes:g} min"}
        sentences.append(
            f"Held for {held:.4g} min; the set-up asks for at least {figures.hold_minutes:g} min."
        )
    recipe = figures.recipe(test.set_up) if by_pressure else None
    if recipe is not None:
        for name, kept, wanted in _by_recipe(test, recipe):
            facts |= {name: kept, f"{name} of the recipe": wanted}
            sentences.append(f"{name.capitalize()} {kept}; the recipe asks for {wanted}.")
    most = figures.most_across_kpa
    across = max(kpa, test.kept.most_kpa) if test.kept else kpa
    if most is not None and loads_membrane(test.connected) and across > most * (1 + 1e-9):
        facts |= {"across the membrane": f"{across:.4g} kPa", "membrane bears": f"{most:g} kPa"}
        sentences.append(
            f"{across:.4g} kPa across the membrane; it bears at most {most:g} kPa: look for damage."
        )
    return Departures(tuple(sentences), facts)


def _by_recipe(test: LeakTest, recipe: Recipe) -> Iterator[tuple[str, str, str]]:
    """Each step that was not kept: its name, what was kept, what the recipe asks for."""
    if test.state is not recipe.state:
        yield "state", str(test.state or "not given"), str(recipe.state)
    kept, near = test.kept, 1 + 1e-6
    ramp, stabilise = f"at most {recipe.ramp_kpa_min:g} kPa/min", f"{recipe.stabilise_min:g} min"
    if kept is None:
        yield "ramp", "not recorded", ramp
        yield "stabilising", "not recorded", f"at least {stabilise}"
    else:
        if kept.ramp_kpa_min > recipe.ramp_kpa_min * near:
            yield "ramp", f"{kept.ramp_kpa_min:.3g} kPa/min", ramp
        if kept.settled_min * near < recipe.stabilise_min:
            yield "stabilising", f"{kept.settled_min:.3g} min", f"at least {stabilise}"
    measured = test.duration_min
    if measured is not None and measured * near < recipe.measure_min:
        yield "measuring", f"{measured:.3g} min", f"at least {recipe.measure_min:g} min"
    across = kept.most_kpa if kept and loads_membrane(test.connected) else None
    if recipe.guard_kpa is not None and across is not None and across > recipe.guard_kpa * near:
        guard = f"at most {recipe.guard_kpa:g} kPa across the membrane"
        yield "guard passed,", f"{across:.4g} kPa", guard
    if recipe.relief_kpa is not None:
        relief = kept.relief_kpa if kept else None
        if relief is None or relief > recipe.relief_kpa * near:
            given = "setting not recorded" if relief is None else f"set to {relief:g} kPa"
            yield "relief", given, f"at most {recipe.relief_kpa:g} kPa"


def pressure_of(figures: LeakFigures, set_up: SetUp) -> CircuitFigures | None:
    """Return the circuit whose test pressure holds in a set-up: the least of those joined."""
    with_figures = [
        circuit_figures
        for pressurised in set_up.pressurised
        if (circuit_figures := figures.circuit(pressurised)) is not None
    ]
    return min(with_figures, key=lambda circuit: circuit.test_pressure_kpa, default=None)


def loads_membrane(set_up: SetUp) -> bool:
    """Say whether anode and cathode stand at different pressures, the membrane between them."""
    return Path.ANODE_CATHODE in set_up.finds
