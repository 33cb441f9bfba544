"""Tests of a closed stack as data: leak, insulation, shorts, searches; judged by any figures.

Sources: as in the modules of each test.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from math import inf
from typing import Any

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.leak_figures import LeakFigures, mbar_l_s, mol_s
from service.limits.arithmetic.leak_paths import (
    BETWEEN,
    TO_OUTSIDE,
    Circuit,
    CircuitTest,
    Path,
    to_outside,
)
from service.limits.arithmetic.permeation import Bounds, Permeating
from service.physics.arithmetic import tightness
from service.physics.arithmetic.gases import (
    CROSSOVER_GASES,
    HELIUM,
    Across,
    as_hydrogen,
    gas_named,
    molecular_factor,
    viscous_factor,
)
from service.physics.arithmetic.tightness import (
    Detection,
    LeakRate,
    flow_meter,
    judge,
    pressure_decay,
    tracer_leak,
)
from service.platform.arithmetic.errors import Inconsistent, TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.pressures import from_gauge
from service.platform.arithmetic.verdicts import Verdict, worst
from service.proof.arithmetic import electrical_tests, leak_results, leak_searches, leak_tests
from service.proof.arithmetic.electrical_tests import (
    InsulationOutcome,
    InsulationTest,
    ShortCheck,
    ShortOutcome,
    judge_insulation_test,
    judge_short_check,
)
from service.proof.arithmetic.leak_results import (
    ArrivedRate,
    HydrogenFound,
    LeakResult,
    PathFound,
    rate_of,
)
from service.proof.arithmetic.leak_searches import LeakSearch, SearchOutcome, search_cells
from service.proof.arithmetic.leak_tests import ML_MIN, HeliumMode, HeliumReading, LeakTest, Method

# A test of tightness computed and judged by the figures of a design.
#
# Sources: as in tightness, leak_paths and gases.


FORMULA = "leak test 2"
FORMULAS = (FORMULA, tightness.FORMULA)


PERMEATING = frozenset(Permeating)
ENOUGH = 0.95
"""Share of the design's test pressure below which a test passes nothing."""


def judge_leak(
    test: LeakTest, figures: LeakFigures | None, *, as_tested: bool = False
) -> LeakResult:
    """Judge the paths a leak test's set-up finds.

    ``as_tested``: the limits were given with the test, for its gas as it was tested.
    Raises Inconsistent or OutOfRange only where the readings are impossible or the volume is
    missing. Without limits the verdict stays undecided.
    """
    factors = (1.0,) if as_tested else _factors(test, figures)
    lost = _lost(test, figures)
    arrived = {
        arrival.circuit: _arrived(test, arrival.flow_ml_min, arrival.zero_ml_min)
        for arrival in test.arrived
    }
    paths = [
        _found(test, path, leak, figures, factors, is_bound=is_bound)
        for path, leak, is_bound in _leaks(test, lost, arrived)
    ]
    conditions = list(_remarks(test, figures, as_tested=as_tested))
    if conditions:
        paths = [
            replace(path, verdict=Verdict.UNDECIDED) if path.verdict is Verdict.PASS else path
            for path in paths
        ]
    limit = figures.limit_of_set_up(test.set_up) if figures else None
    verdicts = [path.verdict for path in paths if path.verdict is not None]
    if len(test.connected.pressurised) != 1 and len(test.connected.finds) != 1:
        verdicts = [] if limit is None else [_judged(test, lost, mol_s(limit), factors)]
    remarks = [*conditions, *_of_permeation(test, paths)]
    verdict = worst(verdicts) if verdicts else Verdict.UNDECIDED
    if verdict is Verdict.PASS and remarks:
        verdict = Verdict.UNDECIDED
    if test.set_up == 1 and verdict is Verdict.FAIL:
        remarks.append("The rig alone loses more than a tenth of the least limit: mend it first.")
    if not verdicts:
        remarks.append("No limit is in force for what this set-up finds: no verdict.")
    without = [str(path.path) for path in paths if path.verdict is None]
    if verdicts and without:
        remarks.append(f"No limit is in force for the path {', '.join(without)}.")
    return LeakResult(
        test.set_up,
        test.connected.pressurised,
        rate_of(lost),
        tuple(ArrivedRate(circuit, rate_of(leak)) for circuit, leak in arrived.items()),
        tuple(paths),
        limit,
        verdict,
        tuple(remarks),
        FORMULAS,
        test.helium.mode if test.helium else None,
        test.cells,
    )


