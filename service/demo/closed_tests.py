"""Checks and tests of a closed stack as the laboratory makes them: height to tightness.

Readings are worked out from leaks somebody thought of, by the gas law, and rounded as the
instruments show them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.changes.checks import record_closing_check
from service.closing.queries.closed_heights import computed_height
from service.demo.bench import Bench
from service.demo.days import When
from service.demo.figures import FIGURES, TEST_KPA
from service.demo.lab import PASSPHRASE, Lab
from service.limits.arithmetic.leak_paths import SET_UPS, SetUp
from service.limits.arithmetic.leak_recipes import Recipe
from service.platform.arithmetic.vocabulary import Kind
from service.proof.arithmetic.leak_searches import SearchWay
from service.proof.changes import stack_tests as changes
from service.proof.changes.releases import release_build
from service.proof.queries.releases import gate
from service.records.changes.deviations import Stands
from service.records.queries.working_piles import FixingNow, working_pile
from service.stacks.tables import Build

BAROMETER_KPA = 101.3
START_C, END_C = 21.4, 21.5
ZERO_C_K = 273.15


@dataclass(frozen=True, slots=True)
class Leak:
    """One test in one set-up: what leaks away in all (mbar·L/s), what arrives beside it (mL/min).

    ``arrives`` is in the order of the watched circuits.
    """

    set_up: int
    rate_mbar_l_s: float
    arrives: tuple[float, ...]
    note: str = ""
    gas: str = "nitrogen"
    state: str = ""


TIGHT = (
    Leak(3, 0.0006, (0.01, 0.0)),
    Leak(4, 0.0041, (0.11, 0.01)),
    Leak(5, 0.0037, (0.12, 0.01)),
)
"""As usual: coolant, anode, cathode, one after the other."""


NUT_AND_FIXED_END_MM = 18.5
"""What of a rod the nut hides and what stands out at the fixed end."""


def make_tests(bench: Bench, leaks: Sequence[Leak] = TIGHT) -> None:
    """Checks of the closing, shorts, insulation, then tightness in set-ups one after the other."""
    check_closing(bench)
    check_shorts(bench)
    try_insulation(bench)
    for leak in leaks:
        try_tightness(bench, leak)


def check_closing(bench: Bench) -> None:
    """Closed height, thread at every rod, sleeves; as the parts add up, a little off."""
    pile = working_pile(bench.work.session, bench.record_id)
    expected = computed_height(bench.work.session, bench.record_id, pile).expected
    if expected is None:
        raise LookupError(f"no height can be computed in {bench.event.name}")
    height_mm = expected.height_mm + bench.lab.chance.gauss(0.0, expected.tolerance_mm / 6)
    _check(bench, ClosingCheck.HEIGHT, reading_mm=round(height_mm, 2), gauge="HG-1")
    hidden_mm = height_mm + NUT_AND_FIXED_END_MM + _springs_mm(pile.fixings)
    for rod in bench.design.rods:
        stands_out_mm = bench.design.rod_length_mm - hidden_mm + bench.lab.chance.gauss(0.0, 0.1)
        _check(bench, ClosingCheck.PROTRUSION, rod.number, reading_mm=round(stands_out_mm, 1))
    _check(bench, ClosingCheck.SLEEVES)


def _check(
    bench: Bench,
    check: ClosingCheck,
    rod_number: int | None = None,
    *,
    reading_mm: float | None = None,
    gauge: str = "",
) -> None:
    bench.enter(
        record_closing_check,
        0.5,
        check=check,
        rod_number=rod_number,
        reading_mm=reading_mm,
        instrument_id=bench.lab.instruments[gauge] if gauge else None,
        done_at=bench.clock_after(0.5),
    )


def _springs_mm(fixings: Sequence[FixingNow]) -> float:
    """Height of the springs on one rod."""
    springs = [each for each in fixings if each.kind is Kind.DISC_SPRING and each.rod_number == 1]
    return sum(spring.thickness_mm or 0.0 for spring in springs)


def try_tightness(bench: Bench, leak: Leak) -> None:
    """Test by pressure decay, for as long as the design's stacks need."""
    minutes = 5.0 if bench.design.name == "Wren" else 15.0
    set_up = SET_UPS[leak.set_up - 1]
    start_k, end_k = START_C + ZERO_C_K, END_C + ZERO_C_K
    lost_kpa = leak.rate_mbar_l_s * 60 * minutes / _volume_l(bench, set_up) / 10
    end_kpa = (BAROMETER_KPA + TEST_KPA - lost_kpa) * end_k / start_k - BAROMETER_KPA
    texts = {
        "set_up": str(leak.set_up),
        "method": "pressure decay",
        "gas": leak.gas,
        "state": leak.state,
        "zero": "gauge",
        "barometer": f"{BAROMETER_KPA:.2f} kPa",
    }
    figures = FIGURES[bench.design.name].leak
    recipe = figures.recipe(leak.set_up) if figures else None
    trace = _trace(recipe, end_kpa) if recipe else ""
    if recipe:
        texts |= {"state": recipe.state, "relief": f"{recipe.relief_kpa} kPa"}
    else:
        texts |= {
            "start_pressure": f"{TEST_KPA:.2f} kPa",
            "end_pressure": f"{end_kpa:.2f} kPa",
            "start_temperature": f"{START_C:.2f} °C",
            "end_temperature": f"{END_C:.2f} °C",
            "duration": f"{minutes:g} min",
        }
    for circuit, flow in zip(set_up.watched, leak.arrives, strict=True):
        texts[f"arrived_{circuit}"] = f"{flow:.2f} mL/min"
    instruments = bench.lab.instruments
    bench.enter(
        changes.record_leak_test,
        minutes + 6.0,
        typed=texts,
        instrument_id=instruments["PG-1"],
        thermometer_id=instruments["TH-1"],
        meter_id=instruments["FM-1"] if leak.arrives else None,
        trace=trace,
        stands=Stands.STANDS if leak.gas != "nitrogen" else None,
        outside_because=leak.note if leak.gas != "nitrogen" else "",
        note=leak.note,
        done_at=bench.clock_after(minutes + 6.0),
    )


