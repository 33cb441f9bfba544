"""What a pattern of leaks points to, in sentences: association, never proof.

Common practice, no source.
"""

from collections.abc import Mapping, Sequence

from service.limits.arithmetic.leak_paths import Circuit, CircuitTest, to_outside
from service.physics.arithmetic.tightness import Seen

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
    """What does this pattern of flows point to? Sentences for people, the likeliest first.

    Association, never proof. Empty where no test saw a leak.
    """
    latest = {test.pressurised: test for test in tests}
    sentences: list[str] = []
    sentences += _between_gases(latest)
    sentences += _into_coolant(latest)
    outside = [
        circuit
        for circuit, test in latest.items()
        if len(test.arrived) == 2 and to_outside(test).seen is Seen.SEEN
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
    inward = [str(circuit) for circuit, test in latest.items() if test.lost.seen is Seen.INWARD]
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
    return leak.rate.value if leak.seen is Seen.SEEN else 0.0


def _between_gases(latest: Mapping[Circuit, CircuitTest]) -> list[str]:
    there = _arrived(latest, Circuit.ANODE, Circuit.CATHODE)
    back = _arrived(latest, Circuit.CATHODE, Circuit.ANODE)
    if not there and not back:
        return []
    if there is None or back is None:
        return [_ONE_WAY_KNOWN]
    if abs(there - back) <= ALIKE * max(there, back):
        return [_ALIKE_BOTH_WAYS]
    return [_ONE_WAY]


def _into_coolant(latest: Mapping[Circuit, CircuitTest]) -> list[str]:
    return [
        f"Gas passes between {gas} and coolant: a crack in a half plate, or a coolant gasket or"
        " port. Look first at pairs of half plates that were newly matched."
        for gas in (Circuit.ANODE, Circuit.CATHODE)
        if _arrived(latest, gas, Circuit.COOLANT) or _arrived(latest, Circuit.COOLANT, gas)
    ]