def _lost(test: LeakTest, figures: LeakFigures | None) -> LeakRate:
    if test.helium is not None:
        return tracer_leak(test.helium.readings)
    if test.method is Method.FLOW_METER:
        return _arrived(test, test.flow_ml_min or 0.0, test.flow_zero_ml_min)
    return pressure_decay(
        test.start,
        test.end,
        60 * (test.duration_min or 0.0),
        test.volume(figures) / 1e3,
        test.instruments,
    )


def _arrived(test: LeakTest, flow_ml_min: float, zero_ml_min: float) -> LeakRate:
    if test.meter is None:
        raise Inconsistent("A flow needs the meter it was read with.")
    return flow_meter(flow_ml_min * ML_MIN, test.meter.meter, zero_ml_min * ML_MIN)


def _leaks(
    test: LeakTest, lost: LeakRate, arrived: dict[Circuit, LeakRate]
) -> list[tuple[Path, LeakRate, bool]]:
    """What is known of each path the set-up finds; True where it is only a bound."""
    direct: dict[Path, LeakRate] = {}
    if test.helium is not None:
        looked = (test.helium.path,) if test.helium.path else test.connected.finds
        return [(path, lost, len(looked) > 1) for path in looked]
    if len(test.connected.pressurised) == 1:
        circuit = test.connected.pressurised[0]
        direct = {BETWEEN[frozenset({circuit, to})]: leak for to, leak in arrived.items()}
        if len(arrived) == len(test.connected.watched):
            direct[TO_OUTSIDE[circuit]] = to_outside(CircuitTest(circuit, lost, arrived))
    return [(path, direct.get(path, lost), path not in direct) for path in test.connected.finds]


def _found(
    test: LeakTest,
    path: Path,
    leak: LeakRate,
    figures: LeakFigures | None,
    factors: tuple[float, ...],
    *,
    is_bound: bool,
) -> PathFound:
    limit = figures.limit(path) if figures else None
    verdict, permeation = None, None
    permeates = path is Path.ANODE_CATHODE and test.gas in PERMEATING
    if permeates:
        permeation = _permeation(test, figures)
    if limit is not None:
        most_mol_s = mol_s(limit.most_mbar_l_s)
        if permeates:
            verdict = judge_apart(leak, permeation, most_mol_s, factors)
            if permeation and _too_little(leak, permeation):
                verdict = Verdict.UNDECIDED
        else:
            verdict = _judged(test, leak, most_mol_s, factors)
        if is_bound and verdict is Verdict.FAIL:
            verdict = Verdict.UNDECIDED
    return PathFound(
        path,
        rate_of(leak),
        is_bound,
        None if limit is None else limit.most_mbar_l_s,
        "" if limit is None else limit.source,
        verdict,
        _hydrogen(test, path, leak, figures),
        test.cells,
        permeation,
    )


def _permeation(test: LeakTest, figures: LeakFigures | None) -> Bounds | None:
    of_cell = figures.permeation_of(test.gas, test.state) if figures else None
    if of_cell is None:
        return None
    across = test.across
    return of_cell.of_cells(test.cells, across.inside_pa, across.temperature_k)


NO_PERMEATION = Bounds(0.0, 0.0)


def _judged(
    test: LeakTest, leak: LeakRate, limit_mol_s: float, factors: tuple[float, ...]
) -> Verdict:
    if test.helium is None:
        return judge(leak, limit_mol_s)
    return judge_apart(leak, NO_PERMEATION, limit_mol_s, factors)


