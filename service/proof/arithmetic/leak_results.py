"""What a test of tightness gave: rates, paths, verdicts. JSON form “leak result 1”.

Rates in mol/s. A rate below what the method can see is kept as such, and never 0.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.limits.arithmetic.leak_figures import mbar_l_s
from service.limits.arithmetic.leak_paths import Circuit, CircuitTest, Path, path_rates, to_outside
from service.limits.arithmetic.permeation import Bounds
from service.physics.arithmetic.gases import Regime
from service.physics.arithmetic.tightness import Detection, LeakRate
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.verdicts import Verdict, worst
from service.proof.arithmetic.leak_tests import HeliumMode

FORM = "leak result 1"


@dataclass(frozen=True, slots=True)
class Rate:
    """A leak rate in mol/s, with what the method can tell from none."""

    rate_mol_s: float
    u_mol_s: float
    decision_threshold_mol_s: float
    detection_limit_mol_s: float
    seen: Detection

    @property
    def leak(self) -> LeakRate:
        """The same for the computations."""
        return LeakRate(
            Estimate(self.rate_mol_s, self.u_mol_s),
            self.decision_threshold_mol_s,
            self.detection_limit_mol_s,
            self.seen,
        )

    @property
    def in_mbar_l_s(self) -> Estimate:
        """The rate in mbar·L/s of gas at 20 °C."""
        return Estimate(mbar_l_s(self.rate_mol_s), mbar_l_s(self.u_mol_s))

    @property
    def detection_limit_mbar_l_s(self) -> float:
        """What is seen 95 times of 100, mbar·L/s of gas at 20 °C."""
        return mbar_l_s(self.detection_limit_mol_s)


def rate_of(leak: LeakRate) -> Rate:
    """Return a computed leak rate as it is kept."""
    return Rate(
        leak.rate.value,
        leak.rate.u,
        leak.decision_threshold_mol_s,
        leak.detection_limit_mol_s,
        leak.detection,
    )


@dataclass(frozen=True, slots=True)
class HydrogenFound:
    """The hydrogen that would pass at the running pressure, mol/s, by both laws and by the regime.

    ``at_most`` where the test saw no leak: then it is that of the detection limit.
    """

    viscous_mol_s: float
    molecular_mol_s: float
    least_mol_s: float
    most_mol_s: float
    knudsen: float
    regime: Regime
    at_most: bool


@dataclass(frozen=True, slots=True)
class PathFound:
    """One path after one test. ``is_bound``: it leaks that at most, for other paths are in it.

    ``permeation`` is in the rate: what the membranes of the cells let through by themselves.
    ``cells`` 0: it was kept before they were.
    """

    path: Path
    rate: Rate
    is_bound: bool
    limit_mbar_l_s: float | None
    source: str
    verdict: Verdict | None
    hydrogen: HydrogenFound | None
    cells: int = 0
    permeation: Bounds | None = None


@dataclass(frozen=True, slots=True)
class ArrivedRate:
    """What arrived in a watched circuit."""

    circuit: Circuit
    rate: Rate


@dataclass(frozen=True, slots=True)
class LeakResult:
    """A test judged. ``limit_mbar_l_s`` is that of all that was lost, where the set-up has one."""

    set_up: int
    pressurised: tuple[Circuit, ...]
    lost: Rate
    arrived: tuple[ArrivedRate, ...]
    paths: tuple[PathFound, ...]
    limit_mbar_l_s: float | None
    verdict: Verdict
    remarks: tuple[str, ...]
    formulas: tuple[str, ...]
    helium: HeliumMode | None = None
    cells: int = 0

    @property
    def place(self) -> tuple[object, ...]:
        """What a later test has to be of to take its place: set-up, and path of a helium test."""
        return (self.set_up, *(path.path for path in self.paths if self.helium))

    @property
    def counted(self) -> tuple[PathFound, ...]:
        """The paths it says something of: what only shows places and saw no leak says nothing."""
        if self.helium in {None, HeliumMode.ALL_AROUND}:
            return self.paths
        return tuple(path for path in self.paths if path.verdict is Verdict.FAIL)

    @property
    def circuit_test(self) -> CircuitTest | None:
        """The test for the patterns of flows; None where not just one circuit was pressurised."""
        if len(self.pressurised) != 1 or self.helium:
            return None
        arrived = {circuit.circuit: circuit.rate.leak for circuit in self.arrived}
        return CircuitTest(self.pressurised[0], self.lost.leak, arrived)


# Several tests of tightness of one build together: the six paths, and what they point to.
#
# Source: as in leak_paths.


_ONE_WAY_KNOWN = (
    "Gas passes between anode and cathode: test the other direction too before judging it."
)


_ALIKE_BOTH_WAYS = (
    "Gas passes between anode and cathode alike in both directions: a pinhole, or a way past a seal"
    " at a port. Just after a rebuild look at the seals first, after many hours at the membranes."
    " Compare with what the membranes let through by themselves."
)


_ONE_WAY = (
    "Gas passes between anode and cathode in one direction more than in the other: a seal that"
    " lifts like a flap, or a way that is wet in parts. Dry the stack and test again."
)


ALIKE = 0.3
"""Two rates within this share of the greater are taken for alike."""


def hints(tests: Sequence[CircuitTest]) -> tuple[str, ...]:
    """Say what this pattern of flows points to, in sentences, the likeliest first.

    Association, never proof. Empty where no test saw a leak.
    """
    latest = {test.pressurised: test for test in tests}
    sentences: list[str] = []
    sentences += _between_gases(latest)
    sentences += _into_coolant(latest)
    outside = [
        circuit
        for circuit, test in latest.items()
        if len(test.arrived) == 2 and to_outside(test).detection is Detection.SEEN
    ]
    if len(outside) == 3:
        sentences.append(
            "All three circuits lose gas to the outside: look at the rig and the end fittings"
            " before the stack."
        )
    else:
        sentences += [
            f"The {circuit} circuit loses gas that arrives nowhere: look for a joint, port or end"
            " fitting to the outside."
            for circuit in outside
        ]
    inward = [
        str(circuit) for circuit, test in latest.items() if test.lost.detection is Detection.INWARD
    ]
    if inward:
        sentences.append(
            f"Pressure rose in the {' and '.join(inward)} circuit: gas that warms, or a supply that"
            " is not shut off."
        )
    return tuple(sentences)


def _arrived(latest: Mapping[Circuit, CircuitTest], start: Circuit, end: Circuit) -> float | None:
    """The rate that was seen from one circuit into another; 0 below detection, None if untested."""
    if start not in latest or end not in latest[start].arrived:
        return None
    leak = latest[start].arrived[end]
    return leak.rate.value if leak.detection is Detection.SEEN else 0.0


def _between_gases(latest: Mapping[Circuit, CircuitTest]) -> list[str]:
    across = _arrived(latest, Circuit.ANODE, Circuit.CATHODE)
    back = _arrived(latest, Circuit.CATHODE, Circuit.ANODE)
    if not across and not back:
        return []
    if across is None or back is None:
        return [_ONE_WAY_KNOWN]
    if abs(across - back) <= ALIKE * max(across, back):
        return [_ALIKE_BOTH_WAYS]
    return [_ONE_WAY]


def _into_coolant(latest: Mapping[Circuit, CircuitTest]) -> list[str]:
    return [
        f"Gas passes between {gas} and coolant: a crack in a half plate, or a coolant gasket or"
        " port. Look first at pairs of half plates that were newly matched."
        for gas in (Circuit.ANODE, Circuit.CATHODE)
        if _arrived(latest, gas, Circuit.COOLANT) or _arrived(latest, Circuit.COOLANT, gas)
    ]


@dataclass(frozen=True, slots=True)
class PathVerdict:
    """One path after all tests. Rate and verdict are None where it was not tested or not judged.

    ``set_ups`` are the orders of the set-ups that say it.
    """

    path: Path
    rate: Rate | None
    is_bound: bool
    verdict: Verdict | None
    set_ups: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Together:
    """All six paths in their order, and hints in sentences."""

    paths: tuple[PathVerdict, ...]
    hints: tuple[str, ...]

    @property
    def untested(self) -> tuple[Path, ...]:
        """Paths of which no test says anything."""
        return tuple(path.path for path in self.paths if path.rate is None)


def together(results: Sequence[LeakResult]) -> Together:
    """Say what the tests of a build say together, in the order they were made.

    A later test of one set-up takes the place of an earlier one. Each verdict is that of the test
    it comes from, under the limits of its time; of two directions the worse counts, and a bound
    only where nothing was measured.
    """
    latest = {result.place: result for result in results}
    of_circuits = [result.circuit_test for result in latest.values()]
    tests = [test for test in of_circuits if test is not None]
    rates = path_rates(tests)
    paths = []
    for path in Path:
        last = {
            result.set_up: path_result
            for result in results
            for path_result in result.counted
            if path_result.path is path
        }
        by_set_up = list(last.items())
        direct = [pair for pair in by_set_up if not pair[1].is_bound]
        counted = direct or _best_bound(by_set_up)
        rate = rates[path]
        paths.append(
            PathVerdict(
                path,
                rate_of(rate.leak) if rate else (counted[0][1].rate if counted else None),
                bool(counted) and not direct,
                _worst([verdict.verdict for _order, verdict in counted]),
                tuple(order for order, _one in counted),
            )
        )
    return Together(tuple(paths), hints(tests))


def _best_bound(bounds: Sequence[tuple[int, PathFound]]) -> list[tuple[int, PathFound]]:
    if not bounds:
        return []
    return [min(bounds, key=lambda pair: (pair[1].verdict is not Verdict.PASS, pair[0]))]


def _worst(verdicts: Sequence[Verdict | None]) -> Verdict | None:
    judged = [verdict for verdict in verdicts if verdict is not None]
    return worst(judged) if judged and len(judged) == len(verdicts) else None
