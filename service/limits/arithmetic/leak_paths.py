"""Six paths a leak can take, five set-ups that find them in order, and what a pattern points to.

Three circuits: anode, cathode, coolant; each to the outside, and between each two. Rates in mol/s.
Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot

from service.physics.arithmetic.tightness import Detection, LeakRate
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate


class Circuit(StrEnum):
    """A circuit of the stack."""

    ANODE = "anode"
    CATHODE = "cathode"
    COOLANT = "coolant"


class Path(StrEnum):
    """A way gas can leak."""

    ANODE_OUTSIDE = "anode to outside"
    CATHODE_OUTSIDE = "cathode to outside"
    COOLANT_OUTSIDE = "coolant to outside"
    ANODE_CATHODE = "between anode and cathode"
    ANODE_COOLANT = "between anode and coolant"
    CATHODE_COOLANT = "between cathode and coolant"


TO_OUTSIDE = {
    Circuit.ANODE: Path.ANODE_OUTSIDE,
    Circuit.CATHODE: Path.CATHODE_OUTSIDE,
    Circuit.COOLANT: Path.COOLANT_OUTSIDE,
}
BETWEEN = {
    frozenset({Circuit.ANODE, Circuit.CATHODE}): Path.ANODE_CATHODE,
    frozenset({Circuit.ANODE, Circuit.COOLANT}): Path.ANODE_COOLANT,
    frozenset({Circuit.CATHODE, Circuit.COOLANT}): Path.CATHODE_COOLANT,
}


@dataclass(frozen=True, slots=True)
class SetUp:
    """One way to connect the stack: what stands under pressure, where flow is watched."""

    order: int
    name: str
    pressurised: tuple[Circuit, ...]
    watched: tuple[Circuit, ...]
    finds: tuple[Path, ...]
    how: str


SET_UPS = (
    SetUp(
        1,
        "rig alone",
        (),
        (),
        (),
        "Hoses blanked off without the stack. Its rate is the rig's own; its volume is the rig's.",
    ),
    SetUp(
        2,
        "all circuits joined",
        (Circuit.ANODE, Circuit.CATHODE, Circuit.COOLANT),
        (),
        tuple(TO_OUTSIDE.values()),
        "Same pressure everywhere: what is lost goes outside, and no membrane sees a difference.",
    ),
    SetUp(
        3,
        "coolant",
        (Circuit.COOLANT,),
        (Circuit.ANODE, Circuit.CATHODE),
        (Path.COOLANT_OUTSIDE, Path.ANODE_COOLANT, Path.CATHODE_COOLANT),
        "Coolant circuit dry and under pressure; anode and cathode open to a flow meter each.",
    ),
    SetUp(
        4,
        "anode",
        (Circuit.ANODE,),
        (Circuit.CATHODE, Circuit.COOLANT),
        (Path.ANODE_OUTSIDE, Path.ANODE_CATHODE, Path.ANODE_COOLANT),
        "Anode under pressure, within what the membrane may bear; the others open to meters.",
    ),
    SetUp(
        5,
        "cathode",
        (Circuit.CATHODE,),
        (Circuit.ANODE, Circuit.COOLANT),
        (Path.CATHODE_OUTSIDE, Path.ANODE_CATHODE, Path.CATHODE_COOLANT),
        "Cathode under pressure, within what the membrane may bear; the others open to meters.",
    ),
)


@dataclass(frozen=True, slots=True)
class CircuitTest:
    """One circuit under pressure: all it lost, and what arrived in the circuits beside it.

    ``arrived`` holds only what was watched: a circuit left out was not watched.
    """

    pressurised: Circuit
    lost: LeakRate
    arrived: Mapping[Circuit, LeakRate]

    def __post_init__(self) -> None:
        """Refuse a circuit that leaks into itself."""
        if self.pressurised in self.arrived:
            raise Inconsistent(f"The {self.pressurised} circuit cannot leak into itself.")


@dataclass(frozen=True, slots=True)
class PathRate:
    """What is known of one path: the rate found (the greater of both directions), or how little
    can be there. ``directions`` are the circuits it was driven from.
    """

    path: Path
    leak: LeakRate
    directions: tuple[Circuit, ...]


def path_rates(tests: Sequence[CircuitTest]) -> dict[Path, PathRate | None]:
    """Compute the leak along each of the six paths; None where a path was not tested.

    What a circuit lost and what did not arrive in the others went outside: known only where both
    others were watched. Between two circuits the greater rate of the two directions counts, where
    either was seen; where neither was, the one that could have seen less. A later test of the same
    circuit takes the place of an earlier one.
    """
    latest = {test.pressurised: test for test in tests}
    rates: dict[Path, PathRate | None] = dict.fromkeys(Path)
    for circuit, test in latest.items():
        if len(test.arrived) == len(Circuit) - 1:
            path = TO_OUTSIDE[circuit]
            rates[path] = PathRate(path, to_outside(test), (circuit,))
        for neighbour, arrived in test.arrived.items():
            path = BETWEEN[frozenset({circuit, neighbour})]
            rates[path] = _greater(rates[path], PathRate(path, arrived, (circuit,)))
    return rates


def to_outside(test: CircuitTest) -> LeakRate:
    """Return all that a circuit lost less what arrived in the others."""
    return difference(test.lost, tuple(test.arrived.values()))


def difference(leak: LeakRate, less: Sequence[LeakRate]) -> LeakRate:
    """Return one rate less others, all read independently; its threshold grows by theirs."""
    parts = [leak, *less]
    value = leak.rate.value - sum(path.rate.value for path in less)
    u = hypot(*(part.rate.u for part in parts))
    threshold = hypot(*(part.decision_threshold_mol_s for part in parts))
    detection = Detection.SEEN if value > threshold else Detection.BELOW_DETECTION
    if value < -threshold:
        detection = Detection.INWARD
    return LeakRate(Estimate(value, u), threshold, 2 * threshold, detection)


def _greater(before: PathRate | None, now: PathRate) -> PathRate:
    if before is None:
        return now
    pair = (before, now)
    detected = [rate for rate in pair if rate.leak.detection is Detection.SEEN]
    if detected:
        chosen = max(detected, key=lambda rate: rate.leak.rate.value)
    else:
        chosen = max(pair, key=lambda rate: rate.leak.detection_limit_mol_s)
    return PathRate(now.path, chosen.leak, (*before.directions, *now.directions))