def _factors(test: LeakTest, figures: LeakFigures | None) -> tuple[float, ...]:
    """What a rate of helium becomes of the limits' gas at test pressure, by each law of flow.

    Empty where a test pressure is not known.
    """
    if test.helium is None or figures is None:
        return (1.0,)
    if _without_pressure(test, figures):
        return ()
    circuits = [figures.circuit(circuit) for circuit in _under_pressure(test)]
    across, gas = test.across, gas_named(figures.gas_of(test.set_up), CROSSOVER_GASES)
    outside, warm = test.barometer_pa, across.temperature_k
    uses = [
        Across(from_gauge(circuit.test_pressure_kpa * 1e3, outside), outside, warm)
        for circuit in circuits
        if circuit is not None
    ]
    laws = (viscous_factor, molecular_factor)
    return tuple(law(HELIUM, across, gas, use) for use in uses for law in laws)


def _under_pressure(test: LeakTest) -> tuple[Circuit, ...]:
    """The circuits at whose test pressures a rate is judged: with the rig alone, of all."""
    return test.connected.pressurised or tuple(Circuit)


def _without_pressure(test: LeakTest, figures: LeakFigures) -> list[Circuit]:
    return [circuit for circuit in _under_pressure(test) if figures.circuit(circuit) is None]


def _too_little(total: LeakRate, permeation: Bounds) -> bool:
    """Say whether less passed than the membranes let through at the least."""
    return total.rate.value + 2 * total.rate.u < permeation.least_mol_s


def judge_apart(
    total: LeakRate,
    permeation: Bounds | None,
    limit_mol_s: float,
    factors: tuple[float, ...] = (1.0,),
) -> Verdict:
    """Judge the leak in a rate that holds permeation too: it is the rest, within its bounds.

    Nothing known of the permeation: it may be all of the rate, so that only a pass can be told.
    ``factors`` lead from the rate to the gas and pressure the limit holds for: it passes by the
    greatest of them, and fails by the least. Without any nothing can be told.
    """
    if not factors:
        return Verdict.UNDECIDED
    least = permeation.least_mol_s if permeation else 0.0
    most = permeation.most_mol_s if permeation else inf
    if judge(_scaled(_less(total, least), max(factors)), limit_mol_s) is Verdict.PASS:
        return Verdict.PASS
    at_least = _scaled(_less(total, most), min(factors)) if most < inf else None
    surely = at_least is not None and judge(at_least, limit_mol_s) is Verdict.FAIL
    return Verdict.FAIL if surely else Verdict.UNDECIDED


def _scaled(leak: LeakRate, factor: float) -> LeakRate:
    return replace(
        leak,
        rate=leak.rate.scaled(factor),
        decision_threshold_mol_s=leak.decision_threshold_mol_s * factor,
        detection_limit_mol_s=leak.detection_limit_mol_s * factor,
    )


def _less(total: LeakRate, mol_s_less: float) -> LeakRate:
    """The rate without a known flow; less than nothing left is nothing seen."""
    value = total.rate.value - mol_s_less
    seen = value > total.decision_threshold_mol_s
    detection = Detection.SEEN if seen else Detection.BELOW_DETECTION
    if total.detection is Detection.INWARD:
        detection = Detection.INWARD
    return replace(total, rate=Estimate(value, total.rate.u), detection=detection)


def _of_permeation(test: LeakTest, paths: Sequence[PathFound]) -> Iterator[str]:
    """What the permeation leaves open between anode and cathode, in sentences."""
    for path in paths:
        is_apart = path.path is Path.ANODE_CATHODE and test.gas in PERMEATING
        if not is_apart or path.verdict is Verdict.PASS:
            continue
        state = test.state or "state not given"
        if path.permeation is None:
            yield (
                f"No permeation of {test.gas}, {state}, is in force: between anode and cathode the"
                " leak cannot be told from it."
            )
            continue
        apart = path.permeation.most_mol_s - path.permeation.least_mol_s
        if path.limit_mbar_l_s is not None and apart > mol_s(path.limit_mbar_l_s):
            yield (
                "A leak between anode and cathode cannot be told: the permeation of"
                f" {test.cells} cells is known to {mbar_l_s(apart):.3g} mbar·L/s, and the limit is"
                f" {path.limit_mbar_l_s:g}."
            )
        if _too_little(path.rate.leak, path.permeation):
            yield (
                f"Less {test.gas} passed between anode and cathode than the membranes let through"
                " at the least: check meter, gas and state."
            )


