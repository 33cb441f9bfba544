"""Several tests of tightness together."""

from service.limits.arithmetic.leak_paths import Circuit, Path
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.leak_results import LeakResult, together
from service.proof.arithmetic.leak_tests import Arrived, LeakTest
from service.proof.arithmetic.stack_tests import judge_leak
from tests.proof.arithmetic.leaks import LEAK_FIGURES, a_decay

OTHERS = {
    3: (Circuit.ANODE, Circuit.CATHODE),
    4: (Circuit.CATHODE, Circuit.COOLANT),
    5: (Circuit.ANODE, Circuit.COOLANT),
}


def of(set_up: int, *flows: float, drop: float = 0.01) -> LeakTest:
    arrived = tuple(
        Arrived(circuit, flow) for circuit, flow in zip(OTHERS[set_up], flows, strict=False)
    )
    return a_decay(drop, set_up=set_up, arrived=arrived)


def judged(*tests: LeakTest) -> list[LeakResult]:
    return [judge_leak(test, LEAK_FIGURES) for test in tests]


def test_three_set_ups_know_all_six_paths() -> None:
    found = together(judged(of(3, 0, 0), of(4, 0, 0), of(5, 0, 0)))

    assert found.untested == ()
    assert {it.verdict for it in found.paths} == {Verdict.PASS}
    assert next(it for it in found.paths if it.path is Path.ANODE_CATHODE).set_ups == (4, 5)
    assert found.hints == ()


def test_of_two_directions_the_worse_verdict_counts() -> None:
    found = together(judged(of(4, 0, 0), of(5, 4.0, 0, drop=5.0)))

    across = next(it for it in found.paths if it.path is Path.ANODE_CATHODE)
    assert across.verdict is Verdict.FAIL
    assert across.rate is not None
    assert across.rate.in_mbar_l_s.value > 0.05
    assert any("one direction more than in the other" in hint for hint in found.hints)
    assert found.untested == (Path.COOLANT_OUTSIDE,)


def test_a_later_test_of_a_set_up_takes_the_place_of_the_earlier() -> None:
    failed, passed = of(4, 4.0, 0, drop=5.0), of(4, 0, 0)

    assert together(judged(failed, passed)).paths == together(judged(passed)).paths
    assert together(judged(passed, failed)).paths != together(judged(passed)).paths


def test_a_bound_counts_only_where_nothing_was_measured() -> None:
    joined = a_decay(0.01, set_up=2, arrived=())

    alone = together(judged(joined))
    beside = together(judged(joined, of(4, 0, 0, drop=25.0)))

    anode = alone.paths[0]
    assert (anode.is_bound, anode.verdict, anode.set_ups) == (True, Verdict.PASS, (2,))
    assert (beside.paths[0].is_bound, beside.paths[0].verdict) == (False, Verdict.FAIL)
    assert alone.untested == (Path.ANODE_CATHODE, Path.ANODE_COOLANT, Path.CATHODE_COOLANT)


def test_nothing_tested_is_nothing_known() -> None:
    assert together([]).untested == tuple(Path)