RAMP_MIN = 4.0
POINT_MIN = 1 / 6


def _trace(recipe: Recipe, end_kpa: float) -> str:
    """A point every 10 s: the ramp, the stabilising, then down to the pressure at the end."""
    lines = ["t (min); p (kPa); T (°C)"]
    before, measured = RAMP_MIN + recipe.stabilise_min, recipe.measure_min
    for point in range(round((before + measured) / POINT_MIN) + 1):
        minute = point * POINT_MIN
        share = max(0.0, (minute - before) / measured)
        kpa = min(1.0, minute / RAMP_MIN) * TEST_KPA + share * (end_kpa - TEST_KPA)
        lines.append(f"{minute:.4f}; {kpa:.4f}; {START_C + share * (END_C - START_C):.3f}")
    return "\n".join(lines)


def try_insulation(bench: Bench) -> None:
    """Rods to plates and plates to ground, dry, all cells bonded."""
    bench.enter(
        changes.record_insulation_test,
        8.0,
        typed={
            "condition": "dry",
            "test_voltage": "500 V",
            "cells_bonded": "yes",
            "no_hydrogen": "yes",
            "rods_plates_resistance": f"{bench.lab.chance.uniform(300, 900):.0f} MΩ",
            "plates_ground_resistance": "> 2000 MΩ",
        },
        instrument_id=bench.lab.instruments["IT-1"],
        done_at=bench.clock_after(8.0),
    )


def check_shorts(bench: Bench) -> None:
    """Resistance of each cell before any gas; blank cells are left out."""
    chance, area = bench.lab.chance, bench.design.active_area_cm2
    values = [
        "-" if kind is Kind.BLANK_CELL else f"{chance.uniform(2500, 4500) / area:.1f} Ω"
        for kind in _cells(bench)
    ]
    minutes = 3.0 + 0.3 * len(values)
    bench.enter(
        changes.record_short_check,
        minutes,
        typed={"way": "resistance of each cell"},
        values=values,
        instrument_id=bench.lab.instruments["MM-1"],
        done_at=bench.clock_after(minutes),
    )


def search_cells(bench: Bench, leaking: int) -> None:
    """Look for the cell that leaks, by voltages with hydrogen and nitrogen."""
    values = [
        f"{0.041 if cell == leaking else 0.1 + cell * 5 % 7 / 2000:.4f} V"
        for cell, _kind in enumerate(_cells(bench), 1)
    ]
    bench.enter(
        changes.record_leak_search,
        12.0,
        typed={"way": SearchWay.VOLTAGE},
        values=values,
        instrument_id=bench.lab.instruments["MM-1"],
        done_at=bench.clock_after(12.0),
    )


def _cells(bench: Bench) -> list[Kind]:
    layers = working_pile(bench.work.session, bench.record_id).layers
    return [layer.kind for layer in layers if layer.kind in {Kind.MEA, Kind.BLANK_CELL}]


def _volume_l(bench: Bench, set_up: SetUp) -> float:
    leak = FIGURES[bench.design.name].leak
    cells = len([kind for kind in _cells(bench) if kind is Kind.MEA])
    circuits = [] if leak is None else [leak.circuit(circuit) for circuit in set_up.pressurised]
    return sum(circuit.volume(cells) for circuit in circuits if circuit is not None)


# Builds released to hydrogen by a supervisor, once nothing keeps the gate shut.


def release(lab: Lab, when: When, name: str, by: str) -> None:
    """Release the build that a record made."""
    with lab.work(when, by) as work:
        build_id = work.session.scalars(
            select(Build.id).where(Build.record_id == lab.records[name])
        ).one()
        release_build(
            work,
            build_id,
            set_points_sha256=gate(work.session, build_id).set_points_sha256,
            password=PASSPHRASE,
        )