_OF_ANODE = {Path.ANODE_OUTSIDE, Path.ANODE_CATHODE, Path.ANODE_COOLANT}


def _hydrogen(
    test: LeakTest, path: Path, leak: LeakRate, figures: LeakFigures | None
) -> HydrogenFound | None:
    """Only paths of the anode carry hydrogen; from its running pressure to the air outside."""
    anode = figures.circuit(Circuit.ANODE) if figures else None
    running = None if anode is None else anode.running_pressure_kpa
    rate = leak.rate.value if leak.detection is Detection.SEEN else leak.detection_limit_mol_s
    if path not in _OF_ANODE or figures is None or not running or rate <= 0:
        return None
    warm, outside = test.start.temperature_k, test.barometer_pa
    try:
        hydrogen = as_hydrogen(
            rate,
            test.test_gas,
            test.across,
            Across(from_gauge(running * 1e3, outside), outside, warm),
            figures.path_length_mm / 1e3,
        )
    except TradeError:  # a temperature the gases' tables do not hold
        return None
    return HydrogenFound(
        hydrogen.viscous_mol_s,
        hydrogen.molecular_mol_s,
        hydrogen.least_mol_s,
        hydrogen.most_mol_s,
        hydrogen.knudsen,
        hydrogen.regime,
        leak.detection is not Detection.SEEN,
    )


def _remarks(test: LeakTest, figures: LeakFigures | None, *, as_tested: bool) -> list[str]:
    """What keeps a test from passing, whatever it read."""
    if figures is None:
        return ["The design has no figures of tightness in force."]
    sentences = []
    gas = figures.gas_of(test.set_up)
    if test.helium is not None:
        lacking = [] if as_tested else _without_pressure(test, figures)
        if lacking:
            sentences.append(
                f"No test pressure of {', '.join(lacking)} is in force: without it helium cannot be"
                f" judged by limits for {gas}."
            )
        return [*sentences, *_of_helium(test.helium)]
    if test.gas != gas and not as_tested:
        sentences.append(f"Tested with {test.gas}; the limits hold for {gas}.")
    for circuit in test.connected.pressurised:
        circuit_figures = figures.circuit(circuit)
        if circuit_figures is None:
            continue
        pressures, stood = circuit_figures.test_pressure_kpa, test.gauge_pressure_kpa
        if stood < ENOUGH * pressures:
            sentences.append(
                f"The {circuit} circuit stood at {stood:.1f}\u2009kPa gauge; its test pressure is"
                f" {pressures:g}\u2009kPa gauge."
            )
        elif stood > test.barometer_kpa / 2 + pressures:
            sentences.append(
                f"The {circuit} circuit stood at {stood:.1f}\u2009kPa gauge, far above its test"
                f" pressure of {pressures:g}\u2009kPa gauge. Was an absolute pressure typed as"
                " gauge?"
            )
    return sentences


DRIFTS = 0.1
"""How far the response of a detector may go away in a test before nothing passes by it."""


def _of_helium(helium: HeliumReading) -> Iterator[str]:
    if helium.mode is not HeliumMode.ALL_AROUND:
        yield f"Tested by {helium.mode}: it shows places, and does not sum up what it misses."
    drift = helium.readings.drift
    if drift > DRIFTS:
        yield (
            f"The calibrated leak read {100 * drift:.0f} % otherwise after the test than before:"
            " set the detector again and repeat the test."
        )


class TestKind(StrEnum):
    """Which test it is; its value is that of the record's entry."""

    __test__ = False  # no test of ours

    LEAK = "leak test"
    INSULATION = "insulation test"
    SHORTS = "short check"
    SEARCH = "leak search"


