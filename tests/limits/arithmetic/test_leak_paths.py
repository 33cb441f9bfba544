"""Six paths from five set-ups, and what a pattern points to."""

import pytest

from service.limits.arithmetic.leak_paths import (
    SET_UPS,
    Circuit,
    CircuitTest,
    Path,
    path_rates,
    to_outside,
)
from service.physics.arithmetic.tightness import Detection, LeakRate
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.proof.arithmetic.leak_results import hints

A, C, W = Circuit.ANODE, Circuit.CATHODE, Circuit.COOLANT


def leak(value: float, threshold: float = 0.1) -> LeakRate:
    seen = Detection.SEEN if value > threshold else Detection.BELOW_DETECTION
    seen = Detection.INWARD if value < -threshold else seen
    return LeakRate(Estimate(value, threshold / 1.645), threshold, 2 * threshold, seen)


def lost_from(circuit: Circuit, lost: float, **arrived: float) -> CircuitTest:
    names = {"a": A, "c": C, "w": W}
    return CircuitTest(circuit, leak(lost), {names[n]: leak(v) for n, v in arrived.items()})


TIGHT = [
    lost_from(W, 0.02, a=0.01, c=0.0),
    lost_from(A, 0.05, c=0.03, w=0.0),
    lost_from(C, 0.04, a=0.02, w=0.0),
]


def test_five_set_ups_find_all_six_paths_in_order() -> None:
    assert [set_up.order for set_up in SET_UPS] == [1, 2, 3, 4, 5]
    assert {path for set_up in SET_UPS for path in set_up.finds} == set(Path)
    for set_up in SET_UPS:
        assert not set(set_up.pressurised) & set(set_up.watched)


def test_every_path_of_a_tight_stack_is_below_detection() -> None:
    found = path_rates(TIGHT)

    assert set(found) == set(Path)
    for rate in found.values():
        assert rate is not None
        assert rate.leak.detection is Detection.BELOW_DETECTION
    assert hints(TIGHT) == ()


def test_what_is_lost_and_arrives_nowhere_went_outside() -> None:
    found = path_rates([lost_from(A, 3.0, c=0.5, w=0.0)])

    outside = found[Path.ANODE_OUTSIDE]
    assert outside is not None
    assert outside.leak.rate.value == pytest.approx(2.5)
    assert outside.leak.detection is Detection.SEEN
    assert outside.leak.decision_threshold_mol_s == pytest.approx(0.1 * 3**0.5)
    assert found[Path.CATHODE_OUTSIDE] is None


def test_to_outside_is_not_known_where_a_circuit_was_not_watched() -> None:
    found = path_rates([lost_from(A, 3.0, c=0.5)])

    assert found[Path.ANODE_OUTSIDE] is None
    assert found[Path.ANODE_CATHODE] is not None


def test_between_two_circuits_the_greater_direction_counts() -> None:
    found = path_rates([lost_from(A, 2.0, c=1.0, w=0.0), lost_from(C, 2.0, a=1.8, w=0.0)])

    between = found[Path.ANODE_CATHODE]
    assert between is not None
    assert between.leak.rate.value == 1.8
    assert between.directions == (A, C)


def test_where_neither_direction_is_seen_the_blinder_one_counts() -> None:
    keen = CircuitTest(A, leak(0.0), {C: leak(0.01, 0.02), W: leak(0.0)})
    blind = CircuitTest(C, leak(0.0), {A: leak(0.0, 0.5), W: leak(0.0)})

    between = path_rates([keen, blind])[Path.ANODE_CATHODE]

    assert between is not None
    assert between.leak.detection_limit_mol_s == 1.0


def test_a_later_test_of_a_circuit_takes_the_place_of_the_earlier() -> None:
    found = path_rates([lost_from(A, 5.0, c=4.0, w=0.0), lost_from(A, 0.0, c=0.0, w=0.0)])

    between = found[Path.ANODE_CATHODE]
    assert between is not None
    assert between.leak.detection is Detection.BELOW_DETECTION


@pytest.mark.parametrize(
    ("tests", "words"),
    [
        (
            [lost_from(A, 2.0, c=1.0, w=0), lost_from(C, 2.0, a=1.1, w=0)],
            "alike in both directions",
        ),
        ([lost_from(A, 2.0, c=2.0, w=0), lost_from(C, 0.2, a=0.2, w=0)], "in one direction more"),
        ([lost_from(A, 2.0, c=2.0, w=0)], "test the other direction too"),
        ([lost_from(W, 1.0, a=1.0, c=0)], "between anode and coolant: a crack in a half plate"),
        ([lost_from(C, 1.0, a=0, w=1.0)], "between cathode and coolant"),
        ([lost_from(A, 2.0, c=0, w=0)], "The anode circuit loses gas that arrives nowhere"),
        (
            [lost_from(A, 2.0, c=0, w=0), lost_from(C, 2.0, a=0, w=0), lost_from(W, 2.0, a=0, c=0)],
            "look at the rig and the end fittings",
        ),
        ([lost_from(C, -1.0, a=0, w=0)], "Pressure rose in the cathode circuit"),
    ],
)
def test_what_a_pattern_points_to(tests: list[CircuitTest], words: str) -> None:
    assert any(words in sentence for sentence in hints(tests)), hints(tests)


def test_a_circuit_does_not_leak_into_itself() -> None:
    with pytest.raises(Inconsistent, match="cannot leak into itself"):
        CircuitTest(A, leak(0.0), {A: leak(0.0)})
    assert to_outside(lost_from(A, 1.0)).rate.value == 1.0
