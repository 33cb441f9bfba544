"""What a test of tightness gave: rates, paths, verdicts. JSON form “leak result 1”.

Rates in mol/s. A rate below what the method can see is kept as such, and never 0.
"""

from dataclasses import dataclass

from service.limits.arithmetic.leak_figures import mbar_l_s
from service.limits.arithmetic.leak_paths import Circuit, CircuitTest, Path
from service.physics.arithmetic.gases import Regime
from service.physics.arithmetic.tightness import Detection, LeakRate
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.verdicts import Verdict

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
        leak.seen,
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
    """One path after one test. ``is_bound``: it leaks that at most, for other paths are in it."""

    path: Path
    rate: Rate
    is_bound: bool
    limit_mbar_l_s: float | None
    source: str
    verdict: Verdict | None
    hydrogen: HydrogenFound | None


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

    @property
    def circuit_test(self) -> CircuitTest | None:
        """The test for the patterns of flows; None where not just one circuit was pressurised."""
        if len(self.pressurised) != 1:
            return None
        arrived = {circuit.circuit: circuit.rate.leak for circuit in self.arrived}
        return CircuitTest(self.pressurised[0], self.lost.leak, arrived)