StackTest = LeakTest | InsulationTest | ShortCheck | LeakSearch
Result = LeakResult | InsulationOutcome | ShortOutcome | SearchOutcome
_FORMS = {
    TestKind.LEAK: leak_tests.FORM,
    TestKind.INSULATION: electrical_tests.INSULATION_FORM,
    TestKind.SHORTS: electrical_tests.SHORT_FORM,
    TestKind.SEARCH: leak_searches.FORM,
}
_RESULT_FORMS = {
    TestKind.LEAK: leak_results.FORM,
    TestKind.INSULATION: electrical_tests.INSULATION_RESULT_FORM,
    TestKind.SHORTS: electrical_tests.SHORT_RESULT_FORM,
    TestKind.SEARCH: leak_searches.RESULT_FORM,
}
_MADE: dict[TestKind, tuple[type[StackTest], type[Result]]] = {
    TestKind.LEAK: (LeakTest, LeakResult),
    TestKind.INSULATION: (InsulationTest, InsulationOutcome),
    TestKind.SHORTS: (ShortCheck, ShortOutcome),
    TestKind.SEARCH: (LeakSearch, SearchOutcome),
}


def kind_of(test: StackTest | Result) -> TestKind:
    """Return the kind of this test."""
    return next(kind for kind, made in _MADE.items() if isinstance(test, made))


def test_as_data(test: StackTest) -> dict[str, Any]:
    """Return a test as plain data; `test_from_data` reads it."""
    return with_form(_FORMS[kind_of(test)], test)


def test_from_data(kind: TestKind, data: Mapping[str, Any]) -> StackTest:
    """Return a test from plain data. Raises Inconsistent or OutOfRange naming field and value."""
    made: StackTest = from_data(_MADE[kind][0], check_form(_FORMS[kind], data), str(kind))
    return made


def result_as_data(result: Result) -> dict[str, Any]:
    """Return a result as plain data; `result_from_data` reads it."""
    return with_form(_RESULT_FORMS[kind_of(result)], result)


def result_from_data(kind: TestKind, data: Mapping[str, Any]) -> Result:
    """Return a result from plain data. Raises Inconsistent or OutOfRange naming the field."""
    fields, name = check_form(_RESULT_FORMS[kind], data), f"the result of a {kind}"
    made: Result = from_data(_MADE[kind][1], fields, name)
    return made


def judge_test(test: StackTest, figures: DesignFigures, *, as_tested: bool = False) -> Result:
    """Judge a test by these figures, also by others than those of its time.

    ``as_tested``: limits of a leak test were given with it, for its gas as it was tested.
    One that was marked invalid is to be made again, whatever it read; it keeps its values. Raises
    trade errors only for readings that cannot be, or a volume that is not known.
    """
    if isinstance(test, LeakTest):
        leak = judge_leak(test, figures.leak, as_tested=as_tested)
        return leak if not test.invalid_because else _leak_again(leak, test.invalid_because)
    if isinstance(test, InsulationTest):
        outcome = judge_insulation_test(test, figures)
        return outcome if not test.invalid_because else _again(outcome, test.invalid_because)
    said: ShortOutcome | SearchOutcome
    if isinstance(test, ShortCheck):
        said = judge_short_check(test, figures.shorts)
    else:
        said = search_cells(test)
    if not test.invalid_because:
        return said
    remarks = (_invalid(test.invalid_because), *said.remarks)
    return replace(said, verdict=Verdict.TEST_AGAIN, remarks=remarks)


def _invalid(because: str) -> str:
    return f"Marked invalid: {because.rstrip('.')}."


def _leak_again(result: LeakResult, because: str) -> LeakResult:
    paths = tuple(
        replace(path, verdict=path.verdict and Verdict.TEST_AGAIN) for path in result.paths
    )
    remarks = (_invalid(because), *result.remarks)
    return replace(result, verdict=Verdict.TEST_AGAIN, paths=paths, remarks=remarks)


def _again(result: InsulationOutcome, because: str) -> InsulationOutcome:
    found = tuple(
        replace(reading, verdict=reading.verdict and Verdict.TEST_AGAIN) for reading in result.found
    )
    remarks = (_invalid(because), *result.remarks)
    return replace(result, verdict=Verdict.TEST_AGAIN, found=found, remarks=remarks)
